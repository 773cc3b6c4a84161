"""Which samples are worth hearing before anything is measured: a few that settle how names are read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from companion.core.cache import Cache
from companion.core.facts import Naming
from companion.core.progress import Watch
from companion.sound.measures.batch import measure_files
from companion.sound.measures.contents import AudioFile, Still
from companion.sound.zones.hearing import SampleSound, heard_of
from companion.sound.zones.reading import NameReading, read_names

MOST_HEARD: Final = 96
_IN_A_ROW: Final = 4
_OF_A_QUESTION: Final = 12
LARGEST: Final = 16 << 20
"""Bytes of a file that is heard for this; one note is never longer, and the answer is to come soon."""


def worth_hearing(paths: Sequence[str], reading: NameReading) -> list[str]:
    """Return some of ``paths``: rows of four that lie apart, and some of each that is asked about.

    Neighbours in a row differ in one thing, the take or the touch; rows that lie apart in their notes.
    """
    ordered = sorted(paths)
    chosen: dict[str, None] = {}
    for asked in reading.asked:
        chosen |= dict.fromkeys(_apart(sorted(asked.paths), _OF_A_QUESTION))
    rows = max(1, (MOST_HEARD - min(len(chosen), MOST_HEARD // 2)) // _IN_A_ROW)
    for start in _apart(range(0, len(ordered), _IN_A_ROW), rows):
        chosen |= dict.fromkeys(ordered[start : start + _IN_A_ROW])
    return list(chosen)[:MOST_HEARD]


def _apart(several: Sequence[Any], most: int) -> list[Any]:
    if len(several) <= most:
        return list(several)
    return [several[place * len(several) // most] for place in range(most)]


def names_by_ear(files: Sequence[AudioFile], cache: Cache, watch: Watch, *, still: Still | None = None) -> NameReading:
    """Return how the names of ``files`` are read, with a few of them heard where the names alone leave it open."""
    paths = [path for path, _, _ in files]
    reading = read_names(paths, Naming())
    if not reading.places and not reading.asked:
        return reading
    wanted = set(worth_hearing(paths, reading))
    chosen = [one for one in files if one[0] in wanted and _is_small(one)]
    heard: Mapping[str, SampleSound] = heard_of(measure_files(chosen, cache, watch, still=still))
    return read_names(paths, Naming(), heard) if heard else reading


def _is_small(file: AudioFile) -> bool:
    try:
        return 44 < file[1].stat().st_size <= LARGEST
    except OSError:
        return False
