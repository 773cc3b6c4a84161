"""Everything a draft may say, as plain values, and what backs each of them.

A template sees nothing but a :class:`Story`. What is empty or None here has no backing and is not printed; what a
player cannot do without stays visibly missing instead (:func:`missing_mark`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, Final, Literal

import msgspec

from companion.core.facts import Facts
from companion.core.facts import Layer as LayerFacts
from companion.core.systems import system_family, system_name
from companion.core.units import note_name

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
    """

    group: Group
    text: str
    paths: tuple[str, ...] = ()
    about: tuple[str, ...] = ()
    noun: str = ""


class Tested(msgspec.Struct, frozen=True, kw_only=True):
    """A passed away test: ``system`` as reported (``Windows 11``); ``by``: the kind of the test."""

    __test__: ClassVar[bool] = False  # pytest takes the name for a class of tests

    system: str
    engine_version: str = ""
    by: str = ""


class LayerLine(msgspec.Struct, frozen=True, kw_only=True):
    """A layer as a player reads it; ``keys``: such as ``C2 to C5``; ``samples``: None where not counted."""

    name: str
    keys: str = ""
    samples: int | None = None
    round_robins: int = 0


class ControlLine(msgspec.Struct, frozen=True, kw_only=True):
    """A control and what it does."""

    name: str
    effect: str = ""


class Story(msgspec.Struct, frozen=True, kw_only=True):
    """All that may be said of one release. :data:`BACKING` tells what each field rests on.

    seconds: recorded playing time. voices: the most voices that sound at once. memory_bytes: with all samples loaded.
    released_at: ISO 8601 date. missing: names of facts that are missing, as fields here or as keys of the facts.
    """

    title: str = ""
    version: str = ""
    maker: str = ""
    summary: str = ""
    description: str = ""
    contact: str = ""
    credits: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    licence: str = ""
    licence_file: str = ""
    rights: str = ""
    engine: str = ""
    edition: str = ""
    saved_with: str = ""
    minimum: str = ""
    minimum_because: str = ""
    systems_tested: tuple[Tested, ...] = ()
    systems_hoped: tuple[str, ...] = ()
    patches: tuple[str, ...] = ()
    samples: int | None = None
    seconds: float | None = None
    voices: int | None = None
    download_bytes: int | None = None
    unpacked_bytes: int | None = None
    memory_bytes: int | None = None
    layers: tuple[LayerLine, ...] = ()
    controls: tuple[ControlLine, ...] = ()
    impulses: tuple[str, ...] = ()
    changes: tuple[Change, ...] = ()
    known_problems: tuple[str, ...] = ()
    released_at: str = ""
    previous_version: str = ""
    missing: tuple[str, ...] = ()


_FACTS = "the facts in release.toml"
_COUNTED = "counted over the files that ship"
BACKING: Final[Mapping[str, str]] = {
    **dict.fromkeys(
        ("title", "version", "maker", "summary", "description", "contact", "credits", "tags", "licence", "rights"),
        _FACTS,
    ),
    **dict.fromkeys(("engine", "edition", "saved_with", "controls", "systems_hoped"), _FACTS),
    "licence_file": "the licence text that ships",
    "minimum": "the version the patch was saved with, or a passed away test on a lower one",
    "minimum_because": "the evidence of the Needs step",
    "systems_tested": "passed away tests",
    **dict.fromkeys(("patches", "samples", "unpacked_bytes"), _COUNTED),
    **dict.fromkeys(("seconds", "memory_bytes", "impulses"), "measured on the files that ship"),
    "voices": "limits.voices in the facts",
    "layers": "the facts on layers and the files they name",
    "download_bytes": "the archive built last",
    "changes": "the differences from the last release, and the labels of snapshots since",
    "known_problems": "open findings and failed trials",
    "released_at": "the day of the draft or of the release",
    "previous_version": "the record of the last release",
    "missing": "the Facts step",
}
"""What each field of a story rests on, as it can be told to the maker."""


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
    return next((field for field, said in MUST_SAY.items() if said == short), short)


def _keys(layer: LayerFacts, middle_c: str) -> str:
    if (layer.low_key, layer.high_key) == (0, 127):
        return ""
    if not middle_c:  # a note name without its convention would be a guess
        return f"MIDI notes {layer.low_key} to {layer.high_key}"
    return f"{note_name(layer.low_key, middle_c)} to {note_name(layer.high_key, middle_c)}"


def story_from_facts(facts: Facts, samples_of: Mapping[str, int] | None = None, **more: Any) -> Story:
    """Return a story of what the facts say; ``more`` sets the fields that rest on counting and evidence.

    samples_of: how many samples each layer has, by its name. ``systems_hoped`` defaults to the systems of the facts
    that no test in ``systems_tested`` covers.
    """
    instrument, engine = facts.instrument, facts.engine
    plain: dict[str, Any] = {name: getattr(instrument, name) for name in instrument.__struct_fields__}
    plain |= {
        "engine": engine.name,
        "edition": engine.edition,
        "saved_with": engine.saved_with,
        "minimum": engine.minimum,
        "layers": tuple(
            LayerLine(
                name=layer.name,
                keys=_keys(layer, facts.naming.middle_c),
                samples=(samples_of or {}).get(layer.name),
                round_robins=layer.round_robins,
            )
            for layer in facts.layers
        ),
        "controls": tuple(ControlLine(name=control.name, effect=control.effect) for control in facts.controls),
        "systems_hoped": _hoped(engine.systems, more.get("systems_tested", ())),
    }
    if engine.minimum and engine.minimum == engine.saved_with:
        plain["minimum_because"] = "the version the patch was saved with"
    return Story(**(plain | more))


def _hoped(systems: Iterable[str], tested: Iterable[Tested]) -> tuple[str, ...]:
    families = {system_family(test.system) for test in tested}
    return tuple(system_name(system) for system in systems if system_family(system) not in families)
