"""Reports in the app: taken in by pasting, shown, answered, closed, and what they are about, over the real workshop."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from textual import events
from textual.widgets import OptionList

from companion.steps.deeds.reports import ReportView, Subject, Taken
from companion.trials.reports import Known, Report
from companion.tui.parts.form import FieldBox
from companion.tui.parts.reports import AnswerReport, report_content, report_row, taken_line
from companion.workshop import Workshop
from tests.tui.conftest import HOSTILE, Hand, Opened, finding

LETTER = "From: lu@key.example\n\nHi!\nIt clicks at E3.\nTone is fine.\n-- \nLu Kay\n"


@pytest.fixture
def shop(folder: Path) -> Iterator[Workshop]:
    shop = Workshop.open(folder)
    yield shop
    shop.close()


def box(hand: Hand, key: str) -> FieldBox:
    return next(box for box in hand.app.query(FieldBox) if box.field.key == key)


async def test_a_report_is_pasted_in_and_shown(shop: Workshop, opened: Opened) -> None:
    async with opened(shop, (100, 36)) as hand:
        await hand.press("0", "t")
        assert hand.shows("No player has reported anything yet.")
        assert not hand.shows("w Answer"), "nothing is under the cursor"
        await hand.press("i")
        assert hand.app.focused is box(hand, "words").box
        box(hand, "name").box.focus()
        await hand.write("Lu Kay of Key Lane")
        await hand.press("enter")
        assert hand.app.focused is box(hand, "words").box
        assert hand.shows("✗ There are no words in the report")
        hand.app.focused.post_message(events.Paste(LETTER))
        await hand.rest()
        for key, wrong, says, text in (
            ("name", "", "more about a person", "Lu"),
            ("version", "0.9", "There is no such release", ""),
            ("about", "none.wav", "no file, control or rule", "hum, Tone"),
        ):
            box(hand, key).box.focus()
            await hand.write(wrong)
            await hand.press("enter")
            assert hand.shows(says)
            assert hand.app.focused is box(hand, key).box
            assert box(hand, key).has_class("-wrong")
            await hand.press("end", "ctrl+u")
            await hand.write(text)
        for key, text in (("system", "Windows 11"), ("engine", "7.2")):
            box(hand, key).box.focus()
            await hand.write(text)
        await hand.press("enter")
        assert hand.shows("Taken in as it-clicks-at-e3-tone.txt.", "a mail's head, a signature", "click-inside")
        assert hand.shows("1 report, 1 open", "· Hi! It clicks at E3.", "Windows 11, 7.2, thanks to Lu", "About")
        assert hand.shows("control Tone", "nothing is found on it now")
    (report,) = shop.reports()
    assert (report.known.about, report.known.name) == (("hum", "control Tone"), "Lu")
    assert "lu@" not in report.text


async def test_a_report_is_answered_closed_and_tied_to_what_it_is_about(shop: Workshop, opened: Opened) -> None:
    for words in ("It hums.", "Too dear."):
        shop.add_report(words, Known(at="2026-01-01T00:00:00Z"))
    async with opened(shop, (100, 36)) as hand:
        await hand.press("0", "t", "enter", "e")
        assert hand.shows("What is it about?", "Files, controls or rules")
        await hand.write("hum, Tone")
        await hand.press("enter")
        assert shop.report("it-hums")[0].known.about == ("hum", "control Tone")
        await hand.press("e")
        await hand.press("end", *["backspace"] * 14, "enter")
        assert shop.report("it-hums")[0].known.about == ("hum",)
        await hand.press("w", "enter")
        assert isinstance(hand.app.screen, AnswerReport)
        assert hand.shows("Say what became of it")
        await hand.write("The hum is gone.")
        await hand.press("tab", "right", "tab", "enter")
        known = shop.report("it-hums")[0].known
        assert (known.state, known.answer, known.kind, known.answered_in) == (
            "answered", "The hum is gone.", "changed", "1.0",
        )  # fmt: skip
        assert hand.shows("Answered: the next draft of the changelog says so.", "2 reports, 1 open")
        listing = hand.app.query_one("ReportsView OptionList", OptionList)
        assert listing.highlighted == 1, "the cursor stays on the report, which stands lower now"
        await hand.press("up", "x", "enter")
        assert hand.shows("A report is closed for a reason.")
        await hand.write("no fault")
        await hand.press("enter")
        assert hand.shows("Closed.", "2 reports, 0 open", "– Too dear. closed", "Closed no fault")
    assert shop.report("too-dear")[0].known.why == "no fault"


def view(**more: Any) -> ReportView:
    known = {key: more.pop(key) for key in list(more) if key in Known.__struct_fields__}
    report = Report(id=more.pop("id", "hum.txt"), text=more.pop("text", "It hums."), known=Known(**known), **more)
    return ReportView(report=report)


@pytest.mark.parametrize(
    ("one", "row"),
    [
        (view(), "· It hums.  open"),
        (view(state="answered", answered_in="1.1"), "✓ It hums.  answered in 1.1"),
        (view(state="closed", why="x"), "– It hums.  closed"),
        (view(problem="it is over 9 bytes"), "✗ hum.txt  does not read"),
        (view(text=""), "· hum.txt  open"),
    ],
)
def test_a_row_says_what_became_of_a_report(one: ReportView, row: str) -> None:
    assert report_row(one.report).plain == row


def test_a_report_in_full() -> None:
    subject = Subject(what="a.wav", now="changed since 1.0", findings=(finding("hum", "a.wav"),) * 6)
    one = view(version="1.0", system="Windows 11", state="answered", answer="Gone.", answered_in="1.1", name="Lu")
    text = report_content(ReportView(report=one.report, subjects=(subject, Subject(what="hum"))), 80).plain
    assert "Answer    Gone. (fixed, in 1.1)" in text
    assert "Player    version 1.0, Windows 11, thanks to Lu" in text
    assert "About     a.wav: changed since 1.0" in text
    assert text.count("✗ a.wav") == 4
    assert text.endswith("About     hum\n  nothing is found on it now\nhum.txt")
    assert "Closed" not in text
    assert "Closed    no fault" in report_content(view(state="closed", why="no fault"), 80).plain
    assert "Problem   too long" in report_content(view(problem="too long"), 80).plain


@pytest.mark.parametrize("name", HOSTILE)
def test_a_player_s_words_are_shown_inert(name: str) -> None:
    one = view(text=name, id=name, system=name, engine=name, answer=name, state="answered", answered_in=name)
    shown = report_row(one.report).plain + report_content(one, 60).plain
    assert not {"\x1b", "\u202e", "\udcff"} & set(shown)
    assert not {"\x1b", "\u202e", "\udcff", "\n"} & set(taken_line(Taken(report=one.report, likely=(name,))))
