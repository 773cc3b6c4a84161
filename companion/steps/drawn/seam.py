"""The seam of a loop: what a player hears as it goes back, and its two sides laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from companion.core.findings import Finding
from companion.drawing.shapes import Axis, Drawing, Figure, Mark, Plot, Trace, Window
from companion.sound.drawing.values import SeamSides
from companion.sound.measures.measured import MeasuredLoop
from companion.steps.drawn.common import figures_of, moment, title_of, wave_axis

NEAR_S: Final = 0.005
MOST_S: Final = 0.25
_LEAST: Final = 16


def loop_of(loops: Sequence[MeasuredLoop], finding: Finding | None) -> MeasuredLoop | None:
    """Return the loop a finding is about, else the first that has a seam."""
    at = finding.at.frames if finding else None
    named = [loop for loop in loops if at and loop.end == at[1]]
    return next(iter((*named, *(loop for loop in loops if loop.end > loop.start))), None)


def seam_window(loop: MeasuredLoop, rate: int) -> Window:
    """Return what is shown of a seam to begin with: 5 ms on either side. The seam is always the middle."""
    most = max(_LEAST, min(loop.end - loop.start, round(MOST_S * rate)))
    reach = max(_LEAST // 2, min(most, round(NEAR_S * rate)))
    return Window(start=most - reach, end=most + reach, whole=2 * most, least=_LEAST)


def seam(path: str, sides: SeamSides, loop: MeasuredLoop, window: Window, finding: Finding | None = None) -> Drawing:
    """Return the picture of the seam from the end of ``loop`` back to its start."""
    reach = sides.reach
    played = (*sides.at_end[:reach], *sides.at_start[reach:])
    values = [abs(value) for value in (*sides.at_end, *sides.at_start) if value is not None]
    x = Axis(low=-reach, high=reach, unit="ms", scale=1000 / sides.rate)
    y = wave_axis(max(values, default=0.0))
    at = Mark(start=0, end=0, text="here it goes back", ink="mark" if finding else "second")
    panes = (
        Plot(x=x, y=y, title="As it is played: the end of the loop, then its start", traces=(_trace(played),),
             marks=(at,)),
        Plot(
            x=x,
            y=y,
            title="End against start: a good seam lies on itself on one side",
            traces=(
                _trace(sides.at_end, name="around the end"),
                _trace(sides.at_start, name="around the start", dashed=True),
            ),
            marks=(Mark(start=0, end=0, ink=at.ink),),
        ),
    )  # fmt: skip
    figures = (
        *figures_of(finding),
        Figure("Loop", f"{moment(loop.start, sides.rate)} to {moment(loop.end, sides.rate)}, {loop.kind}"),
        *_judged(loop, finding),
    )
    return Drawing(
        kind="seam",
        title=title_of(finding, f"Loop seam: {path}"),
        path=path,
        rule=finding.rule if finding else "",
        panes=panes,
        figures=figures,
        window=window,
    )


def _judged(loop: MeasuredLoop, finding: Finding | None) -> tuple[Figure, ...]:
    if finding:
        return ()
    if loop.seam == "not judged":
        return (Figure("Seam", "not judged: noise, another kind of loop, or too little sound around it"),)
    said = f"{loop.seam}: steps by {round(100 * loop.jump)} % of the peak; the two sides differ by {loop.error:.1f}"
    return (Figure("Seam", f"{said} (0 the same, 2 upside down)"),)


def _trace(values: Sequence[float | None], name: str = "", *, dashed: bool = False) -> Trace:
    """Return what there is, as a line: the first value stands at −reach."""
    reach = len(values) // 2
    there = [(n - reach, value) for n, value in enumerate(values) if value is not None]
    return Trace(
        xs=tuple(float(n) for n, _ in there),
        ys=tuple(value for _, value in there),
        name=name,
        ink="second" if dashed else "wave",
        dashed=dashed,
    )
