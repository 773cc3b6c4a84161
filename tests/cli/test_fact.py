"""``companion fact``: one fact shown, stated from words, and taken out; everything else in the file stays."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]


def test_a_fact_is_shown_stated_and_taken_out(companion: Companion, instrument: Path) -> None:
    facts = instrument / "release.toml"
    before = facts.read_text("utf-8")
    assert companion("fact", instrument, "instrument.title").out == "instrument.title: Slate Choir\n"
    assert companion("fact", instrument, "naming.unpitched").out == "naming.unpitched is not stated.\n"
    stated = companion("fact", instrument, "naming.unpitched", "Loops/*.wav", "Noises/*.wav")
    assert (stated.code, stated.out) == (0, "naming.unpitched: Loops/*.wav, Noises/*.wav\n")
    shown = companion("fact", instrument, "naming.unpitched", "--json").json
    assert (shown["fact"], shown["value"]) == ("naming.unpitched", ["Loops/*.wav", "Noises/*.wav"])
    assert companion("fact", instrument, "naming.unpitched", "--clear").code == 0
    assert companion("fact", instrument, "limits.voices", "24").code == 0
    assert companion("fact", instrument, "limits.true_peak_dbtp", "--", "-1.5").code == 0
    assert "voices = 24\ntrue_peak_dbtp = -1.5" in facts.read_text("utf-8")
    assert facts.read_text("utf-8").startswith(before.rstrip())


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("instrument.tittle", "x"), "no fact “instrument.tittle”"),
        (("title", "x"), "no fact “title”"),
        (("instrument", "x"), "no fact “instrument”"),
        (("controls", "Air"), "a list of tables"),
        (("controls.name", "Air"), "a list of tables"),
        (("instrument.title", "Slate", "Choir"), "one value"),
        (("limits.voices", "many"), "“many” is not a number"),
        (("instrument.without", "strings"), "expected “controls” or “samples”"),
        (("naming.middle_c", "C6"), "expected “C3”, “C4” or “C5”"),
        (("instrument.title", "x", "--clear"), "stated or taken out"),
    ],
)
def test_what_cannot_be_stated_is_one_line_and_changes_nothing(
    companion: Companion, instrument: Path, given: tuple[str, ...], says: str
) -> None:
    before = (instrument / "release.toml").read_bytes()
    refused = companion("fact", instrument, *given)
    assert (refused.code, refused.out, len(refused.err.splitlines())) == (2, "", 1)
    assert says in refused.err
    assert (instrument / "release.toml").read_bytes() == before
