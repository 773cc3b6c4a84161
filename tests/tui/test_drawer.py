"""The drawer: taking, comparing and restoring snapshots, from any step."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Button, Input

from companion.core.errors import CompanionError
from companion.core.text import visible
from companion.history.model import Restored
from companion.history.snapshot import Snapshot
from companion.steps.account.changes import Changes, Preview
from companion.steps.account.due import Unkept
from companion.steps.account.moved import Moved
from companion.tui.parts.content import age
from companion.tui.snapshots.drawer import Drawer
from companion.tui.snapshots.keep import taken_summary
from companion.tui.snapshots.restore import paths_of, restore_lines, restored_summary
from tests.tui.conftest import HOSTILE, Bench, Opened


async def test_a_snapshot_is_taken_with_a_label(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("4", "s")
        assert hand.shows("No snapshot yet. Press t to keep the folder as it is now.")
        await hand.press("t", "enter")
        assert hand.shows("Write a few words.")
        await hand.write("before retuning")
        await hand.press("enter")
        assert [shot.label for shot in bench.shots] == ["before retuning"]
        assert hand.shows("1 before retuning", "9 B, 100 B its own, 2026-01-01", "kept by you, the first")
        assert hand.shows("Snapshot 1 is kept: 3 files, 9 B.", "All that is in the folder now is kept.")
        await hand.press("escape")
        assert not isinstance(hand.app.screen, Drawer)


async def test_two_snapshots_are_compared_and_each_with_now(bench: Bench, opened: Opened) -> None:
    bench.snapshot("one")
    bench.snapshot("two")
    async with opened(bench) as hand:
        await hand.press("escape", "s", "enter")
        assert hand.shows("From snapshot 2 to the folder as it is now", "changed: a.wav (sample)")
        await hand.press("m", "down", "enter")
        assert hand.shows("From snapshot 1 to snapshot 2")
        await hand.press("m", "up", "enter")
        assert hand.shows("From snapshot 1 to snapshot 2"), "from the older to the newer, whichever is marked"


async def test_a_restore_says_first_what_it_does(bench: Bench, opened: Opened) -> None:
    bench.snapshot("one")
    async with opened(bench) as hand:
        await hand.press("escape", "s", "r")
        assert hand.shows(
            "Restore snapshot 1: one", "What is there now is kept as a snapshot first", "goes back: a.wav"
        )
        assert hand.shows("Writes 1 file (1.50 kB), takes none away.")
        assert isinstance(hand.app.focused, Button)
        await hand.press("enter")  # the button with the focus goes back
        assert bench.calls == []
        await hand.press("enter", "r")
        await hand.press("y")
        assert bench.calls == [("restore", 1, (), None)]
        assert not hand.shows("From snapshot 1 to the folder as it is now"), "that was before"
        assert hand.shows("1 file brought back. What was there is snapshot 2.", "2 before the restore")


async def test_a_restore_of_some_paths_into_another_folder(bench: Bench, opened: Opened, tmp_path: Path) -> None:
    bench.snapshot("one")
    async with opened(bench) as hand:
        await hand.press("escape", "s", "r")
        hand.app.screen.query_one("#only", Input).value = "samples/a.wav; samples/b c.wav"
        hand.app.screen.query_one("#into", Input).value = str(tmp_path / "other")
        hand.app.screen.query_one("#into").focus()
        await hand.press("enter")
        assert bench.calls == [("restore", 1, ("samples/a.wav", "samples/b c.wav"), tmp_path / "other")]


async def test_a_comparison_goes_on_while_a_restore_is_looked_at(
    bench: Bench, opened: Opened, monkeypatch: Any
) -> None:
    bench.snapshot("one")
    gate, real = threading.Event(), bench.compare

    def slow(a: int, b: int | None = None, watch: Any = None) -> Changes:
        gate.wait(20)
        return real(a, b)

    monkeypatch.setattr(bench, "compare", slow)
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        try:
            await hand.pilot.press("enter", "r")
            await hand.pilot.pause()
        finally:
            gate.set()
        await hand.press("escape")
        assert hand.shows("From snapshot 1 to the folder as it is now", "changed: a.wav (sample)")


async def test_the_counts_follow_what_is_asked_for(bench: Bench, opened: Opened) -> None:
    bench.snapshot("one")
    async with opened(bench, (120, 40)) as hand:
        await hand.press("escape", "s", "r")
        hand.app.screen.query_one("#only", Input).focus()
        await hand.write("b.wav")
        assert hand.shows("Nothing to write and nothing to take away.")
        await hand.press("tab")
        await hand.write("~nobody-at-home/x")
        assert hand.shows("Writes the chosen paths into that folder", "Nothing here is touched.")
        await hand.press("escape")
        assert isinstance(hand.app.screen, Drawer), "Esc goes back from a field too, as the box says"
        assert bench.calls == []


async def test_each_row_tells_what_changed_and_what_it_alone_costs(bench: Bench, opened: Opened) -> None:
    for label in ("one", "two", "three"):
        bench.snapshot(label)
    bench.shots[2] = bench.shots[2].but(kind="release", version="1.0")
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert hand.shows("Snapshots 5.00 kB on disk")
        rows = [line.removeprefix("█").strip() for line in hand.lines()[3:9]]
        assert [" ".join(row.split()) for row in rows] == [
            "3 three 9 B, 300 B its own, 2026-01-01",
            "released as 1.0: 2 samples added, 1 changed, facts changed",
            "2 two 9 B, 200 B its own, 2026-01-01",
            "kept by you: 2 samples added, 1 changed, facts changed",
            "1 one 9 B, 100 B its own, 2026-01-01",
            "kept by you, the first",
        ]


async def test_only_rows_in_view_are_worked_out_and_each_once(bench: Bench, opened: Opened) -> None:
    for number in range(60):
        bench.snapshot(f"label {number + 1}")
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert hand.shows("60 label 60", "kept by you: 2 samples added", "6.00 kB its own")
        assert 1 < len(bench.asked) < 12
        await hand.press("end")
        assert hand.shows("1 label 1", "kept by you, the first", "2 label 2", "kept by you: 2 samples added")
        assert len(bench.asked) < 24
        await hand.press("home", "m", "end", "home")
        assert hand.shows("● 60 label 60")
        assert len(set(bench.asked)) == len(bench.asked)
        await hand.press("end", "m", "home")
        assert not hand.shows("● 60 label 60")


async def test_rows_left_before_they_were_worked_out_are_filled_when_seen_again(
    bench: Bench, opened: Opened, monkeypatch: Any
) -> None:
    for number in range(60):
        bench.snapshot(f"label {number + 1}")
    began, gate, real = threading.Event(), threading.Event(), bench.moves

    def slow(pairs: Any, watch: Any) -> Any:
        began.set()
        gate.wait(20)
        return real(pairs, watch)

    monkeypatch.setattr(bench, "moves", slow)
    async with opened(bench) as hand:
        try:
            await hand.press("escape")
            await hand.pilot.press("s")
            while not began.is_set():
                await hand.pilot.pause()
            assert hand.shows("60 label 60", "kept by you …")
            await hand.pilot.press("end")
            await hand.pilot.pause()
        finally:
            gate.set()
        await hand.press("home")
        assert hand.shows("60 label 60", "kept by you: 2 samples added")
        assert not hand.shows("…")


async def test_what_cannot_be_read_is_told_in_its_row(bench: Bench, opened: Opened, monkeypatch: Any) -> None:
    for label in ("one", "two", "three"):
        bench.snapshot(label)
    bench.shots[1] = bench.shots[1].but(tree="", label="(this snapshot cannot be read)")
    bench.snapshot("four")
    monkeypatch.setattr(bench, "moves", lambda pairs, watch: dict.fromkeys(pairs))
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert hand.text().count("kept by you; what changed cannot be read") == 3
        assert hand.shows("kept by you, the first")


async def test_what_no_snapshot_holds_is_told_above_them(bench: Bench, opened: Opened) -> None:
    bench.snapshot("one")
    bench.unkept = Unkept(snapshot=1, samples=9, moved=Moved(others=2))
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert hand.shows("Not kept yet: 2 other files since snapshot 1.")
        bench.unkept = None
        await hand.press("escape", "s")
        assert not hand.shows("Not kept yet")
        assert not hand.shows("All that is in the folder now is kept.")


async def test_without_git_the_drawer_explains_and_the_rest_works(bench: Bench, opened: Opened) -> None:
    bench.no_history = "git is not installed"
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert hand.shows("No snapshots can be kept here: git is not installed", "Everything else works")
        assert not hand.shows("t Take one")
        await hand.press("escape", "4", "r")
        assert bench.calls == [("check", ("sound",))]


async def test_hostile_labels_are_inert(bench: Bench, opened: Opened) -> None:
    for name in HOSTILE:
        bench.snapshot(name)
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        for name in reversed(HOSTILE):
            await hand.press("enter", "m", "r")
            assert hand.shows(f": {visible(name)}")
            assert not any(char in hand.text() for char in "\x1b\x07\u202e\udcff")
            await hand.press("escape", "down")
            assert hand.app.is_running


def test_what_a_restore_does_is_told_the_other_way_round() -> None:
    changes = Changes(
        a=1, b=None, lines=(), added=("n.wav",), removed=("o.wav",), changed=("c.wav",), renamed=(("a", "b"),)
    )
    assert restore_lines(changes) == [
        "comes back: o.wav",
        "goes back: c.wav",
        "is taken away: n.wav",
        "is called a again: b",
    ]


def test_what_a_restore_could_not_do_is_told() -> None:
    done = Restored(number=3, written=("a",), removed=("b", "c"), failed=(("d\x1b", "no room"),))
    told = restored_summary(done, None)
    assert told == "1 file brought back, 2 files taken away. 1 file stayed as it was: d\\x1b (no room)."


@pytest.mark.parametrize(
    ("text", "paths"),
    [("", ()), (" a.wav ", ("a.wav",)), ("a b.wav; sub\\c.wav;", ("a b.wav", "sub/c.wav"))],
)
def test_paths_are_set_off_by_semicolons(text: str, paths: tuple[str, ...]) -> None:
    assert paths_of(text) == paths


@pytest.mark.parametrize(
    ("at", "told"),
    [
        ("2026-03-10T11:59:30Z", "just now"),
        ("2026-03-10T11:55:00Z", "5 min ago"),
        ("2026-03-10T09:00:00Z", "3 h ago"),
        ("2026-03-09T11:00:00Z", "1 day ago"),
        ("2026-03-01T11:00:00Z", "9 days ago"),
        ("2025-03-01T11:00:00Z", "2025-03-01"),
        ("2027-03-01T11:00:00Z", "2027-03-01"),
        ("no\x1btime", "no\\x1btime"),
    ],
)
def test_ages(at: str, told: str) -> None:
    assert age(at, datetime(2026, 3, 10, 12, tzinfo=UTC)) == told


async def test_a_list_that_comes_anew_does_not_change_what_is_restored(bench: Bench, opened: Opened) -> None:
    bench.snapshot("one")
    async with opened(bench) as hand:
        await hand.press("escape", "s", "r")
        assert hand.shows("Restore snapshot 1: one")
        bench.snapshot("two")
        drawer = hand.app.screen_stack[-2]
        assert isinstance(drawer, Drawer)
        drawer.fetch()
        await hand.rest()
        await hand.press("y")
        assert bench.calls == [("restore", 1, (), None)]


async def test_where_nothing_can_be_kept_a_restore_asks_for_another_folder(
    bench: Bench, opened: Opened, tmp_path: Path
) -> None:
    bench.snapshot("one")
    bench.writable = False
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert "Take one" not in hand.lines()[-1]
        await hand.press("r")
        assert hand.shows("This folder is read-only. Name another one below")
        assert not hand.shows("is kept as a snapshot first")
        await hand.press("y")
        assert bench.calls == []
        await hand.write(str(tmp_path / "other"))
        await hand.press("enter")
        assert bench.calls == [("restore", 1, (), tmp_path / "other")]


async def test_an_empty_list_offers_nothing_to_compare(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("escape", "s")
        assert hand.shows("No snapshot yet.", "Take one")
        assert not hand.shows("Enter")


async def test_what_a_restore_does_is_listed_for_the_chosen_paths(
    bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.snapshot("one")
    changes = Changes(a=1, b=None, lines=(), changed=("a.wav", "release.toml"), facts=("needs 2 instead of 1",))
    monkeypatch.setattr(bench, "preview", lambda *_: Preview(changes=changes, facts=("needs 1 instead of 2",)))
    async with opened(bench, (100, 40)) as hand:
        await hand.press("escape", "s", "r")
        assert hand.shows("goes back: a.wav", "goes back: release.toml", "needs 1 instead of 2")
        hand.app.screen.query_one("#only", Input).focus()
        await hand.write("a.wav")
        assert hand.shows("goes back: a.wav")
        assert not hand.shows("goes back: release.toml")
        assert not hand.shows("needs 1 instead of 2")
        await hand.write("x")
        assert hand.shows("None of these differ from the folder as it is now.")


def test_of_a_renamed_file_one_name_alone_can_be_chosen() -> None:
    changes = Changes(a=1, b=None, lines=(), renamed=(("old/a", "new/a"),))
    assert restore_lines(changes, ("old",)) == ["comes back: old/a"]
    assert restore_lines(changes, ("new",)) == ["is taken away: new/a"]
    assert restore_lines(changes, ("old", "new")) == ["is called old/a again: new/a"]


def test_files_that_a_restore_or_a_snapshot_could_not_take_are_named() -> None:
    done = Restored(number=3, failed=(("a", "open elsewhere"), ("b", "no room"), ("c", "no room")))
    assert restored_summary(done, None) == (
        "0 files brought back. 3 files stayed as they were: a (open elsewhere), b (no room) and 1 more."
    )
    shot = Snapshot(
        number=2, id="0", tree="0", label="", at="2026-01-01T00:00:00Z", kind="asked", files=1, bytes=9,
        left_out=(("x\x1b", "no leave to read"),), changed_while_read=("y",),
    )  # fmt: skip
    more = "Left out: x\\x1b (no leave to read). Changed while being read: y."
    assert taken_summary(shot) == f"Snapshot 2 is kept: 1 file, 9 B. {more}"
    assert taken_summary(shot.but(new=False)) == f"Nothing to keep: snapshot 2 already holds what is there. {more}"


async def test_a_restore_that_was_cut_off_is_told_and_what_was_changed_since_is_asked_of(
    bench: Bench, opened: Opened
) -> None:
    bench.snapshot("one")
    bench.recovered = Restored(number=1, written=("a.wav",), edited=("b [rr1].wav", "c.wav"))
    async with opened(bench) as hand:
        assert hand.shows("Changed since restoring snapshot 1 was cut off", "b [rr1].wav and c.wav")
        await hand.press("n")
        assert hand.shows("Restoring snapshot 1 had been cut off, and is finished now: 1 written, 0 taken away.")
        assert not [call for call in bench.calls if call[0] == "restore"]
    async with opened(bench) as hand:
        await hand.press("y")
        assert [call for call in bench.calls if call[0] == "restore"] == [
            ("restore", 1, ("b [rr1].wav", "c.wav"), None)
        ]


async def test_one_that_could_not_be_finished_is_told(bench: Bench, opened: Opened) -> None:
    bench.unfinished = CompanionError("A restore was cut off and is not finished: git was not found", "", "install git")
    async with opened(bench) as hand:
        assert hand.shows("A restore was cut off and is not finished: git was not found. Install git.")
