"""A spectrum: of the whole beginning of a file, or of its noise floor, in which hum stands out."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Finding
from companion.core.units import level
from companion.drawing.shapes import Axis, Drawing, Figure, Mark, Plot, Trace
from companion.sound.drawing.values import SpectrumLine
from companion.sound.measures.mains import HARMONICS
from companion.sound.measures.measured import Measured
from companion.steps.drawn.common import figures_of, title_of

HUM_TOP_HZ: Final = 650.0
_LOWEST_DB: Final = -100.0


def spectrum(path: str, line: SpectrumLine, known: Measured | None, finding: Finding | None = None) -> Drawing:
    """Return the picture. A finding of hum marks the mains and its multiples, one of an empty band what is empty."""
    hum = bool(finding and finding.rule == "hum")
    top = max(line.hertz, default=1.0) or 1.0
    levels = tuple(max(_LOWEST_DB, value) for value in line.levels)
    lowest = max(_LOWEST_DB, min(levels, default=-60.0) - 3)
    marks: tuple[Mark, ...] = ()
    if hum and known and known.hum_hz:
        lines = [known.hum_hz * number for number in range(1, HARMONICS + 1)]
        marks = tuple(Mark(start=hertz, end=hertz, text=f"{known.hum_hz:.0f} Hz and its multiples") for hertz in lines)
    elif finding and finding.rule == "band-empty" and isinstance(finding.value, int | float):
        marks = (Mark(start=float(finding.value), end=line.rate / 2, text="nothing is in here"),)
    plot = Plot(
        title="Spectrum of its noise floor" if hum else "Spectrum",
        x=Axis(low=0, high=line.rate / 2 if not hum else top, unit="Hz"),
        y=Axis(low=lowest, high=3, unit="dB"),
        traces=(Trace(xs=line.hertz, ys=levels),),
        marks=marks,
        empty="" if levels else "there is no sound in it to look at",
    )
    figures = [Figure("Of", f"{line.start_s:.2f} s to {line.end_s:.2f} s")] if levels else []
    if hum and known and known.hum_db is not None and known.hum_hz:
        figures.append(Figure("Mains", f"{known.hum_hz:.0f} Hz, {level(known.hum_db, 'dB')} over what is around"))
    return Drawing(
        kind="spectrum",
        title=title_of(finding, f"Spectrum: {path}"),
        path=path,
        rule=finding.rule if finding else "",
        panes=(plot,),
        figures=(*figures_of(finding), *figures),
    )
