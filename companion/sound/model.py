"""What the checks of the sound step look at."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import msgspec

from companion.core.entries import Kind
from companion.core.facts import Facts
from companion.sound.measured import Measured
from companion.sound.naming import Placed, place_all


class SoundModel(msgspec.Struct, frozen=True, kw_only=True):
    """The measures of every audio file that ships, what each file is, and what the facts say of them all.

    measured, kinds: by relative path. placed: what each name tells; see :func:`sound_model`.
    """

    measured: Mapping[str, Measured]
    kinds: Mapping[str, Kind] = {}
    facts: Facts = Facts()
    placed: Mapping[str, Placed] = {}

    def kind(self, path: str) -> Kind:
        """Return what a file is; a sample where nobody has said."""
        return self.kinds.get(path, Kind.SAMPLE)

    def readable(self) -> Iterator[tuple[str, Measured]]:
        """Yield (path, measures) of every file that could be read, in the order of their paths."""
        for path in sorted(self.measured):
            if self.measured[path].readable:
                yield path, self.measured[path]

    def samples(self) -> Iterator[tuple[str, Measured]]:
        """Yield the readable files that are not impulse responses."""
        return ((path, one) for path, one in self.readable() if self.kind(path) is not Kind.IMPULSE)

    def impulses(self) -> Iterator[tuple[str, Measured]]:
        """Yield the readable impulse responses."""
        return ((path, one) for path, one in self.readable() if self.kind(path) is Kind.IMPULSE)


def sound_model(measured: Mapping[str, Measured], kinds: Mapping[str, Kind], facts: Facts) -> SoundModel:
    """Return the model, with names read by the facts' pattern. Raises CompanionError for a pattern that is wrong."""
    placed = place_all(measured, facts.naming.pattern)
    return SoundModel(measured=measured, kinds=kinds, facts=facts, placed=placed)
