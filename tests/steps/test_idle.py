"""A waiver that lets nothing pass is told once, with how to take it back; one that may yet count is left alone."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

import pytest

from companion.core.facts import Waiver
from companion.core.findings import NOTES
from companion.steps import status
from companion.steps.checks.idle import IdleWaiver, waiver_idle
from companion.steps.model import State
from companion.steps.table import STEPS
from companion.workshop import Workshop

FACTS: Final = """\
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
summary = "Slabs of slate, struck."
contact = "https://quay-room.example"
licence = "CC0-1.0"
rights = "Everything was recorded by Quay Room."
without = ["controls"]
[engine]
name = "Example Engine"
edition = "any"
saved_with = "7.1"
minimum = "7.1"
[contents]
patches = ["Slate.eeng"]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "release.toml").write_text(FACTS, encoding="utf-8")
    (tmp_path / "Slate.eeng").write_bytes(b"\0\1HELLO\0\2")
    (tmp_path / "LICENCE.txt").write_text("CC0 1.0", encoding="utf-8")
    return tmp_path


def told(folder: Path, waiver: str, *run: str) -> list[tuple[str, str, str]]:
    """Return (step, rule of the waiver, what is said) of each that is told with ``waiver`` in the facts."""
    (folder / "release.toml").write_text(f"{FACTS}\n[[waivers]]\n{waiver}\n", encoding="utf-8")
    shop = Workshop.open(folder)
    now = shop.check(run) if run else shop.status()
    return [
        (step.id, one.where, one.measured) for step in now.steps for one in step.findings if one.rule == waiver_idle.id
    ]


GONE: Final = "“meant”: nothing of it is found there now"
TABLE: Final[tuple[tuple[str, tuple[str, ...], list[tuple[str, str, str]]], ...]] = (
    # a waiver of what is found there: it counts, or has lapsed and is told beside the finding
    ('rule = "minimum-unproven"\npath = "release.toml"\nwhere = "engine.minimum"', (), []),
    ('rule = "away-untried"', (), []),
    ('rule = "patch-opaque"\npath = "Slate.eeng"', ("paths",), []),
    # nothing of it is found, or elsewhere only
    (
        'rule = "minimum-unproven"\npath = "release.toml"\nwhere = "engine.edition"',
        (),
        [("needs", "minimum-unproven", GONE)],
    ),
    ('rule = "minimum-unset"\npath = "release.toml"', (), [("needs", "minimum-unset", GONE)]),
    ('rule = "patch-opaque"\npath = "Other.eeng"', ("paths",), [("paths", "patch-opaque", GONE)]),
    ('rule = "stray-working-file"\npath = "old.bak"', ("contents",), [("contents", "stray-working-file", GONE)]),
    # of a group no file is left
    (f'rule = "hum"\npath = "**"\ncontents = ["{"0" * 16}"]', ("sound",), [("sound", "hum", GONE)]),
    # nobody has looked
    ('rule = "patch-opaque"\npath = "Other.eeng"', (), []),
    (f'rule = "hum"\npath = "**"\ncontents = ["{"0" * 16}"]', (), []),
    # what Sound finds by a rule of Contents may be what it is for
    ('rule = "file-unreadable"\npath = "a.wav"', ("contents",), []),
    ('rule = "file-unreadable"\npath = "a.wav"', ("contents", "sound"), [("contents", "file-unreadable", GONE)]),
    # one that counts for nothing, whatever is found
    ('rule = "no-such-rule"\npath = "a.wav"', (), [("facts", "no-such-rule", "“meant”: there is no such rule")]),
    (
        'rule = "release-unrecorded"',
        (),
        [("out", "release-unrecorded", "“meant”: no reason lets that pass")],
    ),
)


@pytest.mark.parametrize(("waiver", "run", "expected"), TABLE)
def test_a_waiver_is_told_where_it_lets_nothing_pass(
    folder: Path, waiver: str, run: tuple[str, ...], expected: list[tuple[str, str, str]]
) -> None:
    assert told(folder, f'{waiver}\nreason = "meant"', *run) == expected


def test_a_waiver_without_a_reason_counts_for_nothing(folder: Path) -> None:
    assert told(folder, 'rule = "away-untried"\nreason = ""') == [("away", "away-untried", "“”: it gives no reason")]


def test_it_is_a_note_that_leaves_its_step_as_it_is_and_goes_with_the_waiver(folder: Path) -> None:
    plain = Workshop.open(folder).status().step("facts")
    (folder / "release.toml").write_text(
        f'{FACTS}\n[[waivers]]\nrule = "rights-unstated"\npath = "release.toml"\nreason = "meant"\n', encoding="utf-8"
    )
    shop = Workshop.open(folder)
    step = shop.status().step("facts")
    (one,) = step.findings
    assert (plain.state, plain.because) == (State.PROVEN, "complete and consistent")
    assert (step.state, step.because) == (State.PROVEN, "complete and consistent; 1 note")
    assert one.mend.endswith('companion waive FOLDER rights-unstated "release.toml" --back')
    shop.unwaive(one.where, one.path, one.at.fact)
    assert Workshop.open(folder).status().step("facts") == plain


def test_the_rule_says_of_each_how_to_take_it_back() -> None:
    assert list(waiver_idle(())) == []
    waiver = Waiver(rule="hum", path="a b.wav", where="0:01", reason="an organ")
    (one,) = waiver_idle((IdleWaiver(waiver=waiver, why="it is gone"),))
    assert (one.severity, one.path, one.where, one.at.fact) == (NOTES, "a b.wav", "hum", "0:01")
    assert one.measured == "“an organ”: it is gone"
    assert 'companion waive FOLDER hum "a b.wav" --where "0:01" --back' in one.mend


@pytest.mark.parametrize(
    ("step", "rule", "looked", "expected"),
    [
        ("contents", "file-empty", {}, [()]),  # an archive that is not built finds nothing
        ("contents", "file-empty", {"archive": ("in it",)}, [("in it",)]),
        ("contents", "file-unreadable", {}, [None, ()]),  # a sound that is not measured may be the one that is meant
        ("contents", "file-unreadable", {"sound": ("a.wav",)}, [("a.wav",), ()]),
        ("paths", "patch-opaque", {"archive": ("in it",), "sound": ("a.wav",)}, [("in it",)]),
        ("sound", "hum", {"archive": ("in it",)}, []),  # no other step judges by it
    ],
)
def test_what_another_step_finds_by_the_same_rule_may_be_what_it_is_for(
    step: str, rule: str, looked: dict[str, tuple[str, ...]], expected: list[Any]
) -> None:
    found = {name: SimpleNamespace(findings=findings) for name, findings in looked.items()}
    desk: Any = SimpleNamespace(steps={one.id: one for one in STEPS}, found=found.get)
    assert list(status._found_elsewhere(desk, step, rule)) == expected
