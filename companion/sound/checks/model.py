"""What the checks of the sound step look at."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import Final

import msgspec

from companion.core.entries import Kind
from companion.core.facts import Facts
from companion.core.globs import Globs, globs
from companion.core.rules import rule
from companion.sound.measures.measured import Measured
from companion.sound.zones.reading import NameReading
from companion.sound.zones.tuning import Tuning, tunings
from companion.sound.zones.zones import Zone, by_layer, read_table, reading_of, zones_of

sound_rule: Final = partial(rule, step="sound")


class SoundModel(msgspec.Struct, frozen=True, kw_only=True):
    """The measures of every audio file that ships, what each file is, and what the facts say of them all.

    measured, kinds: by relative path, in order; what has no kind is a sample. zones: where each sample plays, by path;
    layers: the same by layer. tunings: of each instrument whose pitch can be judged. names: how they are read; the
    facts have the language and octaves they were read by. Built by :func:`sound_model`.
    """

    measured: Mapping[str, Measured]
    kinds: Mapping[str, Kind] = {}
    facts: Facts = Facts()
    zones: Mapping[str, Zone] = {}
    layers: Mapping[str, Sequence[Zone]] = {}
    tunings: tuple[Tuning, ...] = ()
    names: NameReading = NameReading()

    def readable(self) -> Iterator[tuple[str, Measured]]:
        """Yield (path, measures) of every file that could be read, in the order of their paths."""
        return ((path, one) for path, one in self.measured.items() if one.readable)

    def samples(self) -> Iterator[tuple[str, Measured]]:
        """Yield the readable files that are not impulse responses."""
        return ((path, one) for path, one in self.readable() if self.kinds.get(path) is not Kind.IMPULSE)

    def impulses(self) -> Iterator[tuple[str, Measured]]:
        """Yield the readable impulse responses."""
        return ((path, one) for path, one in self.readable() if self.kinds.get(path) is Kind.IMPULSE)

    @property
    def unpitched(self) -> Globs:
        """The samples that the facts call unpitched."""
        return globs(self.facts.naming.unpitched)

    @property
    def unread(self) -> list[str]:
        """The samples of which nothing says a note, and that are not stated to play none."""
        stated = self.unpitched
        return [path for path, zone in self.zones.items() if zone.key is None and not stated.matches(path)]

    def unheld(self, paths: Iterable[str]) -> str:
        """Return what is not judged of samples without a note. Takes that their names number are held against each
        other all the same, and so are the touches of a drum.
        """
        numbered = all(self.zones[path].take for path in paths)
        return "pitch and levels beside other notes" if numbered else "pitch, levels and takes"

    @property
    def untuned(self) -> list[str]:
        """The samples with a note whose pitch was not judged: too unsteady, or too few that agree."""
        judged = {one.path for tuning in self.tunings for one in tuning.members}
        return [path for path, zone in self.zones.items() if zone.key is not None and path not in judged]


def sound_model(
    measured: Mapping[str, Measured], kinds: Mapping[str, Kind], facts: Facts, table: str = ""
) -> SoundModel:
    """Return the model. table: the text of the maker's CSV of zones, when there is one.

    Raises CompanionError for a file-name pattern that is wrong.
    """
    measured = dict(sorted(measured.items()))
    samples = {path: one for path, one in measured.items() if kinds.get(path) is not Kind.IMPULSE}
    names = reading_of(samples, facts)
    zones = zones_of(samples, facts, read_table(table) if table else None, names)
    layers = by_layer(zones.values())
    return SoundModel(
        measured=measured,
        kinds=kinds,
        facts=names.applied(facts),
        zones=zones,
        layers=layers,
        tunings=tuple(tunings(layers, samples)),
        names=names,
    )
