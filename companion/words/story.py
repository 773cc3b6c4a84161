"""Everything a draft may say, as plain values, and what backs each of them.

A template sees nothing but a :class:`Story`. What is empty or None here has no backing and is not printed; what a
player cannot do without stays visibly missing instead (:func:`missing_mark`).
"""

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, Final, Literal

import msgspec

from companion.core.facts import Control, Facts, Layer
from companion.core.systems import system_family, system_name
from companion.core.units import note_name
from companion.words.licences import licence_links

Group = Literal["Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"]
GROUPS: Final[tuple[Group, ...]] = ("Added", "Changed", "Deprecated", "Removed", "Fixed", "Security")
"""The kinds of change of Keep a Changelog 1.1.0, in the order it names them."""

MUST_SAY: Final[Mapping[str, str]] = {
    "title": "title",
    "version": "version",
    "maker": "maker",
    "summary": "summary",
    "contact": "contact",
    "licence": "licence",
    "engine": "engine name",
    "minimum": "minimum engine version",
}
"""What no reader can do without: the field, and its name in a mark."""


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One line of a changelog entry.

    paths: the files it rests on; empty where it rests on facts or on a snapshot's label.
    about: names of which one at least stands in any honest line on this change, however the maker words it. noun: what
    changed in one common word, which does as well beside the right verb or heading. Both empty: nobody is held to it.
    breaks: songs made with the release before may miss it.
    """

    group: Group
    text: str
    paths: tuple[str, ...] = ()
    about: tuple[str, ...] = ()
    noun: str = ""
    breaks: bool = False


class Tested(msgspec.Struct, frozen=True, kw_only=True):
    """An away test: ``system`` as reported (``Windows 11``), if it was; ``by``: the kind of the test."""

    __test__: ClassVar[bool] = False  # pytest takes the name for a class of tests

    system: str
    engine_version: str = ""
    by: str = ""


class UpdateArchive(msgspec.Struct, frozen=True, kw_only=True):
    """An update archive that was built to exactly this content. since: the release it is unzipped over."""

    since: str
    archive: str
    size_bytes: int
    sha256: str


class LayerLine(msgspec.Struct, frozen=True, kw_only=True):
    """A layer as a player reads it; ``keys``: such as ``C2 to C5``; ``samples``: None where not counted."""

    name: str
    keys: str = ""
    samples: int | None = None
    round_robins: int = 0


class Story(msgspec.Struct, frozen=True, kw_only=True):
    """All that may be said of one release, and what each of it rests on.

    seconds: recorded playing time. voices: the most voices that sound at once. memory_bytes: with all samples loaded.
    rates, bits: the sample rates in Hz and the bits per sample that occur; empty where not measured. released_at:
    ISO 8601 date. tried_elsewhere: whether any test, whatever it showed, was made on a computer that is not the
    maker's; tried_older: on an engine older than the one the patch was saved with. missing: names of facts that are
    missing, as fields here or as keys of the facts. start_with: the patch that the facts name first; empty where
    they name none alone. to_delete: what an update of the release before leaves behind unless it is deleted.
    breaks: what songs made with it would miss. hear: names of the previews. archive: what its file is called or
    will be.
    """

    # The facts in release.toml.
    title: str = ""
    version: str = ""
    maker: str = ""
    summary: str = ""
    description: str = ""
    contact: str = ""
    credits: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    licence: str = ""
    licence_link: str = ""
    rights: str = ""
    install: tuple[str, ...] = ()
    lang: str = ""
    engine: str = ""
    edition: str = ""
    saved_with: str = ""
    voices: int | None = None
    controls: tuple[Control, ...] = ()
    systems_hoped: tuple[str, ...] = ()
    middle_c: str = ""
    missing: tuple[str, ...] = ()
    # Where SPDX, or the maker, lets the licence be read.
    licence_links: tuple[tuple[str, str], ...] = ()
    # The licence text that ships.
    licence_file: str = ""
    # The version the patch was saved with, or a passed away test on a lower one.
    minimum: str = ""
    minimum_because: str = ""
    # Away tests that passed; that did not; and that passed on an engine below the minimum, which promises nothing.
    systems_tested: tuple[Tested, ...] = ()
    systems_failed: tuple[Tested, ...] = ()
    systems_older: tuple[Tested, ...] = ()
    # Tests of other versions, on systems that nobody tested this one on: the last one on each, passed or not.
    systems_before: tuple[Tested, ...] = ()
    systems_failed_before: tuple[Tested, ...] = ()
    tried_elsewhere: bool = False
    tried_older: bool = False
    # Counted over the files that ship, by the facts on layers, or measured on them.
    patches: tuple[str, ...] = ()
    start_with: str = ""
    hear: tuple[str, ...] = ()
    samples: int | None = None
    layers: tuple[LayerLine, ...] = ()
    unpacked_bytes: int | None = None
    seconds: float | None = None
    memory_bytes: int | None = None
    rates: tuple[int, ...] = ()
    bits: tuple[int, ...] = ()
    impulses: tuple[str, ...] = ()
    # Its name by title and version; the rest of the archive built of exactly this content.
    archive: str = ""
    archive_sha256: str = ""
    download_bytes: int | None = None
    updates: tuple[UpdateArchive, ...] = ()
    # The release it builds on, what differs from it, the labels of snapshots since, and pre-releases before the first.
    previous_version: str = ""
    previews: tuple[str, ...] = ()
    changes: tuple[Change, ...] = ()
    to_delete: tuple[str, ...] = ()
    breaks: tuple[str, ...] = ()
    # Open findings and failed trials.
    known_problems: tuple[str, ...] = ()
    # The day of the draft or of the release.
    released_at: str = ""


def missing_mark(name: str) -> str:
    """Return the mark that stands where a fact is missing; the rule placeholder-left finds it and blocks."""
    return f"⟨missing: {name}⟩"


def missing_names(story: Story) -> tuple[str, ...]:
    """Return the names of all that is missing: what the caller named, and each empty field no reader can do without."""
    own = [name for field, name in MUST_SAY.items() if not getattr(story, field).strip()]
    return tuple(dict.fromkeys([*own, *(MUST_SAY.get(field_of(name), name) for name in story.missing)]))


def field_of(name: str) -> str:
    """Return the field of a story that a fact's name means: ``instrument.contact`` is ``contact``."""
    if name == "engine.name":
        return "engine"
    short = name.rpartition(".")[2]
    return next((field for field, label in MUST_SAY.items() if label == short), short)


def key_range(layer: Layer, middle_c: str) -> str:
    """Return the keys of a layer, such as ``C2 to C5``; without a convention a note name would be a guess."""
    if not middle_c:
        return f"MIDI notes {layer.low_key} to {layer.high_key}"
    return f"{note_name(layer.low_key, middle_c)} to {note_name(layer.high_key, middle_c)}"


def story_from_facts(facts: Facts, samples_of: Mapping[str, int] | None = None, **more: Any) -> Story:
    """Return a story of what the facts say; ``more`` sets the fields that rest on counting and evidence.

    samples_of: how many samples each layer has, by its name. ``systems_hoped`` defaults to the systems of the facts
    that no test was made on, of whatever version and whatever it showed.
    """
    instrument, engine = facts.instrument, facts.engine
    plain: dict[str, Any] = {
        name: getattr(instrument, name) for name in instrument.__struct_fields__ if name in Story.__struct_fields__
    }
    plain |= {
        "released_at": instrument.date,
        "engine": engine.name,
        "edition": engine.edition,
        "saved_with": engine.saved_with,
        "minimum": engine.minimum,
        "layers": tuple(
            LayerLine(
                name=layer.name,
                keys=key_range(layer, facts.naming.middle_c) if (layer.low_key, layer.high_key) != (0, 127) else "",
                samples=(samples_of or {}).get(layer.name),
                round_robins=layer.round_robins,
            )
            for layer in facts.layers
        ),
        "controls": facts.controls,
        "middle_c": facts.naming.middle_c,
        "licence_links": licence_links(instrument.licence, instrument.licence_link),
        "hear": tuple(path.rpartition("/")[2] for path in facts.page.previews),
        "systems_hoped": _hoped(engine.systems, [test for name in _TRIED for test in more.get(name, ())]),
    }
    if engine.minimum and engine.minimum == engine.saved_with:
        plain["minimum_because"] = "the version the patch was saved with"
    return Story(**(plain | more))


_TRIED: Final = ("systems_tested", "systems_failed", "systems_older", "systems_before", "systems_failed_before")


def _hoped(systems: Iterable[str], tested: Iterable[Tested]) -> tuple[str, ...]:
    families = {system_family(test.system) for test in tested}
    return tuple(system_name(system) for system in systems if system_family(system) not in families)
