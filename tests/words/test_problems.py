"""Known problems: what a player hears of a finding, and what is nobody's business."""

from __future__ import annotations

import re

import pytest

from companion.core.findings import BLOCKS, NOTES, WARNS, Finding, Severity
from companion.steps.catalogue import RULES
from companion.words.problems import CONCERNS, MAKERS_OWN, PROBLEMS, problem_lines


def finding(rule: str, severity: Severity = WARNS, path: str = "a.wav", *, waived: str = "") -> Finding:
    return Finding(
        rule=rule, severity=severity, path=path, measured="it", limit="", why="w", mend="m", where="", waived=waived
    )


def test_of_every_rule_of_these_steps_it_is_decided_whether_a_player_hears_of_it() -> None:
    rules = {rule.id for rule in RULES if rule.step in ("contents", "paths", "sound")}
    assert rules == set(PROBLEMS) | MAKERS_OWN
    assert not set(PROBLEMS) & MAKERS_OWN
    assert set(PROBLEMS) >= CONCERNS


def test_no_sentence_speaks_to_the_maker_or_of_what_leaked() -> None:
    for text in PROBLEMS.values():
        assert not re.search(r"\byour?\b|home folder|user name|metadata|serial|waive|finding", text, re.IGNORECASE), (
            text
        )
        assert text[0].isupper()
        assert not text.endswith(".")


def test_an_open_warning_is_told_with_the_number_of_its_files() -> None:
    lines = problem_lines([finding("ends-hot"), finding("ends-hot"), finding("ends-hot", path="b.wav")])
    assert lines == ("A sound is cut off before it has died away (2 files).",)


@pytest.mark.parametrize("rule", ["ends-hot", "starts-hot", "layer-uneven"])
def test_a_warning_that_is_meant_is_not_told_as_a_problem(rule: str) -> None:
    assert problem_lines([finding(rule, waived="It is meant.")]) == ()


@pytest.mark.parametrize("rule", sorted(CONCERNS))
def test_what_a_player_meets_all_the_same_is_told_although_it_is_meant(rule: str) -> None:
    assert problem_lines([finding(rule, waived="It is meant.")]) != ()


def test_a_waived_blocker_is_told_and_an_open_one_does_not_ship() -> None:
    missing = finding("reference-missing", BLOCKS, "Slate.patch", waived="It is only a picture.")
    assert problem_lines([missing]) == ("The patch asks for a file that is not in the download (1 file).",)
    assert problem_lines([finding("reference-missing", BLOCKS)]) == ()


def test_the_public_reads_neither_of_the_home_folder_nor_of_leaked_metadata() -> None:
    home = [finding(rule, BLOCKS, "Slate.patch", waived="Only an old name.") for rule in ("path-home", "path-absolute")]
    lines = problem_lines([*home, finding("metadata-private"), finding("metadata-private", waived="It is mine.")])
    assert lines == (
        "The patch names places on the computer it was made on, so the engine may ask where its samples are (1 file).",
    )


def test_a_note_is_nobodys_problem() -> None:
    assert problem_lines([finding("ends-hot", NOTES)]) == ()
