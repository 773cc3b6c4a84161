"""The open folder is followed: no state outlives a change on the screen, and a storm of changes is one look."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from textual import events

from companion.core import watching
from companion.core.progress import QUIET, Watch
from companion.steps.account.due import Standing, Unkept
from companion.steps.account.moved import Counts, Moved
from companion.steps.model import State
from companion.steps.table import STEP_IDS
from companion.tui.app import CompanionApp
from companion.tui.frame.following import LONGEST_S, Following
from tests.tui.conftest import Bench, Hand, Opened


class Told:
    """What a follower told, in order, and a clock that goes as a test says."""

    def __init__(self, folder: Path) -> None:
        self.seen: list[str] = []
        self.now = 0.0
        self.following = Following(
            folder,
            lambda: self.seen.append("changed"),
            lambda: self.seen.append("settled"),
            lambda reason: self.seen.append(f"lost: {reason}"),
            clock=lambda: self.now,
        )

    async def until(self, what: str, count: int) -> None:
        """Wait until this has been told so often."""
        for _ in range(6_000):
            if self.seen.count(what) >= count:
                return
            await asyncio.sleep(0.01)
        raise AssertionError(f"not told: {what} {count} times, but {self.seen}")


@asynccontextmanager
async def followed(told: Told) -> AsyncIterator[None]:
    task = asyncio.create_task(told.following.run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


# -- when a look is asked for: the clock is the test's ------------------------------------------------------------


def test_a_storm_of_changes_is_one_look(tmp_path: Path) -> None:
    told = Told(tmp_path)
    told.following.take(False)
    assert told.seen == ["settled"], "what changed before the first watch is not lost"
    for _ in range(45):
        told.now += 0.4
        told.following.take(True)
    assert told.seen == ["settled"] + ["changed"] * 45
    told.following.take(False)
    told.following.take(False)
    assert told.seen.count("settled") == 2


def test_a_folder_that_never_rests_is_looked_at_all_the_same(tmp_path: Path) -> None:
    told = Told(tmp_path)
    told.following.take(False)
    told.now, told.seen = 100.0, []
    told.following.take(True)
    told.now += LONGEST_S
    told.following.take(True)
    assert "settled" not in told.seen
    told.now += 0.1
    told.following.take(True)
    assert told.seen.count("settled") == 1
    told.now += LONGEST_S
    told.following.take(True)
    assert told.seen.count("settled") == 1, "the time begins anew with each look"
    assert LONGEST_S == 20


def test_what_the_app_wrote_gives_no_sign_but_is_looked_at(tmp_path: Path) -> None:
    told = Told(tmp_path)
    told.following.take(False)
    told.seen.clear()
    told.following.take(True, ours=True)
    assert told.seen == []
    told.following.take(False)
    assert told.seen == ["settled"]


@pytest.mark.parametrize(
    ("path", "ours"),
    [
        ("release.toml", True),
        ("README.md", True),
        ("CHANGELOG.txt", True),
        ("releases/a.zip", True),
        (".companion/evidence/x.json", True),
        ("Samples/a.wav", False),
        ("Samples/README.md", False),
        ("READMES/x", False),
        ("Slate.eeng", False),
        ("../release.toml", False),
    ],
)
def test_only_places_that_the_app_writes_to_may_be_its_own(tmp_path: Path, path: str, ours: bool) -> None:
    assert watching.may_be_ours(str(tmp_path / path), tmp_path) is ours


async def test_changes_are_the_app_s_own_only_just_after_it_wrote(
    bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    from companion.tui.frame import looking

    now = [1000.0]
    monkeypatch.setattr(looking, "monotonic", lambda: now[0])
    facts, sample = str(bench.folder / "release.toml"), str(bench.folder / "a.wav")
    async with opened(bench) as hand:
        assert not hand.app.own_writes({facts}), "nothing was written yet"
        await hand.press("4", "r")
        assert hand.app.own_writes({facts})
        assert not hand.app.own_writes({facts, sample}), "a sample is the maker's"
        now[0] += looking.OWN_S
        assert not hand.app.own_writes({facts})


# -- on a real disk -----------------------------------------------------------------------------------------------


async def test_changes_of_each_kind_are_told_and_then_come_to_rest(tmp_path: Path) -> None:
    (tmp_path / "Samples").mkdir()
    (tmp_path / "Samples" / "a.wav").write_bytes(b"a")
    deeds: list[Callable[[], object]] = [
        lambda: (tmp_path / "Samples" / "a.wav").write_bytes(b"b"),
        lambda: (tmp_path / "Samples" / "b.wav").write_bytes(b"b"),
        lambda: (tmp_path / "Samples" / "b.wav").rename(tmp_path / "c.wav"),
        (tmp_path / "c.wav").unlink,
    ]
    told = Told(tmp_path)
    async with followed(told):
        await told.until("settled", 1)
        for count, deed in enumerate(deeds, 2):
            told.seen = [word for word in told.seen if word == "settled"]
            deed()
            await told.until("changed", 1)
            await told.until("settled", count)


async def test_a_new_folder_is_followed_as_well(tmp_path: Path) -> None:
    told = Told(tmp_path)
    async with followed(told):
        await told.until("settled", 1)
        (tmp_path / "New" / "Deeper").mkdir(parents=True)
        await told.until("settled", 2)
        told.seen = ["settled"] * 2
        (tmp_path / "New" / "Deeper" / "a.wav").write_bytes(b"a")
        await told.until("changed", 1)
        await told.until("settled", 3)


async def test_nothing_behind_a_link_and_nothing_a_look_writes_is_told(tmp_path: Path) -> None:
    place, outside = tmp_path / "place", tmp_path / "outside"
    (place / ".companion").mkdir(parents=True)
    outside.mkdir()
    (place / "link").symlink_to(outside, target_is_directory=True)
    told = Told(place)
    async with followed(told):
        await told.until("settled", 1)
        (outside / "a.wav").write_bytes(b"a")
        (place / ".companion" / "cache.sqlite3-wal").write_bytes(b"a")
        (place / ".companion" / "lock").write_bytes(b"a")
        (place / "last.wav").write_bytes(b"a")  # told after those, if they were told at all
        await told.until("settled", 2)
    assert told.seen.count("changed") == 1, told.seen


async def test_what_cannot_be_watched_is_told_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gone = Told(tmp_path / "gone")
    await asyncio.wait_for(gone.following.run(), 60)
    assert gone.seen == ["lost: No such file or directory"]
    (tmp_path / "a").mkdir()
    monkeypatch.setattr(watching, "MOST_FOLDERS", 1)
    many = Told(tmp_path)
    await asyncio.wait_for(many.following.run(), 60)
    assert many.seen == ["lost: it holds more than 4,096 folders"]


async def test_a_system_without_watches_left_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import watchfiles

    def refuse(*_: object, **__: object) -> object:
        raise RuntimeError('OS file watch limit reached. about ["/somewhere"]')

    monkeypatch.setattr(watchfiles, "awatch", refuse)
    told = Told(tmp_path)
    await asyncio.wait_for(told.following.run(), 60)
    assert told.seen == ["lost: OS file watch limit reached."]


# -- on the screen ------------------------------------------------------------------------------------------------


async def test_proven_does_not_outlive_a_change(bench: Bench, opened: Opened) -> None:
    bench.states = dict.fromkeys(STEP_IDS, State.PROVEN)
    async with opened(bench) as hand:
        await hand.press("4")
        assert hand.shows("10 of 10 proven", "✓ proven  because of sound")
        hand.app.folder_changed()
        await hand.rest()
        assert not hand.shows("10 of 10 proven")
        assert not hand.shows("✓ proven  because of sound")
        assert hand.shows("The folder has changed. Looking …", "looking again …  The folder has changed.")
        bench.states["sound"] = State.STALE
        hand.app.folder_settled()
        await hand.rest()
        assert hand.shows("9 of 10 proven", "~ stale  because of sound")
        assert not hand.shows("The folder has changed")


class Held(Bench):
    """A bench whose looks end when a test lets them."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.looks = 0
        self.held = threading.Event()
        self.held.set()

    def status(self, watch: Watch = QUIET) -> Standing:
        self.looks += 1
        status = super().status(watch)
        assert self.held.wait(60)
        return status


async def test_a_change_during_a_look_is_not_covered_by_it(folder: Path, opened: Opened) -> None:
    shop = Held(folder)
    shop.states = dict.fromkeys(STEP_IDS, State.PROVEN)
    async with opened(shop) as hand:
        shop.held.clear()
        hand.app.folder_settled()
        while shop.looks < 2:
            await asyncio.sleep(0.002)
        hand.app.folder_changed()  # after the look has read the folder, before its answer has come
        shop.held.set()
        await hand.rest()
        assert shop.looks == 2
        assert hand.shows("The folder has changed. Looking …")
        assert not hand.shows("10 of 10 proven")
        hand.app.folder_settled()
        await hand.rest()
        assert shop.looks == 3
        assert hand.shows("10 of 10 proven")


async def test_no_look_is_begun_during_work_which_ends_with_one(folder: Path, opened: Opened) -> None:
    shop = Held(folder)
    async with opened(shop) as hand:
        shop.gate.clear()
        await hand.pilot.press("4", "r")
        await hand.pilot.pause()
        assert hand.app.working
        looks = shop.looks
        hand.app.folder_changed()
        hand.app.folder_settled()
        await hand.pilot.pause()
        assert shop.looks == looks
        shop.gate.set()
        await hand.rest()
        assert shop.looks == looks + 2  # the check's own, and the one after it
        assert not hand.shows("The folder has changed")


async def test_what_runs_does_not_cover_a_change_before_it(folder: Path, opened: Opened) -> None:
    shop = Held(folder)
    shop.states = dict.fromkeys(STEP_IDS, State.PROVEN)
    async with opened(shop) as hand:
        hand.app.folder_changed()
        shop.gate.clear()
        await hand.pilot.press("4", "r")
        await hand.pilot.pause()
        hand.app.folder_changed()
        await hand.pilot.pause()
        assert hand.app.working
        assert not hand.shows("10 of 10 proven")
        shop.gate.set()
        await hand.rest()
        assert hand.shows("10 of 10 proven")


async def test_facts_written_elsewhere_are_read_and_broken_ones_change_nothing(bench: Bench, opened: Opened) -> None:
    facts = bench.folder / "release.toml"
    good = facts.read_text(encoding="utf-8")
    async with opened(bench) as hand:
        assert hand.shows("Slate Choir")
        facts.write_text(good.replace("Slate Choir", "Reed Loft"), encoding="utf-8")
        hand.app.folder_settled()
        await hand.rest()
        assert hand.shows("Reed Loft")
        facts.write_text(good.replace('maker = "Quay Room"', "maker = 3"), encoding="utf-8")
        hand.app.folder_changed()
        hand.app.folder_settled()
        await hand.rest()
        assert hand.shows("“instrument.maker”", "Reed Loft", "The folder has changed. Looking …")
        assert bench.facts.instrument.title == "Reed Loft"


async def test_words_being_written_stand_through_a_quiet_look(bench: Bench, opened: Opened) -> None:
    async with opened(bench, (120, 40)) as hand:
        await hand.press("1", "enter", "end")
        await hand.write(" Deluxe")
        hand.app.folder_changed()
        hand.app.folder_settled()
        await hand.rest()
        assert hand.shows("Slate Choir Deluxe")
        await hand.write("r")
        assert hand.shows("Slate Choir Deluxer")


async def test_where_nothing_is_watched_coming_back_to_the_terminal_looks(folder: Path, opened: Opened) -> None:
    shop = Held(folder)
    async with opened(shop) as hand:
        looks = shop.looks
        hand.app.post_message(events.AppFocus())
        await hand.rest()
        assert shop.looks == looks
        hand.app._unfollowed("too many folders")
        await hand.rest()
        assert hand.shows("This folder cannot be watched: too many folders. After a change, r looks again.")
        hand.app.post_message(events.AppFocus())
        await hand.pilot.pause()
        await hand.rest()
        assert shop.looks == looks + 1


async def test_a_snapshot_is_offered_once_the_hour_is_over(bench: Bench, opened: Opened) -> None:
    def kept(minutes: int) -> Unkept:
        at = (datetime.now(UTC) - timedelta(minutes=minutes)).isoformat()
        return Unkept(snapshot=3, at=at, samples=9, moved=Moved(patches=Counts(changed=1)))

    bench.unkept = kept(5)
    async with opened(bench) as hand:
        hand.app.due_by_now()
        await hand.rest()
        assert not hand.shows("Keep a snapshot")
        bench.unkept = kept(61)  # as a look would have found it before the hour was over: not due yet
        hand.app.look_again()
        await hand.rest()
        assert not hand.shows("Keep a snapshot")
        hand.app.due_by_now()
        await hand.rest()
        assert hand.shows("k Keep a snapshot", "since snapshot 3")


async def _seen_stale(app: CompanionApp, folder: Path) -> None:
    async with app.run_test(size=(80, 24)) as pilot:
        hand = Hand(app, pilot)
        await hand.rest()
        await hand.press("2", "r")
        assert hand.shows("2 ✗ Contents failing")
        (folder / "Samples" / "another.wav").write_bytes(b"RIFF")
        for _ in range(3_000):
            await hand.rest()
            if hand.shows("2 ~ Contents stale"):
                break
            await asyncio.sleep(0.02)
        assert hand.shows("2 ~ Contents stale")
        await hand.press("q")


def test_the_real_app_goes_stale_by_itself_and_leaves_no_thread(demo_folder: Path) -> None:
    app = CompanionApp(demo_folder, follow=True)
    threads = set(threading.enumerate())
    asyncio.run(_seen_stale(app, demo_folder))
    assert app.workshop
    app.workshop.close()
    left = [thread for thread in threading.enumerate() if thread not in threads]
    for thread in left:
        thread.join(30)
    assert not [thread for thread in left if thread.is_alive()]


def test_the_command_follows(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from companion.tui import running as module

    made: list[bool] = []

    class Stub:
        workshop = None
        return_code = 0
        goes_elsewhere = False

        def __init__(self, _: Path, *, follow: bool = False, light: bool = False, few: bool = False) -> None:
            made.append(follow)

        def run(self) -> int:
            return 0

    monkeypatch.setattr(module, "CompanionApp", Stub)
    assert module.run_app(folder) == 0
    assert made == [True]
