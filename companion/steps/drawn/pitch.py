"""The pitch of a sample along its length, against the note it is declared to have."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Finding
from companion.core.units import note_name
from companion.drawing.shapes import Axis, Bound, Dots, Drawing, Figure, Plot
from companion.sound.drawing.values import PitchTrack
from companion.sound.zones.tuning import Tuned, Tuning
from companion.steps.drawn.common import figures_of, time_axis, title_of

CLEAR: Final = 0.8
_LEAST_CENTS: Final = 50.0
_SEMITONES: Final = 150.0
_MOST_CENTS: Final = 2600.0


def pitch(
    path: str,
    track: PitchTrack,
    declared: float | None,
    convention: str,
    *,
    tuning: Tuning | None = None,
    tuned: Tuned | None = None,
    limit: float,
    finding: Finding | None = None,
) -> Drawing:
    """Return the picture.

    declared: 100 × MIDI note, None where nothing says it. tuning, tuned: what its instrument has in common and how far
    off the sample was judged, where it was. limit: cents allowed.
    """
    shared = 1200 * tuning.octaves + tuning.cents if tuning else 0.0
    note_at = declared if declared is not None else _middle(track)
    base = shared + note_at
    off = [cents - base for cents in track.cents]
    clear = [value for value, clarity in zip(off, track.clarity, strict=True) if clarity >= CLEAR]
    reach = max([_LEAST_CENTS, 1.5 * limit, *(1.15 * abs(value) for value in clear)])
    reach = min(reach, _MOST_CENTS)
    y = _axis(reach, note_at, convention)
    within = [(s, v, c) for s, v, c in zip(track.seconds, off, track.clarity, strict=True) if abs(v) <= reach]
    x = time_axis(0, max(1, track.whole), track.rate)
    plot = Plot(
        x=x,
        y=y,
        title=_heading(y.unit),
        dots=tuple(
            dots
            for dots in (
                _dots(within, track.rate, clear=False),
                _dots(within, track.rate, clear=True),
            )
            if dots.xs
        ),
        bounds=(
            Bound(value=0.0, text="its note" if declared is not None else "its middle", ink="good"),
            *(Bound(value=sign * limit, text=f"limit ±{limit:.0f} cents" if sign > 0 else "") for sign in (1, -1)),
        ),
        empty="" if within else "no pitch shows: nothing in it repeats",
    )
    outside = len(off) - len(within)
    note = f"{outside} of {len(off)} windows lie outside of the picture." if outside else ""
    return Drawing(
        kind="pitch",
        title=title_of(finding, f"Pitch: {path}"),
        path=path,
        rule=finding.rule if finding else "",
        panes=(plot,),
        figures=(*figures_of(finding), *_figures(declared, convention, tuning, tuned)),
        note=note,
    )


def _middle(track: PitchTrack) -> float:
    ordered = sorted(track.cents)
    return 100 * round(ordered[len(ordered) // 2] / 100) if ordered else 6000.0


def _heading(unit: str) -> str:
    return "Pitch, 90 ms at a time, by note" if not unit else "Pitch, 90 ms at a time, away from its note"


def _axis(reach: float, declared: float, convention: str) -> Axis:
    """Return the axis in cents from the declared note; where it spans semitones, by the names of notes."""
    if reach <= _SEMITONES:
        return Axis(low=-reach, high=reach, unit="cents")
    first, last = round((declared - reach) / 100), round((declared + reach) / 100)
    notes = range(max(0, first), min(127, last) + 1)
    return Axis(low=-reach, high=reach, ticks=tuple((100.0 * n - declared, note_name(n, convention)) for n in notes))


def _dots(within: list[tuple[float, float, float]], rate: int, *, clear: bool) -> Dots:
    chosen = [(seconds * rate, value) for seconds, value, clarity in within if (clarity >= CLEAR) == clear]
    return Dots(
        xs=tuple(x for x, _ in chosen),
        ys=tuple(y for _, y in chosen),
        sign="dot" if clear else "ring",
        name="clear" if clear else "unsure",
        ink="wave" if clear else "muted",
    )


def _figures(declared: float | None, convention: str, tuning: Tuning | None, tuned: Tuned | None) -> list[Figure]:
    found = []
    if declared is None:
        found.append(Figure("Declared", "nothing says which note it is"))
    else:
        found.append(Figure("Declared", _note(declared, convention)))
    if tuned:
        found.append(
            Figure("Off by", f"{tuned.cents:+.0f} cents, against the rest of its instrument".replace("-", "−"))
        )
    if tuning and (tuning.octaves or abs(tuning.cents) >= 1):
        octaves = f"{tuning.octaves:+d} octaves, " if tuning.octaves else ""
        shared = f"{octaves}{tuning.cents:+.0f} cents away from the declared notes".replace("-", "−")
        found.append(Figure("All of it", f"“{tuning.layer}” lies {shared}; that is taken off here"))
    return found


def _note(cents: float, convention: str) -> str:
    number = round(cents / 100)
    rest = cents - 100 * number
    name = f"{note_name(number, convention)} (MIDI {number}, middle C = {convention})"
    return f"{name}, {rest:+.0f} cents".replace("-", "−") if abs(rest) >= 0.5 else name
