"""The samples that a key may play, as they lie in the folder: what stands in one is no fault of a bounce."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import TYPE_CHECKING, Final

from companion.core.entries import Kind
from companion.steps.desk import Desk
from companion.steps.looks.performance import named_notes, touch_of

if TYPE_CHECKING:
    from companion.trials.performance.clicks import Dry, DryOf

MOST_FILES: Final = 64
"""Samples that are looked into for one key, of each note at most half."""
_SECONDS: Final = 0.6
"""So much of a note is listened to; an octave up it takes twice as much of the sample."""
_MOST_FASTER: Final = 4.0


def dry_samples(desk: Desk) -> DryOf:
    """Return what gives the samples that a key may play: those of the nearest notes at and below it, and above it.

    A patch says nothing that is read: so all takes and layers of both notes are meant. A sample that does not read is
    left out.
    """
    notes: dict[int, list[tuple[str, str]]] = {}
    known: dict[int, tuple[Dry, ...]] = {}

    def of(key: int) -> tuple[Dry, ...]:
        if not notes:
            for path, note, take_of in _roots(desk):
                notes.setdefault(note, []).append((path, take_of))
        if key not in known:
            below, above = (note for note in notes if note <= key), (note for note in notes if note > key)
            near = {max(below, default=-1), min(above, default=-1)} - {-1}
            found = [(path, note, of) for note in sorted(near) for path, of in notes[note][: MOST_FILES // 2]]
            known[key] = tuple(dry for path, note, of in found if (dry := _read(desk, path, note, of)))
        return known[key]

    return of


def _roots(desk: Desk) -> Iterator[tuple[str, int, str]]:
    """Yield each sample, the note it was recorded at, by its name, else by what its file says, and whose take it is."""
    named = named_notes(desk)
    for entry in desk.of_kind(Kind.SAMPLE):
        chunks = desk.probes.get(entry.path)
        if entry.path in named:
            place, note = named[entry.path]
            yield entry.path, note, str(touch_of(entry.path, place, note)) if place.take and not place.release else ""
        elif chunks and chunks.root_note is not None:
            yield entry.path, chunks.root_note, ""


def _read(desk: Desk, path: str, note: int, take_of: str) -> Dry | None:
    from companion.sound.files.decoding import AudioReader, Unreadable
    from companion.trials.performance.clicks import Dry

    chunks = desk.probes.get(path)
    loops = [one for one in chunks.loops if one.kind == "forward"] if chunks else []
    try:
        with closing(AudioReader(desk.folder / path)) as reader:
            data = reader.segment(0, int(_SECONDS * _MOST_FASTER * reader.rate))
            rate = reader.rate
    except (Unreadable, OSError):
        return None
    # A loop that ends behind what was read is never reached; one that lies is none.
    fit = [(one.start, one.end) for one in loops if 0 <= one.start < one.end <= len(data)]
    cents = chunks.fine_cents if chunks else 0.0
    return Dry(data, rate, note + cents / 100, fit[0] if fit else None, take_of) if len(data) > 1 else None
