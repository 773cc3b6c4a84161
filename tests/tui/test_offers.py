"""Facts that are offered: read from the line that states them, written into their field, kept by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.facts import Facts
from companion.core.findings import Severity
from companion.steps.deeds.start import Proposal
from companion.tui.parts.form import FieldBox
from companion.tui.parts.offers import asked_of, offered
from tests.tui.conftest import Bench, Hand, Opened, finding

PATTERN = "{layer}_{note}_{low_velocity}-{high_velocity}"
MEND = (
    f'If so, state it: companion fact FOLDER naming.pattern "{PATTERN}". '
    'If they play no note: companion fact FOLDER naming.unpitched "wav/*"'
)


@pytest.mark.parametrize(
    ("text", "fact"),
    [
        (MEND, ("naming.pattern", PATTERN)),
        ("State it: companion fact FOLDER naming.pattern '{note} \"x\"'", ("naming.pattern", '{note} "x"')),
        ('Here: companion fact FOLDER naming.unpitched "wav/*" "b c/*"', ("naming.unpitched", "wav/*\nb c/*")),
        ("state it: companion fact FOLDER naming.language german. Else", ("naming.language", "german")),
        ("state it: companion fact FOLDER naming.middle_c C3. If the", ("naming.middle_c", "C3")),
        ("state it: companion fact FOLDER naming.number_offset -12", ("naming.number_offset", "-12")),
        (
            'If so: companion fact FOLDER naming.more "{note} a" "{note} b". Write',
            ("naming.more", "{note} a\n{note} b"),
        ),
        (
            'companion fact FOLDER naming.pattern "{note}" and companion fact FOLDER naming.middle_c C4',
            ("naming.pattern", "{note}"),
        ),
        ("companion fact FOLDER no.such_key x", None),
        ("Write the pattern into naming.pattern.", None),
    ],
)
def test_what_a_text_offers_to_state(text: str, fact: tuple[str, str] | None) -> None:
    assert offered(text) == fact


def test_a_line_on_names_is_asked_instead_of_typed() -> None:
    line = f'18 names, such as a_36.wav: may be notes; if so: companion fact FOLDER naming.pattern "{PATTERN}"'
    assert asked_of(line) == ("18 names, such as a_36.wav: may be notes.", PATTERN)
    two = f"{line} and companion fact FOLDER naming.middle_c C4"
    assert asked_of(two) == (two, ""), "two facts are no single question"
    assert asked_of("18 samples in wav.") == ("18 samples in wav.", "")


def field(hand: Hand, key: str) -> FieldBox:
    return next(box for box in hand.app.query(FieldBox) if box.field.key == key)


async def test_a_key_writes_the_fact_into_its_field_and_enter_keeps_it(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("note-unread", mend=MEND, severity=Severity.WARNS, unknown=True),)
    async with opened(bench, (100, 36)) as hand:
        await hand.press("4")
        assert hand.shows("Key e writes that fact into its field")
        await hand.press("e")
        assert field(hand, "naming.pattern").box.value == PATTERN
        assert hand.app.focused is field(hand, "naming.pattern").box
        assert hand.shows("● not kept yet")
        assert bench.facts.naming.pattern == ""
        await hand.press("enter")
        assert bench.facts.naming.pattern == PATTERN


async def test_what_is_being_written_there_stays_and_other_findings_offer_nothing(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("note-unread", mend=MEND), finding("clipped", "a.wav"))
    async with opened(bench, (100, 36)) as hand:
        await hand.press("4", "home", "down")
        assert not hand.shows("Key e")
        await hand.press("e")
        assert field(hand, "naming.pattern").box.value == ""
        field(hand, "naming.pattern").box.focus()
        await hand.write("{note}")
        await hand.press("escape", "4", "end", "e")
        assert field(hand, "naming.pattern").box.value == "{note}"


async def test_how_names_are_read_is_chosen_and_not_typed(folder: Path, opened: Opened) -> None:
    (folder / "release.toml").unlink()
    bench = Bench(folder)
    line = f'18 names, such as a_36.wav: may be notes; if so: companion fact FOLDER naming.pattern "{PATTERN}"'
    bench.propose = lambda *_: Proposal(  # type: ignore[method-assign]
        facts=Facts(), lines=(line,), asks=(("naming.pattern", "Where is the note in a_36.wav?"),)
    )
    async with opened(bench, (100, 40)) as hand:
        assert hand.shows(
            "18 names, such as a_36.wav: may be notes.", "How are the file names to be read?", f"○ {PATTERN}"
        )
        assert not hand.shows("companion fact FOLDER")
        field(hand, "naming.pattern").box.focus()
        await hand.press("enter", "enter")
        assert "naming.pattern" not in bench.calls[-1][1], "nothing is read so by pressing Enter"


async def test_a_chosen_reading_is_written(folder: Path, opened: Opened) -> None:
    (folder / "release.toml").unlink()
    bench = Bench(folder)
    line = f'1 name, such as a_36.wav: may be a note; if so: companion fact FOLDER naming.pattern "{PATTERN}"'
    bench.propose = lambda *_: Proposal(  # type: ignore[method-assign]
        facts=Facts(), lines=(line,), asks=(("naming.pattern", "Where is the note in a_36.wav?"),)
    )
    async with opened(bench, (100, 40)) as hand:
        field(hand, "naming.pattern").box.focus()
        await hand.press("right", "enter", "enter")
        assert bench.calls[-1][1]["naming.pattern"] == PATTERN
