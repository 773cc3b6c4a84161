"""What a player calls a recording: its note, how hard it is played and which take, instead of a file's name."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import Final

import msgspec

_TAKES: Final = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
_DYNAMICS: Final = {2: ("soft", "loud"), 3: ("soft", "medium", "loud")}


class Recording(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of a sample. note: as the page names keys, such as ``E3``. velocity: None where nothing tells."""

    layer: str = ""
    note: str = ""
    velocity: int | None = None
    take: str = ""


def namer(recordings: Iterable[tuple[str, Recording]]) -> Callable[[str], str]:
    """Return what names a sample by its path: ``E3, soft, first take``, with its layer where there are several.

    A dynamic or a take is named only where its layer, or its note, has more than one. Empty for a sample whose note
    nothing tells, and for one that would not be told from another.
    """
    known = dict(recordings)
    velocities: dict[str, set[int]] = defaultdict(set)
    takes: dict[tuple[str, str, int | None], set[str]] = defaultdict(set)
    for one in known.values():
        if one.velocity is not None:
            velocities[one.layer].add(one.velocity)
        if one.take:
            takes[one.layer, one.note, one.velocity].add(one.take)
    several = len({one.layer for one in known.values()}) > 1

    def words(one: Recording) -> str:
        if not one.note:
            return ""
        parts = [f"{one.layer} {one.note}" if several and one.layer else one.note]
        steps = sorted(velocities[one.layer])
        if one.velocity is not None and len(steps) > 1:
            marks = _DYNAMICS.get(len(steps))
            parts.append(marks[steps.index(one.velocity)] if marks else f"velocity {one.velocity}")
        numbered = sorted(takes[one.layer, one.note, one.velocity], key=lambda take: (len(take), take))
        if len(numbered) > 1 and one.take:
            place = numbered.index(one.take)
            parts.append(f"{_TAKES[place]} take" if place < len(_TAKES) else f"take {place + 1}")
        return ", ".join(parts)

    counted: dict[str, int] = defaultdict(int)
    for one in known.values():
        counted[words(one)] += 1

    def name(path: str) -> str:
        told = words(known[path]) if path in known else ""
        return told if told and counted[told] == 1 else ""

    return name
