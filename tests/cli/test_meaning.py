"""Every step says what proven means of it, and what not; both doors show it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from companion import workshop
from companion.steps.meaning import meaning_of
from companion.steps.table import STEP_IDS


@pytest.mark.parametrize("step", STEP_IDS)
def test_each_step_says_what_its_proof_is_worth(step: str) -> None:
    said = meaning_of(step)
    assert (said.id, workshop.meaning(step)) == (step, said)
    for text in (said.means, said.means_not):
        assert text.endswith(".")
        assert 60 < len(text) < 260
        assert "proven" not in text.lower(), "it is not explained by itself"
    assert said.means_not.startswith("That ")


def test_a_word_that_is_no_step_means_nothing() -> None:
    assert workshop.meaning("clipped") is None
    assert workshop.meaning("") is None


def test_the_command_tells_it(companion: Callable[..., Any]) -> None:
    told = companion("explain", "sound")
    assert told.code == 0
    assert "Sound: Is every sample fit to ship?" in told.out
    assert "it does not mean: That it sounds good" in told.out
    assert "wrong-root" in told.out
    assert "name-twins" not in told.out
    facts = companion("explain", "facts").out
    assert "it does not mean: That what you stated is true" in facts
    assert "[instrument]" in facts
    assert companion("explain", "sounds").code == 2
