"""A bounce of the performance: its wave where it lies here, with the slots in which something was found."""

from __future__ import annotations

from collections import Counter
from typing import Final

from companion.core.describe import rule_words
from companion.core.findings import Finding
from companion.core.text import listed, plural
from companion.core.units import duration
from companion.drawing.shapes import Axis, Bar, Bars, Drawing, Figure, Mark, Plot, Window
from companion.sound.drawing.values import Wave
from companion.steps.drawn.common import figures_of, time_axis, title_of, wave_axis
from companion.steps.drawn.wave import band_of
from companion.steps.looks.judging import JudgedBounce, JudgedSlot

_NEAR_S: Final = 4.0
_MOST_KINDS: Final = 4
LEAST: Final = 64


def bounce_window(bounce: JudgedBounce, finding: Finding | None) -> Window:
    """Return the frames to show first: the slot of a finding with what is around it, else all of the bounce."""
    whole = max(1, round(bounce.seconds * bounce.rate))
    all_of_it = Window(start=0, end=whole, whole=whole, least=min(LEAST, whole))
    if finding is None or finding.at.frames is None:
        return all_of_it
    start, end = finding.at.frames
    if not 0 <= start <= end <= whole:
        return all_of_it
    length = min(whole, max(round(_NEAR_S * bounce.rate), 2 * (end - start)))
    return Window(start=0, end=length, whole=whole, least=min(LEAST, whole)).around((start + end) // 2)


def bounced(bounce: JudgedBounce, window: Window, wave: Wave | None, finding: Finding | None = None) -> Drawing:
    """Return the picture. wave: of what is in view; None where the bounce itself lies elsewhere."""
    end = max(window.end, window.start + 1)
    x = time_axis(window.start, end, bounce.rate or 1, single=bool(wave and wave.single))
    bands, traces = band_of(wave) if wave else ((), ())
    plot = Plot(
        x=x,
        y=wave_axis(wave.peak) if wave else Axis(low=-1, high=1),
        bands=bands,
        traces=traces,
        marks=(*_found(finding), *_slots(bounce, finding)),
    )
    wrong = [slot for slot in bounce.slots if slot.rules]
    figures = [
        Figure("Bounce", f"{bounce.file}: {bounce.part}, {duration(bounce.seconds)}"),
        Figure("Slots", f"{bounce.judged:,} of {len(bounce.slots):,} judged, {len(wrong):,} with something found"),
        *_in_view(bounce, window),
    ]
    note = "" if wave else "The bounce itself does not lie in .companion/bounces, so that its wave is not drawn."
    return Drawing(
        kind="bounce",
        title=title_of(finding, f"Bounce: {bounce.file}"),
        rule=finding.rule if finding else "",
        panes=(plot, *_tally(wrong)),
        figures=(*figures_of(finding), *figures),
        note=note,
        window=window,
    )


def _found(finding: Finding | None) -> tuple[Mark, ...]:
    if finding is None or finding.at.frames is None:
        return ()
    return (Mark(start=finding.at.frames[0], end=finding.at.frames[1], text=rule_words(finding.rule)),)


def _spans(bounce: JudgedBounce) -> list[tuple[JudgedSlot, int, int]]:
    """Return each slot with the frames it takes: up to where the next begins."""
    starts = [round(slot.seconds * bounce.rate) for slot in bounce.slots]
    ends = [*starts[1:], round(bounce.seconds * bounce.rate)]
    return [(slot, start, max(start, end)) for slot, start, end in zip(bounce.slots, starts, ends, strict=True)]


def _slots(bounce: JudgedBounce, finding: Finding | None) -> list[Mark]:
    """Return the marks of slots in which something was found, and of those that could not be judged."""
    shown = finding.rule if finding else ""
    marks: list[Mark] = []
    for slot, start, end in _spans(bounce):
        others = [rule for rule in slot.rules if rule != shown]
        marks += [
            Mark(start=start, end=end, text=rule_words(rule), ink="second" if finding else "mark") for rule in others
        ]
        if slot.unheard and not slot.rules:
            marks.append(Mark(start=start, end=end, text="not judged", ink="muted"))
    return marks


def _tally(wrong: list[JudgedSlot]) -> tuple[Bars, ...]:
    """Return how many slots each rule found something in."""
    counted = Counter(rule for slot in wrong for rule in slot.rules)
    if len(counted) < 2:
        return ()
    some = counted.most_common(_MOST_KINDS)
    bars = tuple(
        Bar(name=rule_words(rule), value=count, text=plural(count, "slot"), ink="mark") for rule, count in some
    )
    return (Bars(title="Found, by what it is", bars=bars),)


def _in_view(bounce: JudgedBounce, window: Window) -> list[Figure]:
    """Return which slots with something in them are in view."""
    here = [
        f"{slot.title} at {slot.seconds:.1f} s ({listed([rule_words(rule) for rule in slot.rules])})"
        for slot, start, end in _spans(bounce)
        if slot.rules and start < window.end and end > window.start
    ]
    return [Figure("In view", listed(here, most=6))] if here else []
