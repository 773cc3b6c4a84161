"""Holds what names may say against what the samples sound like."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from typing import Final, NamedTuple

import msgspec

from companion.sound.measures.measured import Measured

TRUST: Final = 0.9
NEAR: Final = 60.0
AGREE: Final = 0.6
FEWEST: Final = 3
_STEADY: Final = 50.0
_CLOSE: Final = 35.0
_RISES_DB: Final = 1.5
_IN_ORDER: Final = 0.75
_MANY: Final = 7
CONFIRMED, CONTRADICTED, SILENT = "confirmed", "contradicted", "silent"


class SampleSound(msgspec.Struct, frozen=True):
    """What is known of a sample's sound. cents: 100 × MIDI note where the pitch can be trusted. root: the root note its
    header states. loudness: in LUFS.
    """

    cents: float | None = None
    root: int | None = None
    loudness: float | None = None


def heard_of(measured: Mapping[str, Measured]) -> dict[str, SampleSound]:
    """Return what was heard, by path. A header counts where it is no default: where not all headers say the same."""
    roots = {one.root_note for one in measured.values() if one.root_note is not None}
    found = {}
    for path, one in measured.items():
        sure = (one.pitch_trust or 0.0) >= TRUST and (one.pitch_spread or 0.0) < _STEADY
        cents = one.pitch_cents if sure else None
        root = one.root_note if len(roots) > 1 else None
        if cents is not None or root is not None or one.momentary_max_lufs is not None:
            found[path] = SampleSound(cents, root, one.momentary_max_lufs)
    return found


def offset_of(declared: Mapping[str, float], heard: Mapping[str, SampleSound]) -> int | None:
    """Return how many semitones all that is heard lies above numbers, where seven notes and three in four agree."""
    apart: dict[float, list[float]] = defaultdict(list)
    for path, cents in declared.items():
        if (one := heard.get(path)) is not None and one.cents is not None:
            apart[cents].append(one.cents - cents)
    steps = Counter(round(statistics.median(several) / 100) for several in apart.values())
    if steps.total() < _MANY:
        return None
    offset, count = steps.most_common(1)[0]
    return offset if count >= _IN_ORDER * steps.total() else None


class Agreement(NamedTuple):
    """How well declared notes fit what is heard. notes: how many different ones could be held against it.

    octaves: how many octaves the sound lies above them; share: of the notes that then fit. by_header: by what headers
    say, where no pitch could be heard.
    """

    verdict: str
    notes: int = 0
    octaves: int = 0
    share: float = 0.0
    by_header: bool = False


def agreement(
    declared: Mapping[str, float], heard: Mapping[str, SampleSound], octaves: Iterable[int] = range(-4, 5)
) -> Agreement:
    """Return whether declared notes, as 100 × MIDI note by path, are what is heard, some octaves apart at most.

    Notes are counted, not files: of three and more 60 % must lie within 60 cents, two must both lie within 35. One note
    alone confirms nothing. Where no pitch can be trusted the headers are asked, which must agree to the semitone.
    """
    pitches = {path: one.cents for path in declared if (one := heard.get(path)) and one.cents is not None}
    found = _fit(declared, pitches, list(octaves))
    if found.verdict != SILENT:
        return found
    roots = {path: 100.0 * one.root for path in declared if (one := heard.get(path)) and one.root is not None}
    by_header = _fit(declared, roots, list(octaves))
    return by_header._replace(by_header=True) if by_header.verdict == CONFIRMED else found


def _fit(declared: Mapping[str, float], pitches: Mapping[str, float], octaves: list[int]) -> Agreement:
    apart: dict[float, list[float]] = defaultdict(list)
    for path, cents in pitches.items():
        apart[declared[path]].append(cents - declared[path])
    steps = [statistics.median(several) for several in apart.values()]
    if not steps:
        return Agreement(SILENT)
    near = NEAR if len(steps) >= FEWEST else _CLOSE
    counts = {octave: sum(abs(step - 1200 * octave) <= near for step in steps) for octave in octaves}
    best = max(counts, key=lambda octave: (counts[octave], -abs(octave)))
    share = counts[best] / len(steps)
    if len(steps) >= FEWEST:
        verdict = CONFIRMED if share >= AGREE else CONTRADICTED
    elif len(steps) > 1:
        verdict = CONFIRMED if share == 1 else CONTRADICTED if share == 0 else SILENT
    else:
        verdict = SILENT if share else CONTRADICTED
    return Agreement(verdict, len(steps), best, share)


def rises(numbers: Mapping[str, int], alike: Mapping[str, object], heard: Mapping[str, SampleSound]) -> bool | None:
    """Tell whether samples that are ``alike`` but for a number are louder the higher it is; None where nothing tells.

    Rising: of three kinds in four each step up adds 1.5 dB on the whole; where fewer than three kinds have two numbers
    and more, all of them must say the same.
    """
    groups: dict[object, dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    for path, number in numbers.items():
        one = heard.get(path)
        if one is not None and one.loudness is not None:
            groups[alike[path]][number].append(one.loudness)
    slopes = []
    for levels in groups.values():
        if len(levels) > 1:
            ordered = [statistics.median(levels[number]) for number in sorted(levels)]
            slopes.append((ordered[-1] - ordered[0]) / (len(ordered) - 1))
    rising = sum(slope >= _RISES_DB for slope in slopes)
    if len(slopes) < FEWEST:
        return rising > 0 if slopes and rising in (0, len(slopes)) else None
    return rising >= _IN_ORDER * len(slopes)
