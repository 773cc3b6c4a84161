"""The screen of a picture: opened by Enter, moved in by keys, left without a trace."""

from __future__ import annotations

import importlib.util
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from companion.core.errors import CompanionError
from companion.core.findings import At
from companion.core.progress import QUIET, Watch
from companion.core.text import visible
from companion.drawing.shapes import Axis, Bar, Bars, Drawing, Figure, Kind, Mark, Plot, Trace, Window
from companion.steps.drawn.which import Sight, kinds_of
from companion.tui.frame.palette import WHOLE
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.picture import PictureArea, PictureScreen
from companion.workshop import Workshop
from tests.tui.conftest import HOSTILE, Bench, Hand, Opened, finding

ROOT: Final = Path(__file__).resolve().parents[2]


class Easel:
    """Draws at once, or when it may; notes what was asked and whether it was closed."""

    def __init__(self) -> None:
        self.asked: list[Sight] = []
        self.gate = threading.Event()
        self.gate.set()
        self.stopped = threading.Event()
        self.closed = False
        self.kind: Kind | None = None
        self.refused = ""

    def draw(self, sight: Sight, watch: Watch = QUIET) -> Drawing:
        self.asked.append(sight)
        while not self.gate.wait(0.01):
            if watch.cancelled:
                self.stopped.set()
            watch.check()
        if self.refused:
            raise CompanionError(self.refused, sight.place, "look at another")
        start, end = sight.start, sight.end or 1000
        plot = Plot(
            x=Axis(low=start, high=end, unit="frames"),
            y=Axis(low=-1, high=1),
            traces=(Trace(xs=(0.0, 999.0), ys=(-1.0, 1.0)),),
            marks=(Mark(start=640, end=641, text="click"),),
        )
        bars = Bars(bars=(Bar(name="a.wav", value=5, text="5 B", path="a.wav"),))
        return Drawing(
            kind=sight.kind or "waveform",
            title=f"{sight.finding.rule if sight.finding else 'file'}: {sight.place}",
            path=sight.place,
            panes=(bars,) if sight.kind == "weight" else (plot,),
            figures=(Figure("Measured", sight.finding.measured if sight.finding else "nothing"),),
            window=Window(start=start, end=end, whole=1000),
        )

    def kinds(self, sight: Sight) -> tuple[Kind, ...]:
        return ("waveform", "weight")

    def files(self, sight: Sight) -> tuple[str, ...]:
        return ("a.wav", "b.wav", "z.wav") if sight.place else ()

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def easel(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Easel:
    one = Easel()
    monkeypatch.setattr(bench, "sights", lambda watch=QUIET: one)
    at = At(frames=(640, 641), rate=48_000)
    bench.found["sound"] = (
        finding("click-inside", "a.wav", measured="1 click", at=at),
        finding("clipped", "b.wav", measured="3 flat tops"),
        finding("sample-none"),
    )
    return one


def screen(hand: Hand) -> PictureScreen:
    assert isinstance(hand.app.screen, PictureScreen)
    return hand.app.screen


async def until(hand: Hand, true: Callable[[], Any]) -> None:
    """Wait for something that comes about by several messages, and until all is done then."""
    for _ in range(8_000):
        if true():
            await hand.rest()
            return
        await hand.pilot.pause(0.005)
    raise AssertionError(f"it never came\n{hand.text()}")


def settled(hand: Hand) -> bool:
    """Whether a picture stands on the screen, or why there is none, and nothing more is on its way."""
    shown = hand.app.screen
    return (
        isinstance(shown, PictureScreen)
        and shown.is_mounted
        and bool(shown.tour.drawing or shown._problem)
        and not hand.app.jobs._current
    )


async def see(hand: Hand, *keys: str) -> None:
    """Press keys, the last of which opens a picture, or the next one."""
    await hand.press(*keys)
    await until(hand, lambda: settled(hand))


async def leave(hand: Hand, *keys: str) -> None:
    """Press keys that lead out of the pictures, and wait until nothing of them is left."""
    gone = screen(hand)
    await hand.press(*keys)
    await until(hand, lambda: gone not in hand.app.screen_stack and gone._gone and gone._sights is None)


async def test_enter_opens_the_picture_with_its_figures_and_esc_leads_back(
    bench: Bench, opened: Opened, easel: Easel
) -> None:
    async with opened(bench) as hand:
        await see(hand, "4", "enter")
        assert hand.shows("click-inside: a.wav finding 1 of 2", "▲ click", "Measured 1 click")
        await see(hand, "n")
        assert hand.shows("clipped: b.wav finding 2 of 2", "Measured 3 flat tops")
        await leave(hand, "escape")
        assert len(hand.app.screen_stack) == 1
        assert easel.closed
        view = next(view for view in hand.app.query(FindingsView) if view.is_on_screen)
        assert view.current
        assert view.current.path == "b.wav", "the cursor stands on what was seen last"


async def test_keys_zoom_to_what_they_say_and_only_those_that_do_something_are_shown(
    bench: Bench, opened: Opened, easel: Easel
) -> None:
    async with opened(bench) as hand:
        await see(hand, "4", "enter")
        assert hand.shows("+ Closer")
        assert not hand.shows("− Farther")
        assert not hand.shows("← Left")
        await see(hand, "plus")
        await see(hand, "plus")
        assert (easel.asked[-1].start, easel.asked[-1].end) == (480, 730)
        assert hand.shows("+ Closer − Farther 0 All ← Left → Right")
        await see(hand, "right")
        assert (easel.asked[-1].start, easel.asked[-1].end) == (542, 792)
        await see(hand, "left")
        await see(hand, "minus")
        assert easel.asked[-1].end - easel.asked[-1].start == 500
        await see(hand, "0")
        assert (easel.asked[-1].start, easel.asked[-1].end) == (0, 1000)
        assert not hand.shows("− Farther")


async def test_files_are_gone_through_by_brackets(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench, (120, 40)) as hand:
        await see(hand, "4", "enter")
        assert hand.shows("] Next file [ File before")
        await see(hand, "left_square_bracket")
        assert easel.asked[-1] == Sight(path="z.wav", kind="waveform")
        assert hand.shows("file: z.wav file 3 of 3")
        await see(hand, "right_square_bracket")
        await see(hand, "right_square_bracket")
        assert easel.asked[-1].path == "b.wav"


async def test_a_file_left_out_is_written_to_the_facts_and_drawn_anew(
    bench: Bench, opened: Opened, easel: Easel, monkeypatch: pytest.MonkeyPatch
) -> None:
    decided: list[Any] = []
    monkeypatch.setattr(bench, "decide", lambda ship, stay, watch: decided.append((ship, stay)))
    async with opened(bench) as hand:
        await see(hand, "4", "enter")
        assert not hand.shows("x Leave out")
        await see(hand, "t")
        assert hand.shows("x Leave out", "a.wav")
        await see(hand, "x")
        assert decided == [((), ["a.wav"])]
        assert hand.shows("› a.wav: it stays at home.")
        assert easel.asked[-1].kind == "weight"


async def test_what_cannot_be_drawn_is_one_line_and_the_next_can(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench) as hand:
        easel.refused = "It does not read as sound"
        await see(hand, "4", "enter")
        assert hand.shows("It does not read as sound (a.wav). Look at another.", "Measured 1 click")
        easel.refused = ""
        await see(hand, "n")
        assert hand.shows("clipped: b.wav")
        assert not hand.shows("does not read")


async def test_a_picture_that_is_left_is_stopped(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench) as hand:
        easel.gate.clear()
        await hand.press("4")
        await hand.pilot.press("enter")
        while not easel.asked:
            await hand.pilot.pause(0.01)
        while not hand.shows("Looking …"):
            await hand.pilot.pause(0.01)
        await hand.pilot.press("escape")
        assert easel.stopped.wait(60)
        await until(hand, lambda: easel.closed)


async def test_a_later_key_overtakes_what_is_on_its_way(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench) as hand:
        easel.gate.clear()
        await hand.press("4")
        await hand.pilot.press("enter")
        while not easel.asked:
            await hand.pilot.pause(0.01)
        await hand.pilot.press("n")
        assert easel.stopped.wait(60)
        easel.gate.set()
        await until(hand, lambda: settled(hand))
        assert hand.shows("clipped: b.wav finding 2 of 2")


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 16)])
async def test_everything_fits(bench: Bench, opened: Opened, easel: Easel, size: tuple[int, int]) -> None:
    async with opened(bench, size) as hand:
        await see(hand, "4", "enter")
        assert hand.shows("click-inside: a.wav", "Measured 1 click", "Esc Back", "▲ click")
        side_by_side = any("Measured" in line and "│" in line for line in hand.lines())
        assert side_by_side is (size[0] >= 110)


async def test_a_picture_fits_what_the_figures_leave_it(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench) as hand:
        await see(hand, "4", "enter")
        area, pane = screen(hand).query_one(PictureArea), screen(hand).query_one(".figures")
        for height in (9, 2):
            pane.styles.height = height
            await hand.rest()
            await until(hand, lambda: settled(hand))
            assert hand.shows("▲ click"), "the line below the picture is its last"
            assert area.max_scroll_y == 0


async def test_hostile_names_and_figures_do_nothing(bench: Bench, opened: Opened, easel: Easel) -> None:
    bench.found["sound"] = tuple(finding("clipped", name, measured=name) for name in HOSTILE)
    async with opened(bench, (120, 40)) as hand:
        await see(hand, "4", "enter")
        for _ in HOSTILE:
            name = screen(hand).tour.sight.path
            assert hand.shows(f"clipped: {visible(name)}", f"Measured {visible(name)}")
            assert not any(char in hand.text() for char in "\x1b\x07\u202e\udcff")
            await hand.pilot.click(offset=(12, 0))
            await see(hand, "n")
        assert hand.app.is_running


async def test_the_palette_opens_pictures_and_knows_their_keys(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench, (100, 40)) as hand:
        await hand.press("ctrl+p")
        await hand.write("levels of layers")
        await hand.app.workers.wait_for_complete()
        await see(hand, "enter")
        assert easel.asked[-1].kind == "levels"
        await hand.press("ctrl+p")
        await hand.write("half as much")
        await hand.app.workers.wait_for_complete()
        await hand.press("enter")
        await until(hand, lambda: easel.asked[-1].end == 750)


async def test_d_draws_what_is_under_the_cursor_else_the_whole(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench) as hand:
        await see(hand, "4", "d")
        assert easel.asked[-1].finding
        await leave(hand, "escape")
        await see(hand, "2", "d")
        assert easel.asked[-1] == Sight()


async def test_d_draws_the_file_under_the_cursor_of_what_ships(
    bench: Bench, opened: Opened, easel: Easel, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with opened(bench) as hand:
        await hand.press("2")
        body = hand.app.query_one(Workspace).body
        monkeypatch.setattr(body, "file_under_cursor", lambda: "a.wav")
        await see(hand, "d")
        assert easel.asked[-1] == Sight(path="a.wav")


async def test_the_drawer_shows_the_history_as_a_line(bench: Bench, opened: Opened, easel: Easel) -> None:
    async with opened(bench) as hand:
        await hand.press("s")
        assert not hand.shows("d Draw")
        bench.snapshot("one")
        await hand.press("escape", "s")
        await until(hand, lambda: hand.shows("d Draw"))
        await see(hand, "d")
        assert easel.asked[-1].kind == "history"
        await leave(hand, "escape")
        assert hand.shows("Snapshots")


@pytest.mark.skipif(not (ROOT / ".github").is_dir(), reason="only in a checkout")
async def test_the_pictures_of_the_readme_are_made_by_their_script(demo_folder: Path, monkeypatch: Any) -> None:
    spec = importlib.util.spec_from_file_location("readme_pictures", ROOT / ".github" / "picture.py")
    assert spec
    assert spec.loader
    script: Any = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    readme = (ROOT / "README.md").read_text("utf-8")
    for name in script.PICTURES:
        assert f"(.github/{name})" in readme
        assert (ROOT / ".github" / name).is_file()
    Workshop.open(demo_folder).check(("sound",))
    drawn = await script.picture(demo_folder, script.PICTURES["finding.svg"])
    assert "flat" in drawn
    assert "@font-face" not in drawn


async def test_the_real_demo_is_seen_from_near_and_on_the_map(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    shop.check(("sound",))
    async with opened(shop, (100, 30)) as hand:
        await see(hand, "4", "enter")
        assert hand.shows("clipped: Samples/Struck/struck_C3_v110_rr1.wav finding 1 of", "▲ flat top")
        for _ in range(5):
            await see(hand, "plus")
        assert hand.shows("● one sample")
        picture = screen(hand)
        while picture.tour.drawing is None or picture.tour.drawing.kind != "map":
            await see(hand, "t")
        assert hand.shows("struck v110")
        await see(hand, "enter")
        assert hand.shows("struck_C3_v110")
        await see(hand, "escape")
        await leave(hand, "escape")
        assert len(hand.app.screen_stack) == 1
    shop.close()
    assert all(one.closed and one.viewer._child._process is None for one in shop._sights)


def test_every_picture_of_the_whole_can_be_found() -> None:
    assert set(WHOLE) == set(kinds_of(None))
