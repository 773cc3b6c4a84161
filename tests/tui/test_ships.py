"""What ships, in the app: the list, the answers by key, names that do nothing, and twenty thousand files."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

import pytest
from textual.widgets import OptionList

from companion.contents.account import Account
from companion.contents.groups import grouped
from companion.contents.inventory import Inventory
from companion.contents.selection import Selection
from companion.contents.ships import ShipList, ship_list
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents
from companion.core.progress import QUIET, Watch
from companion.tui.parts import ship_rows
from companion.tui.parts.ship_rows import MOST, sections
from companion.tui.parts.ships import ShipsView, ship_detail, ship_row
from companion.workshop import Workshop
from tests.tui.conftest import FACTS, Opened


def files(*paths: str, kind: Kind = Kind.OTHER) -> tuple[Entry, ...]:
    return tuple(Entry(path=path, size=1000, mtime_ns=0, inode=0, kind=kind) for path in sorted(paths))


def listed(ships: tuple[Entry, ...], asked: tuple[Entry, ...] = ()) -> ShipList:
    why = {entry.path: "a patch that players open" for entry in ships}
    every = tuple(sorted((*ships, *asked), key=lambda entry: entry.path))
    account = Account(why=why, asked=grouped(asked, why))
    return ship_list(Inventory(entries=every), Selection(ships=every, left_out=()), account, Contents())


@pytest.fixture
def strewn(tmp_path: Path) -> Workshop:
    """A folder with a patch, its sample, and what a maker leaves lying about."""
    folder = tmp_path / "Slate Choir"
    for path in ("Samples/a_C3.wav", "todo.txt", "Invoice 1.pdf", "Invoice 2.pdf", "Me/mood.doc"):
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(b"x" * 10)
    (folder / "Slate.eng").write_bytes(b"\2ENG\x10\0Samples/a_C3.wav\0" + bytes(range(256)))
    facts = FACTS + '\n[contents]\npatches = ["Slate.eng"]\n'
    (folder / "release.toml").write_text(facts, encoding="utf-8", newline="\n")
    return Workshop.open(folder)


async def test_what_is_asked_about_is_answered_with_one_key_each(strewn: Workshop, opened: Opened) -> None:
    strewn.check(("contents",))
    async with opened(strewn) as hand:
        await hand.press("2")
        assert hand.shows("stray unasked", "Found 4", "What ships")
        await hand.press("t")
        assert hand.shows("4 asked about, 2 files ship", "1 stays at home")
        assert hand.shows("▾ ? asked *.pdf: 2 files", "y lets it ship, n leaves it at home.")
        await hand.press("n")
        assert hand.shows("› *.pdf: it stays at home.", "2 asked about, 2 files ship", "3 stay at home")
        assert strewn.facts.contents.exclude == ("Invoice 1.pdf", "Invoice 2.pdf")
        assert hand.shows("n leaves it at home; files that come there later follow.")
        await hand.press("y", "home")
        assert hand.shows("▸ ? asked todo.txt: 1 file")
        await hand.press("n")
        assert hand.shows("3 files ship", "4 stay at home")
    assert strewn.facts.contents.include == ("**", "Me/**")
    assert strewn.status().step("contents").findings[0].rule == "file-unreadable", "it was looked at again"
    strewn.close()


async def test_one_file_of_a_group_is_answered_and_a_section_unfolded(strewn: Workshop, opened: Opened) -> None:
    async with opened(strewn) as hand:
        await hand.press("2", "t", "down")
        await hand.press("y")
        assert strewn.facts.contents.include == ("**", "Invoice 1.pdf")
        assert hand.shows("› Invoice 1.pdf: it ships.")
        await hand.press("end")
        assert hand.shows("▸ · stays the companion’s own: 1 file")
        await hand.press("enter", "end")
        assert hand.shows("· release.toml")
        await hand.press("y")
        assert hand.shows("✗ This never ships: the companion’s own")
    strewn.close()


async def test_the_key_of_a_finding_answers_for_its_group(strewn: Workshop, opened: Opened) -> None:
    strewn.check(("contents",))
    async with opened(strewn) as hand:
        await hand.press("2", "home")
        while not hand.shows("Where Me/"):
            await hand.press("down")
        await hand.press("n")
        assert strewn.facts.contents.exclude == ("Me/**",)
        await hand.press("home")
        while not hand.shows("file unreadable, 1") and not hand.shows("Where Samples/a_C3.wav"):
            await hand.press("down")
        await hand.press("y")
        assert hand.shows("Move to a group that is asked about, or to a file, first.")
    strewn.close()


async def test_a_group_that_cannot_be_answered_says_why_and_stays(strewn: Workshop, opened: Opened) -> None:
    async with opened(strewn) as hand:
        await hand.press("2", "t")
        for _ in range(3):
            await hand.press("down")
        while not hand.shows("2 files ship", "▸ · stays"):
            await hand.press("down")
        rows = hand.app.query_one(ShipsView)
        while rows.current is not None and (rows.current.section.fate != "ships" or rows.current.file):
            await hand.press("down")
        await hand.press("n")
        assert hand.shows("Move to a group that is asked about, or to a file, first.")
    strewn.close()


async def test_the_archive_step_shows_the_same_list(strewn: Workshop, opened: Opened) -> None:
    async with opened(strewn) as hand:
        await hand.press("9", "t")
        assert hand.shows("4 asked about, 2 files ship")
    strewn.close()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps any bytes as a name")
async def test_hostile_names_are_shown_and_do_nothing(strewn: Workshop, opened: Opened) -> None:
    for name in (
        "x[red].rtf",
        "[@click=app.quit]go[].rtf",
        "a\x1b[31mr.rtf",
        "bi\u202edi.rtf",
        "l\udcff.rtf",
        "nl\n.rtf",
    ):
        (strewn.folder / name).write_bytes(b"x")
    async with opened(strewn, (100, 40)) as hand:
        await hand.press("2", "t")
        assert hand.shows("x[red].rtf", "[@click=app.quit]go[].rtf", "a\\x1b[31mr.rtf", "bi\\u202edi.rtf")
        assert hand.shows("l\\udcff.rtf", "nl\\x0a.rtf")
        await hand.press("down", "down", "down", "down", "n")
        assert hand.app.is_running
        assert not [line for line in hand.lines() if not line.isprintable()]
    assert [pattern for pattern in strewn.facts.contents.exclude if not pattern.isprintable()] == []
    strewn.close()


# Rows, without an app


def test_sections_come_in_the_order_they_matter() -> None:
    ships = (*files("b.eng", kind=Kind.PATCH), *files("z.png", kind=Kind.PICTURE), *files("a.wav", kind=Kind.SAMPLE))
    found = sections(listed(ships, files("n.txt", "m.txt", "Extras/x")))
    assert [(part.fate, part.title) for part in found] == [
        ("asked", "*.txt: 2 files, 2.00 kB"),
        ("asked", "Extras/: 1 file, 1.00 kB"),
        ("ships", "1 patch, 1.00 kB"),
        ("ships", "1 sample, 1.00 kB"),
        ("ships", "1 picture, 1.00 kB"),
    ]


def test_twenty_thousand_files_are_few_rows_until_they_are_asked_for() -> None:
    many = [f"Samples/{number:05}.wav" for number in range(20_000)]
    parts = sections(listed(files(*many, kind=Kind.SAMPLE), files(*(f"{number}.txt" for number in range(1200)))))
    rows = ship_rows.ship_rows(parts)
    assert [(row.file, row.open) for row in rows] == [(None, False), (None, False)]
    opened = ship_rows.ship_rows(parts, {part.key for part in parts})
    assert len(opened) == 2 * (MOST + 2)
    assert [row.more for row in opened if row.more] == [200, 19_000]
    assert "and 19,000 more: companion contents --all lists them" in ship_row(opened[-1], 60).plain
    assert len({row.key for row in opened if not row.more}) == 2 * (MOST + 1)


async def test_twenty_thousand_files_are_listed_in_a_thread(
    strewn: Workshop, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = listed(files(*(f"Samples/{number:05}.wav" for number in range(20_000)), kind=Kind.SAMPLE))
    threads: set[threading.Thread] = set()
    grouped_there = sections

    def seen(contents: ShipList) -> tuple[ship_rows.ShipSection, ...]:
        threads.add(threading.current_thread())
        return grouped_there(contents)

    def contents(watch: Watch = QUIET) -> ShipList:
        return many

    monkeypatch.setattr("companion.tui.parts.ships.sections", seen)
    monkeypatch.setattr(strewn, "contents", contents)
    async with opened(strewn) as hand:
        await hand.press("2", "t")
        assert hand.shows("20,000 files ship, 20.0 MB")
        await hand.press("enter", "end")
        assert hand.app.query_one(ShipsView).query_one(OptionList).option_count == MOST + 2
        assert hand.shows("and 19,000 more")
    assert threads
    assert threading.main_thread() not in threads
    strewn.close()


@pytest.mark.parametrize("width", [24, 52, 120])
def test_rows_fit_their_width_and_say_what_becomes_of_a_file(width: int) -> None:
    long = "Extras/" + "a very long name " * 6 + ".png"
    for row in ship_rows.ship_rows(sections(listed(files("b.eng", kind=Kind.PATCH), files(long, "t.txt", "u.txt")))):
        assert ship_row(row, width).cell_length <= max(width, 28)
        assert "Why" in ship_detail(row, width).plain or row.section.fate == "ships"
