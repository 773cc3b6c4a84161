"""What differs from the last release, in the words of someone who plays the instrument."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from companion.core.entries import Kind
from companion.core.facts import Facts
from companion.core.facts import Layer as LayerFacts
from companion.core.globs import globs
from companion.core.systems import system_name
from companion.core.text import listed, plural
from companion.core.units import note_name
from companion.words.story import GROUPS, Change, Group

Files = Iterable[tuple[str, Kind]]

_NAMED_ONE_BY_ONE: Final = 3
_NOUNS: Final[dict[Kind, tuple[str, str]]] = {
    Kind.PATCH: ("patch", "patches"),
    Kind.SAMPLE: ("sample", "samples"),
    Kind.IMPULSE: ("impulse response", "impulse responses"),
    Kind.SCRIPT: ("script", "scripts"),
    Kind.PICTURE: ("picture", "pictures"),
    Kind.DOCUMENT: ("document", "documents"),
    Kind.OTHER: ("file", "files"),
}
"""What a player is told of. Working files, system files and nested archives are the maker's own affair."""

_VERBS: Final[dict[Group, str]] = {
    "Added": r"add(?:s|ed|ing)?|new",
    "Changed": r"chang(?:e|es|ed|ing)",
    "Deprecated": r"deprecat(?:e|es|ed|ing)",
    "Removed": r"remov(?:e|es|ed|ing)|drop(?:s|ped|ping)?",
    "Fixed": r"fix(?:es|ed|ing)?|mend(?:s|ed|ing)?|repair(?:s|ed|ing)?",
    "Security": r"security",
}
_LABELS: Final = {group: re.compile(rf"(?:{words})\b", re.IGNORECASE) for group, words in _VERBS.items()}

_ANYWHERE: Final = {group: re.compile(rf"\b(?:{words})\b", re.IGNORECASE) for group, words in _VERBS.items()}


def changes_from(
    *,
    added: Files = (),
    removed: Files = (),
    changed: Files = (),
    renamed: Iterable[tuple[str, str, Kind]] = (),
    before: Facts | None = None,
    after: Facts,
    labels: Iterable[str] = (),
    measured: Iterable[tuple[str, str]] = (),
) -> tuple[Change, ...]:
    """Return what a player would want to know, in the order of Keep a Changelog.

    added, removed, changed: files that ship, as (path, kind). renamed: (old path, new path, kind), content unchanged.
    before: the facts of the last release; None: there was none, and nothing is said to have changed. labels: of the
    snapshots since then; those that begin with what they did (“Fix …”, “Added …”) become lines, the rest are the
    maker's own notes. measured: (path, what differs), such as a level.
    """
    if before is None:
        return ()
    found = [
        *_of_files("Added", "added", added, after.layers),
        *_of_files("Changed", "changed", changed, after.layers),
        *_of_renamed(renamed, after.layers),
        *_of_files("Removed", "removed", removed, before.layers),
        *(Change(group="Changed", text=text, paths=(path,)) for path, text in measured),
        *facts_changed(before, after),
        *_of_labels(labels),
    ]
    return tuple(sorted(dict.fromkeys(found), key=lambda change: GROUPS.index(change.group)))


def _of_files(group: Group, verb: str, files: Files, layers: Sequence[LayerFacts]) -> list[Change]:
    by_kind: dict[Kind, list[str]] = {}
    for path, kind in files:
        if kind in _NOUNS:
            by_kind.setdefault(kind, []).append(path)
    return [
        _line(group, verb, kind, sorted(by_kind[kind]), _namer(layers) if kind is Kind.SAMPLE else _folder)
        for kind in _NOUNS
        if kind in by_kind
    ]


def _of_renamed(renamed: Iterable[tuple[str, str, Kind]], layers: Sequence[LayerFacts]) -> list[Change]:
    return _of_files("Changed", "renamed or moved", [(new, kind) for _, new, kind in renamed], layers)


def _line(group: Group, verb: str, kind: Kind, paths: list[str], place: Callable[[str], str]) -> Change:
    one, many = _NOUNS[kind]
    places = Counter(place(path) for path in paths)
    names = [path.rpartition("/")[2] for path in paths]
    if len(paths) <= _NAMED_ONE_BY_ONE:
        told = listed(names)
    elif len(places) == 1:
        told = next(iter(places))
    else:
        told = listed([f"{count:,} in {name or 'the top folder'}" for name, count in places.items()], 6)
    text = f"{plural(len(paths), one, many)} {verb}"
    text = f"{text}: {told}" if told else text
    if kind is Kind.DOCUMENT:  # seen by opening it; nobody is held to write of it
        return Change(group=group, text=text, paths=tuple(paths))
    about = (*(name for name in places if name), *names[:_NAMED_ONE_BY_ONE])
    return Change(group=group, text=text, paths=tuple(paths), about=about, noun=one)


def has_verb(text: str, group: Group) -> bool:
    """Return whether ``text`` holds a verb of ``group``, such as “removed”."""
    return bool(_ANYWHERE[group].search(text))


def _folder(path: str) -> str:
    return path.rpartition("/")[0].rpartition("/")[2]


def _namer(layers: Sequence[LayerFacts]) -> Callable[[str], str]:
    """Return what tells the layer of a sample by the patterns of the facts, or else its folder."""
    patterns = [(layer.name, globs(layer.files)) for layer in layers]

    def name(path: str) -> str:
        for layer, files in patterns:
            if files.matches(path):
                return layer
        return _folder(path)

    return name


def _of_labels(labels: Iterable[str]) -> list[Change]:
    found = []
    for label in labels:
        text = " ".join(label.split())
        group = next((group for group, words in _LABELS.items() if words.match(text)), None)
        if group and " " in text:  # a verb alone says nothing to a player
            found.append(Change(group=group, text=text[:1].upper() + text[1:]))
    return found


def facts_changed(before: Facts, after: Facts) -> list[Change]:
    """Return the differences between two releases' facts that a player meets."""
    old, new = before.engine, after.engine
    host = new.name or "the engine"
    found: list[Change] = []

    def changed(text: str, *about: str, group: Group = "Changed") -> None:
        found.append(Change(group=group, text=text, about=about))

    if before.instrument.title and before.instrument.title != after.instrument.title:
        changed(f"Now called {after.instrument.title} instead of {before.instrument.title}", after.instrument.title)
    if old.name and new.name != old.name:
        changed(f"Made for {new.name or 'no engine named'} instead of {old.name}", host)
    if new.minimum and old.minimum and new.minimum != old.minimum:
        changed(f"Needs {host} {new.minimum} or newer instead of {old.minimum}", new.minimum)
    elif new.saved_with and old.saved_with and new.saved_with != old.saved_with:
        changed(f"Saved with {host} {new.saved_with} instead of {old.saved_with}", new.saved_with)
    if new.edition and old.edition and new.edition != old.edition:
        changed(f"Needs the {new.edition} edition of {host} instead of {old.edition}", new.edition)
    for system in old.systems:
        if system not in new.systems:
            name = system_name(system)
            changed(f"No longer made with {name} in mind", name, group="Removed")
    if after.instrument.licence and before.instrument.licence not in ("", after.instrument.licence):
        changed(f"Licence {after.instrument.licence} instead of {before.instrument.licence}", "licence", "license")
    return [*found, *_layers_changed(before, after), *_controls_changed(before, after)]


def _layers_changed(before: Facts, after: Facts) -> list[Change]:
    old = {layer.name: layer for layer in before.layers}
    new = {layer.name: layer for layer in after.layers}
    found = _come_and_gone("Layer", list(old), list(new))

    def keys(layer: LayerFacts) -> str:
        if not after.naming.middle_c:
            return f"MIDI notes {layer.low_key} to {layer.high_key}"
        return " to ".join(note_name(key, after.naming.middle_c) for key in (layer.low_key, layer.high_key))

    for name in new.keys() & old.keys():
        was, now = old[name], new[name]
        parts = []
        if (was.low_key, was.high_key) != (now.low_key, now.high_key):
            parts.append(f"{keys(now)} instead of {keys(was)}")
        if (was.low_velocity, was.high_velocity) != (now.low_velocity, now.high_velocity):
            parts.append(
                f"velocities {now.low_velocity} to {now.high_velocity}"
                f" instead of {was.low_velocity} to {was.high_velocity}"
            )
        if was.round_robins != now.round_robins:
            parts.append(f"{plural(now.round_robins, 'round robin')} instead of {was.round_robins:,}")
        found += [Change(group="Changed", text=f"Layer {name}: {part}", about=(name,)) for part in parts]
    return sorted(found, key=lambda change: change.text)


def _controls_changed(before: Facts, after: Facts) -> list[Change]:
    old = {control.name: control for control in before.controls}
    new = {control.name: control for control in after.controls}
    found = _come_and_gone("Control", list(old), list(new), {name: c.effect for name, c in new.items()})
    for name in new.keys() & old.keys():
        was, now = old[name], new[name]
        parts = []
        if (was.low, was.high) != (now.low, now.high):
            parts.append(f"from {now.low:g} to {now.high:g} instead of {was.low:g} to {was.high:g}")
        if was.rest != now.rest:
            parts.append(f"rests at {now.rest:g} instead of {was.rest:g}")
        if was.cc != now.cc:
            told = ["no MIDI controller" if cc is None else f"MIDI controller {cc}" for cc in (now.cc, was.cc)]
            parts.append(f"{told[0]} instead of {told[1]}")
        if was.kind != now.kind:
            parts.append(f"a {now.kind} instead of a {was.kind}")
        if was.effect and now.effect and was.effect != now.effect:
            parts.append(f"now {now.effect}")
        found += [Change(group="Changed", text=f"Control {name}: {part}", about=(name,)) for part in parts]
    return sorted(found, key=lambda change: change.text)


def _come_and_gone(what: str, old: list[str], new: list[str], says: dict[str, str] | None = None) -> list[Change]:
    effects = says or {}
    return [
        *(
            Change(
                group="Added",
                text=f"{what} {name} added" + (f": {effects[name]}" if effects.get(name) else ""),
                about=(name,),
            )
            for name in new
            if name not in old
        ),
        *(Change(group="Removed", text=f"{what} {name} removed", about=(name,)) for name in old if name not in new),
    ]
