"""Folders named in many ways are read right, or not at all and said so: never wrong in silence."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from typing import Any, Final, NamedTuple

import pytest

from companion.core.facts import Facts, Naming
from companion.sound.measures.measured import Measured
from companion.sound.zones.hearing import heard_of
from companion.sound.zones.listening import worth_hearing
from companion.sound.zones.reading import read_names
from companion.sound.zones.telling import facts_of
from companion.sound.zones.zones import Zone, reading_of, zones_of
from companion.steps.deeds.facts_file import with_values
from tests.sound import (
    fifth_named_folders,
    fourth_named_folders,
    named_folders,
    other_named_folders,
    third_named_folders,
)
from tests.sound.named_folders import Folder, Sample, Style, folders

SETS: Final = (
    named_folders.STYLES,
    other_named_folders.STYLES,
    third_named_folders.STYLES,
    fourth_named_folders.STYLES,
    fifth_named_folders.STYLES,
)
IDS: Final = ("made", "other", "third", "fourth", "fifth")


ALWAYS_ASKED: Final = frozenset(("keys_counted",))
"""Keys counted from 1 to 88: their distance from what is heard is told, and left to the maker to settle."""


class Count(NamedTuple):
    """How the files of folders were read."""

    files: int = 0
    right: int = 0
    asked: int = 0
    wrong: int = 0
    parts: int = 0
    hidden: int = 0


def measured(one: Sample) -> Measured:
    sound: dict[str, Any] = (
        {} if one.cents is None else {"pitch_cents": one.cents, "pitch_trust": 0.98, "pitch_spread": 3.0}
    )
    return Measured(path=one.path, format="WAV", momentary_max_lufs=one.loudness, **sound)


def judged(folder: Folder) -> Count:
    """Return how the names of a folder were read. wrong: notes that are others. parts: other fields that are."""
    files = {one.path: measured(one) for one in folder.samples}
    reading = reading_of(files, Facts())
    zones = zones_of(files, Facts(), reading=reading)
    open_ = any(line.startswith("octaves are left open") for line in reading.why)
    shift = _shift(folder, zones, told=open_)
    asked_of = {path for one in reading.asked for path in one.paths}
    touches = _mapped(
        ((zones[one.path].layer, one.release, one.touch), (zones[one.path].layer, _touch(zones[one.path])))
        for one in folder.samples
        if zones[one.path].key is not None
    )
    layers = _mapped(
        ((one.layer, one.microphone, one.release), zones[one.path].layer)
        for one in folder.samples
        if zones[one.path].key is not None
    )
    takes: dict[Any, Counter[str]] = defaultdict(Counter)
    for one in folder.samples:
        takes[one.layer, one.microphone, one.release, one.note, one.touch][zones[one.path].take] += 1
    right = asked = wrong = parts = hidden = 0
    for one in folder.samples:
        zone = zones[one.path]
        if zone.key is None:
            asked += one.note is not None
            right += one.note is None
            continue
        if one.note is None or zone.key - shift != one.note:
            wrong += 1
            hidden += one.path in folder.faults or one.note is None
            continue
        alike = takes[one.layer, one.microphone, one.release, one.note, one.touch]
        fits = touches.get(((zone.layer, one.release, one.touch), (zone.layer, _touch(zone)))) and layers.get(
            ((one.layer, one.microphone, one.release), zone.layer)
        )
        fits = fits and (not one.take or (alike[zone.take] == 1 and zone.take != ""))
        fits = fits and (one.low is None or (zone.low_velocity, zone.high_velocity) == (one.low, one.high))
        right += bool(fits)
        asked += not fits and one.path in asked_of
        parts += not fits and one.path not in asked_of
    return Count(len(folder.samples), right, asked, wrong, parts, hidden)


def _touch(zone: Zone) -> int | None:
    return zone.velocity if zone.velocity is not None else zone.low_velocity


def _shift(folder: Folder, zones: dict[str, Zone], *, told: bool) -> int:
    """Return how far all notes lie off while the octave is open: whole octaves count for nothing then."""
    open_ = [
        (zones[one.path].key or 0) - one.note
        for one in folder.samples
        if one.note is not None and zones[one.path].note is None and zones[one.path].key is not None
    ]
    most = Counter(open_).most_common(1)[0][0] if open_ else 0
    return most if most in (-12, 0, 12) or (told and most % 12 == 0) else 0


def _mapped(pairs: Iterable[tuple[Any, Any]]) -> dict[tuple[Any, Any], bool]:
    """Return which pairs agree with most others: one read value for each meant, and one meant for each read."""
    counts = Counter(pairs)
    there, back = defaultdict(set), defaultdict(set)
    for meant, read in counts:
        there[meant].add(read)
        back[read].add(meant)
    return {(meant, read): len(there[meant]) == 1 and len(back[read]) == 1 for meant, read in counts}


def total(counts: Iterable[Count]) -> Count:
    return Count(*(sum(each) for each in zip(*counts, strict=True)))


@pytest.mark.parametrize("styles", SETS, ids=IDS)
def test_no_name_is_read_wrong_and_nearly_all_are_read(styles: dict[str, Style]) -> None:
    """What only sound can settle is asked about as long as nothing was heard, and read when it is."""
    heard, unheard = Count(), Count()
    for folder in folders(seed=3, each=1, styles=styles):
        count = judged(folder)
        assert (count.wrong, count.hidden) == (0, 0), folder.style
        if folder.style in ALWAYS_ASKED:
            assert count.asked == count.files
        elif is_heard(folder):
            heard = total([heard, count])
        else:
            unheard = total([unheard, count])
            assert count.parts == 0, folder.style
            assert folder.by_ear or count.asked == 0, folder.style
    assert heard.right + heard.asked == heard.files
    assert heard.right >= 0.97 * heard.files


def is_heard(folder: Folder) -> bool:
    return any(one.loudness is not None for one in folder.samples)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("styles", SETS, ids=IDS)
def test_many_folders_of_every_style(styles: dict[str, Style], seed: int) -> None:
    """Prints how the files of each style were read: right, asked about, wrong; heard, and before anything was."""
    rows: dict[tuple[str, bool], list[Count]] = defaultdict(list)
    for folder in folders(seed=100 + seed, each=12, styles=styles):
        rows[folder.style, is_heard(folder)].append(judged(folder))
    print(f"\n{'style':28} heard  files  right  asked  wrong  other fields")
    for (style, heard), counts in sorted(rows.items()):
        count = total(counts)
        marks = "yes" if heard else "no"
        print(f"{style:28} {marks:5} {count.files:6} {count.right:6} {count.asked:6} {count.wrong:6} {count.parts:6}")
    everything = total(count for counts in rows.values() for count in counts)
    print(everything)
    assert (everything.wrong, everything.hidden) == (0, 0)


@pytest.mark.parametrize("styles", SETS, ids=IDS)
def test_what_the_first_look_proposes_reads_no_other_note(styles: dict[str, Style]) -> None:
    """A few of the samples are heard then; the facts that come of it stand when all of them are."""
    for folder in filter(is_heard, folders(seed=31, each=1, styles=styles)):
        files = {one.path: measured(one) for one in folder.samples}
        few = worth_hearing(list(files), read_names(files, Naming()))
        proposed = read_names(files, Naming(), heard_of({path: files[path] for path in few}))
        facts = with_values(Facts(), facts_of(proposed))
        zones = zones_of(files, facts)
        shift = _shift(folder, zones, told=True)
        read = {one: zones[one.path].key for one in folder.samples if zones[one.path].key is not None}
        assert all(one.note is not None and (key or 0) - shift == one.note for one, key in read.items()), folder.style
