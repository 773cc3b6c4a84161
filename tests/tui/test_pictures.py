"""Pictures of every screen, on the demo and on a released folder, at three sizes, dark, light and in 16 colours.

A campaign: it writes them to ``.demo/screens`` as SVG, for somebody to look at, and as PNG where Chromium is installed.
What the quick tests hold of the screens is in ``test_screens.py``.
"""

from __future__ import annotations

import asyncio
import io
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import pytest
from rich.color import Color, ColorSystem
from rich.console import Console
from rich.segment import Segment, Segments
from rich.style import Style
from rich.terminal_theme import SVG_EXPORT_THEME, TerminalTheme
from textual.pilot import Pilot

from companion.core.evidence import AwayTest
from companion.trials.away import KINDS
from companion.tui.app import CompanionApp
from companion.workshop import Workshop

OUT: Final = Path(__file__).resolve().parents[2] / ".demo" / "screens"
SIZES: Final = ((80, 24), (120, 40), (200, 60))
LOOKS: Final = ("dark", "light", "16 dark", "16 light")
SIXTEEN: Final = TerminalTheme(
    (0, 0, 0),
    (229, 229, 229),
    [(0, 0, 0), (205, 0, 0), (0, 205, 0), (205, 205, 0), (0, 0, 238), (205, 0, 205), (0, 205, 205), (229, 229, 229)],
    [(127, 127, 127), (255, 0, 0), (0, 255, 0), (255, 255, 0), (92, 92, 255), (255, 0, 255), (0, 255, 255), (255,) * 3],
)
"""xterm's sixteen colours, of its own defaults."""

DEMO_WALK: Final = {
    "contents": "2", "contents ships": "t", "facts": "1", "instrument": "t", "engine": "t", "more": "t", "also": "t",
    "paths": "escape 3", "path picture": "enter", "sound": "escape 4", "picture near": "enter", "picture whole": "0",
    "picture other": "t", "map": "t", "waive": "escape v", "rule": "escape home", "controls": "5", "performance": "t",
    "controls found": "t", "away": "6", "away new": "n", "needs": "escape 7", "texts": "8", "text edited": "e",
    "text found": "escape 8 t", "archive": "9", "weight": "d", "out": "escape 0", "upload": "u", "drawer": "escape s",
    "compared": "enter", "restore": "r", "history": "escape escape d", "help": "escape question_mark",
    "palette": "escape ctrl+p", "keep": "escape k", "rows": "escape 1 escape 1", "row": "enter",
}  # fmt: skip
DONE_WALK: Final = {
    "all proven": "0",
    "archive proven": "9",
    "needs proven": "7",
    "away tests": "6",
    "texts whole": "8",
}


def sixteen(style: Style) -> Style:
    """Return a style as a terminal of sixteen colours shows it."""

    def least(colour: Color | None) -> Color | None:
        return colour.downgrade(ColorSystem.STANDARD) if colour else None

    return Style(
        color=least(style.color), bgcolor=least(style.bgcolor), bold=style.bold, reverse=style.reverse,
        underline=style.underline, italic=style.italic, dim=style.dim,
    )  # fmt: skip


def svg_of(app: CompanionApp, title: str, *, few: bool) -> str:
    """Return the topmost screen as SVG that fetches nothing. few: in sixteen colours."""
    width, height = app.size
    console = Console(
        width=width, height=height, file=io.StringIO(), record=True, force_terminal=True, color_system="truecolor",
        legacy_windows=False,
    )  # fmt: skip
    pieces: list[Segment] = []
    for strip in app.screen._compositor.render_strips():
        styled = [(segment.text, segment.style or Style()) for segment in strip]
        pieces += [*(Segment(text, sixteen(style) if few else style) for text, style in styled), Segment.line()]
    console.print(Segments(pieces), end="")
    drawn = console.export_svg(title=title, theme=SIXTEEN if few else SVG_EXPORT_THEME)
    drawn = re.sub(r"@font-face \{.*?\}\s*", "", drawn, flags=re.DOTALL)
    drawn = re.sub(r"<circle [^>]*/>", "", drawn)
    return drawn.replace("Fira Code", "DejaVu Sans Mono")


async def rest(app: CompanionApp, pilot: Pilot[Any]) -> None:
    """Wait until nothing is done any more: a key leads to messages, a screen, and only then to work."""
    for _ in range(12):
        await pilot.pause(0.02)
        while not app.jobs.idle or app.status is None:
            await asyncio.sleep(0.02)
        if tour := getattr(app.screen, "tour", None):
            for _ in range(200):
                if tour.drawing:
                    break
                await asyncio.sleep(0.02)
    await pilot.pause()


async def taken(folder: Path, walk: dict[str, str], size: tuple[int, int], look: str, made: list[Path]) -> None:
    """Walk through the screens of a folder and keep a picture of each."""
    app = CompanionApp(folder, light="light" in look, few=look.startswith("16"))
    few = look.startswith("16")
    try:
        async with app.run_test(size=size) as pilot:
            await rest(app, pilot)
            for number, (name, keys) in enumerate({"opened": "", **walk}.items()):
                for key in keys.split():
                    await pilot.press(key)
                    await rest(app, pilot)
                place = OUT / f"{size[0]}x{size[1]} {look}" / f"{folder.name} {number:02} {name}.svg"
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_text(svg_of(app, place.stem, few=few), encoding="utf-8")
                made.append(place)
    finally:
        if app.workshop:
            app.workshop.close()


@pytest.fixture
def folders(demo_folder: Path, mend_demo: Callable[..., None], tmp_path: Path) -> dict[Path, dict[str, str]]:
    """The demo, looked through; the same released; and one that has no facts yet."""
    new, done = tmp_path / "New Choir", tmp_path / "Done Choir"
    shutil.copytree(demo_folder, new)
    shutil.copytree(demo_folder, done)
    (new / "release.toml").unlink()
    mend_demo(done)
    shop = Workshop.open(demo_folder)
    shop.snapshot("as recorded")
    (demo_folder / "Licence.txt").write_text("new", encoding="utf-8")
    shop.check()
    shop.snapshot("with another licence")
    shop.close()
    release(Workshop.open(done))
    return {new: {}, demo_folder: DEMO_WALK, done: DONE_WALK}


def release(shop: Workshop) -> None:
    """Answer every question, write every text, pack and release."""
    shop.check()
    for view in shop.trials():
        shop.answer(view.trial.id, "pass")
    for kind in KINDS:
        test = AwayTest(
            kind=kind, result="pass", who="Ada", engine="Example Engine", engine_version="7.2.1", edition="full",
            system="Windows 11", played="The lowest and the highest key of every layer.",
        )  # fmt: skip
        shop.record_away(test)
    for what in ("changelog", "readme", "page"):
        shop.write_draft(what)
    shop.pack()
    shop.check()
    shop.release()
    shop.close()


WIDE: Final = 1800
ROWS: Final = 3


STYLE: Final = (
    "body{margin:8px;display:grid;grid-template-columns:1fr 1fr;gap:8px;background:#777}figure{margin:0}img{width:100%}"
)


def sheets(made: list[Path]) -> Iterator[tuple[str, Path]]:
    """Yield pages of some pictures each, and where they belong."""
    for number, start in enumerate(range(0, len(made), ROWS * 2)):
        images = [f'<img src="{quote(one.name)}">' for one in made[start : start + ROWS * 2]]
        page = f"<meta charset=utf-8><style>{STYLE}</style>{''.join(images)}"
        yield page, made[0].parent / f"sheet {number:02}.html"


@pytest.mark.campaign
@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_every_screen_is_drawn(folders: dict[Path, dict[str, str]], size: tuple[int, int], look: str) -> None:
    made: list[Path] = []
    for folder, walk in folders.items():
        await taken(folder, walk, size, look, made)
    if chromium := shutil.which("chromium") or shutil.which("chrome"):
        for sheet, page in sheets(made):
            page.write_text(sheet, encoding="utf-8")
            subprocess.run(
                [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                 f"--screenshot={page.with_suffix('.png')}", f"--window-size={WIDE},{ROWS * 640}", page.as_uri()],
                check=True, capture_output=True, timeout=120,
            )  # fmt: skip
    print(f"\n{len(made)} pictures in {made[0].parent}")
    assert len(made) == 3 + len(DEMO_WALK) + len(DONE_WALK)
