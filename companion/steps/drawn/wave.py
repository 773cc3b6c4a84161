"""A waveform: the whole file, and below it the place a finding is about, from near."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import msgspec

from companion.core.describe import rule_words
from companion.core.findings import Finding
from companion.core.units import level
from companion.drawing.shapes import Band, Bound, Dots, Drawing, Figure, Mark, Plot, Trace, Window
from companion.sound.drawing.values import Wave
from companion.sound.measures.measured import Measured
from companion.steps.drawn.common import figures_of, moment, time_axis, title_of, wave_axis

APART: Final = ("channel-dead", "polarity-inverted", "mono-as-stereo")
"""Findings about channels, which are drawn each for itself."""

BESIDE: Final = ("duplicate", "takes-same")
"""Findings about two files, which are drawn below each other."""

_NEAR_S: Final = 0.02
_TIMES: Final = 4
_WIDE: Final = 0.1
_LEAST: Final = 16
FARTHEST_FRAME: Final = 1 << 36
"""A loop that claims to end behind it is drawn to there."""


def near_window(finding: Finding | None, whole: int, rate: int) -> Window:
    """Return the frames to show of a file: those around the place of a finding, or all where it takes a tenth."""
    all_of_it = Window(start=0, end=max(1, whole), whole=max(1, whole), least=_LEAST)
    if finding is None or finding.at.frames is None or not rate:
        return all_of_it
    start, end = finding.at.frames
    if end - start > _WIDE * whole or end > whole or start < 0 or end < start:
        return all_of_it
    length = min(whole, max(round(_NEAR_S * rate), _TIMES * (end - start)))
    return Window(start=0, end=max(1, length), whole=max(1, whole), least=_LEAST).around((start + end) // 2)


def waveform(
    path: str,
    waves: Sequence[Wave],
    *,
    finding: Finding | None = None,
    known: Measured | None = None,
    other: tuple[str, Wave] | None = None,
) -> Drawing:
    """Return the picture. waves: what is in view, with the whole file before it where that is more.

    known: what was measured of the file, if anything. other: path and wave of the file it is compared with.
    """
    near = waves[-1]
    panes = [
        pane
        for number, wave in enumerate(waves)
        for pane in _panes(wave, finding, known, _named(number, waves), others=waves[number + 1 :])
    ]
    if other:
        panes = [*(_retitled(pane, path) for pane in panes), *_panes(other[1], None, None, other[0])]
    figures = (*figures_of(finding), *_figures(near, known, finding))
    whole = max(near.whole, _end_of(finding))
    window = Window(start=near.start, end=max(near.end, near.start + 1), whole=max(1, whole), least=_LEAST)
    return Drawing(
        kind="waveform",
        title=title_of(finding, path),
        path=path,
        rule=finding.rule if finding else "",
        panes=tuple(panes),
        figures=figures,
        window=window,
    )


def _retitled(pane: Plot, title: str) -> Plot:
    return msgspec.structs.replace(pane, title=title)


def _named(number: int, waves: Sequence[Wave]) -> str:
    if len(waves) == 1:
        return ""
    return "The whole file" if number == 0 else "The place, from near"


def _end_of(finding: Finding | None) -> int:
    """Return where a loop ends that may end behind the file; 0 for any other finding."""
    loop = finding is not None and finding.rule == "loop-invalid" and finding.at.frames is not None
    return min(finding.at.frames[1], FARTHEST_FRAME) if loop and finding and finding.at.frames else 0


def _panes(
    wave: Wave, finding: Finding | None, known: Measured | None, title: str, others: Sequence[Wave] = ()
) -> list[Plot]:
    end = max(wave.end, _end_of(finding)) if wave.end == wave.whole else wave.end
    x = time_axis(wave.start, max(end, wave.start + 1), wave.rate, single=wave.single)
    y = wave_axis(wave.peak)
    marks = (*_marks(finding, known, wave), *(_inset(one) for one in others))
    panes = []
    for channel, (lows, highs) in enumerate(zip(wave.lows, wave.highs, strict=True)):
        name = f"channel {channel + 1}" if len(wave.lows) > 1 else ""
        panes.append(
            Plot(
                x=x,
                y=y,
                title=", ".join(part for part in (title, name) if part),
                bands=() if wave.single else (Band(start=wave.start, end=wave.end, lows=lows, highs=highs),),
                traces=(_samples(wave, lows),) if wave.single and lows else (),
                dots=_sample_dots(wave, lows),
                marks=marks,
                bounds=_bounds(finding, wave),
                empty="" if lows else "there is no sound here",
            )
        )
    return panes


def band_of(wave: Wave) -> tuple[tuple[Band, ...], tuple[Trace, ...]]:
    """Return all channels of a wave as one band, or as a line where each value is one frame."""
    if not wave.lows or not wave.lows[0]:
        return (), ()
    if wave.single:
        return (), (_samples(wave, wave.lows[0]),)
    return (Band(start=wave.start, end=wave.end, lows=wave.lows[0], highs=wave.highs[0]),), ()


def _samples(wave: Wave, values: Sequence[float]) -> Trace:
    return Trace(xs=tuple(wave.start + n + 0.5 for n in range(len(values))), ys=tuple(values))


def _sample_dots(wave: Wave, values: Sequence[float]) -> tuple[Dots, ...]:
    """Return each sample as a dot, where there are so few that they can be told apart."""
    if not wave.single or not 0 < len(values) <= 40:
        return ()
    return (Dots(xs=tuple(wave.start + n + 0.5 for n in range(len(values))), ys=tuple(values), name="one sample"),)


def _inset(wave: Wave) -> Mark:
    """Return the mark of what stands in the pane below, from near."""
    return Mark(start=wave.start, end=wave.end, text="shown below", ink="second")


def _marks(finding: Finding | None, known: Measured | None, wave: Wave) -> tuple[Mark, ...]:
    marks: list[Mark] = []
    rule = finding.rule if finding else ""
    words = rule_words(rule)
    if rule in ("clipped", "impulse-clipped") and known:
        marks += [Mark(start=run.frame, end=run.frame + run.length, text="flat top") for run in known.clipped_runs]
    elif rule == "click-inside" and known and known.clicks:
        marks += [Mark(start=click.frame, end=click.frame + 1, text="click") for click in known.clicks]
    elif rule == "loop-invalid" and finding and finding.at.frames:
        start, end = finding.at.frames
        marks.append(Mark(start=start, end=end, text="loop", ink="second"))
        marks.append(Mark(start=wave.whole, end=max(end, wave.whole), text="behind the end of the file"))
    elif rule == "file-truncated" and known and known.frames_promised:
        marks.append(Mark(start=wave.whole, end=wave.whole, text=f"cut off: {known.frames_promised:,} were promised"))
    elif finding and finding.at.frames:
        marks.append(Mark(start=finding.at.frames[0], end=finding.at.frames[1], text=words))
    loops = known.loops if known and rule != "loop-invalid" else ()
    return (*marks, *(Mark(start=loop.start, end=loop.end, text="loop", ink="second") for loop in loops))


def _bounds(finding: Finding | None, wave: Wave) -> tuple[Bound, ...]:
    """Return the values that a finding holds the wave against."""
    match finding.rule if finding else "":
        case "dc-offset" if finding and isinstance(finding.value, int | float) and finding.bound is not None:
            bound = math.copysign(finding.bound, finding.value)
            mean = Bound(value=float(finding.value), text=finding.measured, ink="mark")
            return (mean, Bound(value=bound, text=f"limit {bound:+.3f}".replace("-", "−")))
        case "peak-over":
            return (Bound(value=1.0, text="full scale"), Bound(value=-1.0))
        case "starts-hot" if finding and finding.bound is not None and wave.start == 0:
            share = finding.bound / 100 * wave.peak
            return (Bound(value=share, text=f"{finding.bound:.0f} % of the peak in view"), Bound(value=-share))
        case _:
            return ()


def _figures(wave: Wave, known: Measured | None, finding: Finding | None) -> tuple[Figure, ...]:
    peak = f"peak {level(20 * math.log10(wave.peak))}" if wave.peak > 0 else "nothing but silence"
    seconds = wave.whole / wave.rate if wave.rate else 0.0
    found = [
        Figure("File", f"{seconds:.3f} s, {wave.whole:,} frames, {wave.rate:,} Hz, {_channels(wave.channels)}"),
        Figure("In view", f"{moment(wave.start, wave.rate)} to {moment(wave.end, wave.rate)}, {peak}"),
    ]
    loops = known.loops if known and finding is None else ()
    found += [Figure("Loop", f"{moment(x.start, wave.rate)} to {moment(x.end, wave.rate)}") for x in loops]
    return tuple(found)


def _channels(count: int) -> str:
    return {1: "mono", 2: "stereo"}.get(count, f"{count} channels")
