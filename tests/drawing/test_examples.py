"""Drawings as they are read: each kind once, kept beside this test to be looked at.

``COMPANION_WRITE_DRAWINGS=1`` writes them anew.
"""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import Final

import pytest

from companion.drawing import shapes
from companion.drawing.cells import cells
from companion.drawing.text import text_lines

EXAMPLES: Final = Path(__file__).with_name("examples")
FIGURES: Final = (
    shapes.Figure("Where", "0.300 s (frame 6,615)"),
    shapes.Figure("Measured", "1 click, 22.2 dB above the sound around it"),
    shapes.Figure("Limit", "no prediction error 7 dB above all others within 25 ms"),
)


def band(frames: int, columns: int = 300) -> shapes.Band:
    """A note that dies away, with a click at 640 thousandths."""
    tops = [0.6 * math.exp(-3 * n / columns) * abs(math.sin(n / 3)) for n in range(columns)]
    tops[round(0.64 * columns)] = 0.9
    return shapes.Band(start=0, end=frames, lows=tuple(-top for top in tops), highs=tuple(tops))


def waveform() -> shapes.Drawing:
    plot = shapes.Plot(
        x=shapes.Axis(low=0, high=48_000, unit="s", scale=1 / 48_000),
        y=shapes.Axis(low=-1, high=1),
        title="The whole file",
        bands=(band(48_000),),
        marks=(
            shapes.Mark(start=30_720, end=30_721, text="click"),
            shapes.Mark(start=10_000, end=40_000, text="loop", ink="second"),
        ),
    )
    return shapes.Drawing(kind="waveform", title="click inside: a.wav", panes=(plot,), figures=FIGURES)


def seam() -> shapes.Drawing:
    xs = tuple(float(n) for n in range(-100, 100))
    tone = tuple(0.5 * math.sin(2 * math.pi * n / 50) for n in xs)
    moved = tuple(0.5 * math.sin(2 * math.pi * (n + 25) / 50) for n in xs)
    played = (*tone[:100], *moved[100:])
    x, y = shapes.Axis(low=-100, high=100, unit="ms", scale=0.02), shapes.Axis(low=-0.6, high=0.6)
    at = shapes.Mark(start=0, end=0, text="here it goes back")
    panes = (
        shapes.Plot(x=x, y=y, title="As it is played", traces=(shapes.Trace(xs=xs, ys=played),), marks=(at,)),
        shapes.Plot(
            x=x,
            y=y,
            title="End against start",
            traces=(
                shapes.Trace(xs=xs, ys=tone, name="around the end"),
                shapes.Trace(xs=xs, ys=moved, name="around the start", ink="second", dashed=True),
            ),
        ),
    )
    return shapes.Drawing(kind="seam", title="loop seam: a.wav", panes=panes)


def pitch() -> shapes.Drawing:
    xs = tuple(float(n) for n in range(2, 48, 2))
    plot = shapes.Plot(
        x=shapes.Axis(low=0, high=48, unit="s", scale=1 / 48),
        y=shapes.Axis(low=-50, high=50, unit="cents"),
        dots=(shapes.Dots(xs=xs, ys=tuple(34 + (n % 3) for n in xs), name="clear"),),
        bounds=(
            shapes.Bound(value=0, text="its note", ink="good"),
            shapes.Bound(value=20, text="limit ±20 cents"),
            shapes.Bound(value=-20),
        ),
    )
    return shapes.Drawing(kind="pitch", title="off pitch: a.wav", panes=(plot,), note="1 of 24 windows lies outside.")


def key_map() -> shapes.Drawing:
    states: dict[int, shapes.State] = {3: "hole", 7: "overlap", 8: "overlap", 12: "pitch", 15: "louder", 18: "softer"}

    def row(layer: str, dynamic: str) -> shapes.CellRow:
        return shapes.CellRow(
            layer=layer,
            dynamic=dynamic,
            cells=tuple(
                shapes.Cell(key=48 + n, state=states.get(n, "here" if n % 3 == 0 else "covered"), takes=2, at=n == 12)
                for n in range(25)
            ),
        )

    names = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
    pane = shapes.KeyMap(
        low=48,
        names=tuple(f"{names[n % 12]}{n // 12 + 3}" for n in range(25)),
        rows=(row("Struck", "v110"), row("Struck", "v40"), row("Hummed", "")),
    )
    return shapes.Drawing(kind="map", title="Keys, by layer and dynamic", panes=(pane,))


def weights() -> shapes.Drawing:
    bars = shapes.Bars(
        title="By kind, before packing",
        bars=(
            shapes.Bar(name="43 samples", value=1_920_000, text="1.92 MB, 96 %"),
            shapes.Bar(name="1 impulse response", value=53_400, text="53.4 kB, 3 %", ink="mark"),
            shapes.Bar(name="1 patch", value=3_390, text="3.39 kB, 0 %"),
        ),
        limit=1_500_000,
        limit_text="limits.upload_bytes: 1.50 MB (1.43 MiB)",
    )
    return shapes.Drawing(kind="weight", title="What ships, by weight", panes=(bars,))


def dump() -> shapes.Drawing:
    data = b"\0\0\x80>\x10\0\0\0" + b"/Users/slatehand/Slate Choir/a.wav" + b"\0\x11\x02/"
    pane = shapes.Dump(offset=3_168, hex=data.hex(), first=3_176, end=3_210)
    return shapes.Drawing(kind="bytes", title="path home: Slate Choir.eeng", panes=(pane,))


def course() -> shapes.Drawing:
    moments = (
        shapes.Moment(name="now", when="not kept yet", text="2 samples changed since snapshot 12", ink="mark"),
        shapes.Moment(name="12  louder hums", when="2026-03-02 18:20 UTC", text="6 samples changed", weight="1.20 MB"),
        shapes.Moment(
            name="11  first release", when="2026-02-27 09:00 UTC, released as 1.0", text="patch changed, facts changed",
            weight="4.10 kB", ink="good",
        ),
    )  # fmt: skip
    return shapes.Drawing(kind="history", title="The history, newest first", panes=(shapes.Course(moments=moments),))


DRAWN: Final = {
    "waveform": waveform, "seam": seam, "pitch": pitch, "map": key_map, "weight": weights, "bytes": dump,
    "history": course,
}  # fmt: skip


@pytest.mark.parametrize(("width", "ascii_only"), [(80, False), (44, False), (80, True)])
@pytest.mark.parametrize("name", DRAWN)
def test_a_drawing_reads_as_it_is_kept(name: str, width: int, ascii_only: bool) -> None:
    lines = text_lines(DRAWN[name](), width, ascii_only=ascii_only)
    text = "\n".join(lines) + "\n"
    kept = EXAMPLES / f"{name}-{width}{'-ascii' if ascii_only else ''}.txt"
    if os.environ.get("COMPANION_WRITE_DRAWINGS"):
        kept.parent.mkdir(exist_ok=True)
        kept.write_text(text, encoding="utf-8", newline="\n")
    assert text == kept.read_text(encoding="utf-8")
    assert all(cells(line) <= width for line in lines)
