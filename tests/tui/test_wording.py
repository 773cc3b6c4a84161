"""Texts in the app: whose each paragraph is, edited in place, settled side by side, copied, seen as by a player."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest
from textual.widgets import TextArea

from companion.core.errors import CompanionError
from companion.core.text import visible
from companion.steps.looks.wording import Worded, WordedPart
from companion.steps.looks.words import Draft
from companion.tui.parts.editing import EditScreen, SettleScreen, seen_content
from companion.tui.parts.wording import about_content, grounds_content, part_content
from companion.words.merge import Clash
from tests.tui.conftest import HOSTILE, Bench, Opened

CLASHES = (
    Clash(own="My slate.", old="Slabs of slate.", drafted=("Slate, struck softly.",)),
    Clash(own="Mine too.", old="Before.", drafted=("The draft’s.",)),
)


def came(**more: Any) -> Worded:
    drafted: dict[str, Any] = {
        "what": "changelog", "format": "md", "text": "# Slate\n\nMy slate.\n\nMine too.\n",
        "target": Path("CHANGELOG.md"),
        "base": "", "conflicts": ("Slate, struck softly.", "The draft’s."), "clashes": CLASHES,
    }  # fmt: skip
    parts = (
        WordedPart(text="# Slate", whose="drafted", rests=("fact: title",)),
        WordedPart(text="My slate.", whose="own"),
        WordedPart(text="Old entry", whose="before"),
    )
    draft = Draft(**(drafted | {key: value for key, value in more.items() if key in drafted}))
    rest = {key: value for key, value in more.items() if key not in drafted}
    return msgspec.structs.replace(Worded(draft=draft, parts=parts, standing="x", limit=None), **rest)


@pytest.fixture
def texts(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> list[Worded]:
    """What the bench's texts are: the last of the list."""
    held = [came()]
    monkeypatch.setattr(bench, "worded", lambda what, fmt="md", watch=None: held[-1])
    return held


def test_whose_a_paragraph_is_is_told_by_a_mark_on_each_of_its_lines() -> None:
    assert part_content(WordedPart(text="one\ntwo", whose="own")).plain == "▌ one\n▌ two"
    assert part_content(WordedPart(text="one", whose="drafted")).plain == "│ one"
    assert part_content(WordedPart(text="one", whose="before")).plain == "  one"


def test_grounds_are_said_and_advice_is_called_so() -> None:
    said = grounds_content(WordedPart(text="By Quay Room", whose="drafted", rests=("fact: maker", "the day")), 80).plain
    assert "fact: maker; the day" in said
    assert "claims nothing of this one" in grounds_content(WordedPart(text="Unzip", whose="drafted"), 80).plain
    assert "Rests" not in grounds_content(WordedPart(text="Mine", whose="own"), 80).plain
    assert "Rests" not in grounds_content(WordedPart(text="## Needs", whose="drafted"), 80).plain


@pytest.mark.parametrize(("limit", "says"), [(None, "30 characters"), (30, "30 of 30 characters"), (23, "7 too many")])
def test_the_length_stands_against_its_limit(limit: int | None, says: str) -> None:
    one = came(limit=limit)
    assert says in about_content(one.draft, one).plain
    assert ("too many" in about_content(one.draft, one).plain) == (limit == 23)


def test_a_player_sees_no_marks_of_the_format() -> None:
    seen = seen_content("# Slate\n\nOne *struck*.\n\n- a\n- b\n", "README.md").plain
    assert seen == "Slate\n\nOne struck.\n  • a\n  • b\n"
    assert "<p>" not in seen_content("<html><body><h1>Slate</h1><p>One</p></body></html>", "x.html").plain


def test_names_of_strangers_are_inert() -> None:
    for name in HOSTILE:
        plain = part_content(WordedPart(text=name, whose="own")).plain
        assert plain == f"▌ {visible(name)}"
        assert "\x1b" not in seen_content(f"# {name}\n\n{name}\n", "README.md").plain
        one = came(conflicts=(name,), clashes=())
        assert "\x1b" not in about_content(one.draft, one).plain


async def test_paragraphs_are_walked_through_with_their_grounds(
    bench: Bench, opened: Opened, texts: list[Worded]
) -> None:
    async with opened(bench, (100, 30)) as hand:
        await hand.press("8")
        assert hand.shows("│ # Slate", "▌ My slate.", "Rests on fact: title", "2; x settles it", "x Settle")
        await hand.press("down")
        assert hand.shows("your own words: they stay as they are")


async def test_a_text_is_edited_in_place_and_kept(bench: Bench, opened: Opened, texts: list[Worded]) -> None:
    async with opened(bench, (100, 30)) as hand:
        await hand.press("8", "e")
        assert isinstance(hand.app.screen, EditScreen)
        assert not hand.shows("not kept yet")
        hand.app.screen.query_one(TextArea).move_cursor((5, 0))
        await hand.pilot.press(*"Struck", "full_stop")
        assert hand.shows("37 characters ● not kept yet")
        await hand.press("escape")
        assert hand.shows("What you changed here would be lost.")
        await hand.press("n")
        assert isinstance(hand.app.screen, EditScreen), "n goes back to the text"
        await hand.press("ctrl+s")
        assert bench.calls[-1] == ("text", "# Slate\n\nMy slate.\n\nMine too.\nStruck.", 2)
        assert len(hand.app.screen_stack) == 1
        assert hand.shows("› Written: CHANGELOG.md.")
        await hand.press("e", "escape")
        assert len(hand.app.screen_stack) == 1, "nothing was changed: nothing is asked"
        await hand.press("e")
        bench.broken = CompanionError("The file has changed meanwhile", "CHANGELOG.md", "look at it again")
        await hand.write("x")
        await hand.press("ctrl+s")
        assert hand.shows("✗ The file has changed meanwhile (CHANGELOG.md). Look at it again.", "● not kept yet")
        assert hand.app.screen.query_one(TextArea).text.startswith("x# Slate"), "what was written stays in the field"
        assert hand.app.workspace.unsaved == "Words"
        await hand.press("escape", "y")
        assert len(hand.app.screen_stack) == 1


async def test_what_steers_a_terminal_is_not_edited(bench: Bench, opened: Opened, texts: list[Worded]) -> None:
    texts.append(came(text="a\x1b[2J"))
    async with opened(bench, (100, 30)) as hand:
        await hand.press("8", "e")
        assert len(hand.app.screen_stack) == 1
        assert hand.shows("✗ It holds signs that steer a terminal, or bytes that are no text (CHANGELOG.md).")


async def test_conflicts_are_settled_side_by_side(bench: Bench, opened: Opened, texts: list[Worded]) -> None:
    async with opened(bench, (100, 30)) as hand:
        await hand.press("8", "x", "escape")
        assert not bench.calls, "going back settles nothing"
        await hand.press("x", "d", "escape")
        assert bench.calls[-1] == ("text", "# Slate\n\nSlate, struck softly.\n\nMine too.\n", 1)
        await hand.press("x")
        assert isinstance(hand.app.screen, SettleScreen)
        assert hand.shows("1 of 2 to settle", "My slate.", "Slate, struck softly.", "Slabs of slate.")
        await hand.press("n")
        assert hand.shows("2 of 2 to settle", "Mine too.")
        await hand.press("d")
        assert hand.shows("1 of 1 to settle", "My slate.")
        await hand.press("m")
        assert bench.calls[-1] == ("text", "# Slate\n\nMy slate.\n\nThe draft’s.\n", 0)


async def test_a_text_is_copied_and_seen(
    bench: Bench, opened: Opened, texts: list[Worded], monkeypatch: pytest.MonkeyPatch
) -> None:
    copied: list[str] = []
    async with opened(bench, (100, 30)) as hand:
        monkeypatch.setattr(hand.app, "copy_to_clipboard", copied.append)
        await hand.press("8", "y")
        assert copied == ["# Slate\n\nMy slate.\n\nMine too.\n"]
        assert hand.shows("30 characters are handed to the terminal’s clipboard.")
        await hand.press("i")
        assert hand.shows("Slate", "My slate.", "Esc goes back")
        assert not hand.shows("# Slate")
        await hand.press("escape")
