"""How an impulse response dies away: its level, and the integrated decay that its times are read from."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Finding
from companion.core.units import level
from companion.drawing.shapes import Axis, Bound, Drawing, Figure, Mark, Plot, Trace
from companion.sound.checks.formats import IMPULSE_END_DB
from companion.sound.drawing.values import DecayCurve
from companion.sound.measures.measured import Measured
from companion.steps.drawn.common import figures_of, title_of

_LOWEST_DB: Final = -90.0


def decay(path: str, curve: DecayCurve, known: Measured | None, finding: Finding | None = None) -> Drawing:
    """Return the picture; ``known``: what was measured of the file, for its times."""
    seconds = curve.whole / curve.rate if curve.rate else 0.0
    low = _LOWEST_DB
    levels = tuple(max(low, value) for value in curve.levels)
    marks: tuple[Mark, ...] = ()
    if finding and finding.at.frames and finding.at.rate:
        start, end = (frame / finding.at.rate for frame in finding.at.frames)
        marks = (Mark(start=start, end=end, text="here it ends"),)
    limit = finding.bound if finding and finding.bound is not None else IMPULSE_END_DB
    plot = Plot(
        title="Level against the loudest, and the integrated decay",
        x=Axis(low=0, high=max(seconds, 1e-3), unit="s"),
        y=Axis(low=low, high=3, unit="dB"),
        traces=(
            Trace(xs=curve.seconds, ys=levels, name="level of each millisecond"),
            Trace(
                xs=curve.integrated_seconds,
                ys=tuple(max(low, value) for value in curve.integrated),
                name="integrated decay",
                ink="second",
                dashed=True,
            ),
        ),
        marks=marks,
        bounds=(Bound(value=limit, text=f"its end should lie under {level(limit, 'dB')}"),),
        empty="" if curve.levels else "there is nothing but silence in it",
    )
    return Drawing(
        kind="decay",
        title=title_of(finding, f"Decay: {path}"),
        path=path,
        rule=finding.rule if finding else "",
        panes=(plot,),
        figures=(*figures_of(finding), *_times(known)),
    )


def _times(known: Measured | None) -> list[Figure]:
    """Return the decay times after ISO 3382-1, as they were measured."""
    found = known.decay if known else None
    if found is None:
        return []
    times = (
        ("EDT", found.edt_s, "the first 10 dB"),
        ("T20", found.t20_s, "from −5 to −25 dB"),
        ("T30", found.t30_s, "from −5 to −35 dB"),
    )
    figures = [Figure(name, f"{value:.2f} s for 60 dB, by {over}") for name, value, over in times if value is not None]
    if found.end_db is not None:
        figures.append(Figure("End", f"{level(found.end_db, 'dB')} against its loudest 5 ms"))
    return figures
