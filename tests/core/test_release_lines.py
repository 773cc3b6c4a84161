"""Which release a version is compared with, and which it must lie above."""

from __future__ import annotations

import re

import pytest

from companion.core.versions import INSTRUMENT, above_which, base_of, between

OUT = ("1.0.0", "1.1.0", "1.2.0b1", "1.2.0", "1.1.1", "2.0.0")


@pytest.mark.parametrize(
    ("version", "base"),
    [
        ("1.0.0", ""),
        ("1.1.0", "1.0.0"),
        ("1.1.2", "1.1.1"),
        ("1.2.0b1", "1.1.1"),
        ("1.2.0rc1", "1.2.0b1"),
        ("1.2.0", "1.1.1"),
        ("1.2", "1.1.1"),
        ("1.2.1", "1.2.0"),
        ("2.1", "2.0.0"),
        ("not a version", "2.0.0"),
    ],
)
def test_a_version_is_compared_with_the_highest_below_it(version: str, base: str) -> None:
    assert base_of(version, OUT) == base


def test_before_the_first_there_is_nothing_and_a_first_final_builds_on_no_preview() -> None:
    assert base_of("1.0", ()) == ""
    assert base_of("1.0", ("1.0b1", "1.0rc1")) == ""
    assert base_of("1.0rc1", ("1.0b1",)) == "1.0b1"
    assert base_of("0.9", ("1.0", "1.1")) == "1.1", "what lies below all has no line of its own"


@pytest.mark.parametrize(
    ("version", "above"),
    [
        ("2.0.1", "2.0.0"),
        ("2.1b1", "2.0.0"),
        ("1.2.1", "1.2.0"),
        ("1.3.0", "1.2.0"),
        ("1.0.1", "1.0.0"),
        ("1.2.0", "1.2.0"),
        ("1.2.0rc2", "1.2.0"),
        ("0.9", "2.0.0"),
        ("1.1.0.1", "1.1.0"),
    ],
)
def test_only_its_own_line_holds_a_version(version: str, above: str) -> None:
    assert above_which(version, OUT) == above


def test_a_line_that_was_never_released_is_no_older_line() -> None:
    assert above_which("1.1.5", ("1.0", "1.2")) == "1.2"
    assert above_which("1.0", ()) == ""


def test_between_takes_in_its_upper_end_alone() -> None:
    assert between("1.2.0b1", "1.1.0", "1.2.0")
    assert between("1.2.0", "1.1.0", "1.2.0")
    assert not between("1.1.0", "1.1.0", "1.2.0")
    assert not between("1.1.1", "1.2.0", "1.3.0")


@pytest.mark.parametrize("text", ["1.0", "1.2.0b1", "1.2.0-beta.1", "1.2.0rc1", "1.2.0.dev3", "1.2.0.post1", "1.2.0a"])
def test_a_version_is_read_whole_or_not_at_all(text: str) -> None:
    for sentence in (text, f"{text}, by", f"{text}.zip", f"{text} - 2026-01-31", f"{text}."):
        found = re.match(INSTRUMENT, sentence)
        assert found, sentence
        assert found.group() == text
    assert not re.match(INSTRUMENT, f"{text}zeta")
