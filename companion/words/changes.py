"""What differs from the last release, in the words of someone who plays the instrument."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Final, TypeVar

import msgspec

from companion.core.entries import Kind
from companion.core.facts import Control, Facts, Layer
from companion.core.globs import globs
from companion.core.systems import system_name
from companion.core.text import listed, plural
from companion.core.versions import engine_version
from companion.words.renames import renamed as renamed_members
from companion.words.story import GROUPS, Change, Group, key_range

Member = TypeVar("Member", Layer, Control)
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
"""What a player is to know of. Working files, system files and nested archives are the maker's own affair."""

_VERBS: Final[dict[Group, re.Pattern[str]]] = {
    "Added": re.compile(r"\b(?:add(?:s|ed|ing)?|new)\b", re.IGNORECASE),
    "Changed": re.compile(r"\bchang(?:e|es|ed|ing)\b", re.IGNORECASE),
    "Deprecated": re.compile(r"\bdeprecat(?:e|es|ed|ing)\b", re.IGNORECASE),
    "Removed": re.compile(r"\b(?:remov(?:e|es|ed|ing)|drop(?:s|ped|ping)?)\b", re.IGNORECASE),
    "Fixed": re.compile(r"\b(?:fix(?:es|ed|ing)?|mend(?:s|ed|ing)?|repair(?:s|ed|ing)?)\b", re.IGNORECASE),
    "Security": re.compile(r"\bsecurity\b", re.IGNORECASE),
}


def changes_from(
    *,
    added: Files = (),
    removed: Files = (),
    changed: Files = (),
    renamed: Iterable[tuple[str, str, Kind]] = (),
    before: Facts | None = None,
    after: Facts,
    labels: Iterable[str] = (),
    called: Callable[[str], str] | None = None,
) -> tuple[Change, ...]:
    """Return what a player would want to know, in the order of Keep a Changelog.

    added, removed, changed: files that ship, as (path, kind). renamed: (old path, new path, kind), content unchanged.
    before: the facts of the last release; None: there was none, and nothing has changed. labels: of the
    snapshots since then; those that begin with what they did (“Fix …”, “Added …”) become lines, the rest are the
    maker's own notes. called: what a player knows a sample by, such as ``E3, soft``; empty where nothing does.
    """
    if before is None:
        return ()
    named = called or (lambda _: "")
    renamed = list(renamed)
    moved, was = [(new, kind) for _, new, kind in renamed], {new: old for old, new, _ in renamed}
    found = [
        *_of_files("Added", "added", added, after.layers, named),
        *_of_files("Changed", "changed", changed, after.layers, named),
        *_of_files("Changed", "renamed or moved", moved, after.layers, named, breaks=True, was=was),
        *_of_files("Removed", "removed", removed, before.layers, named, breaks=True),
        *facts_changed(before, after),
        *_left_behind(before, after),
        *_of_labels(labels),
    ]
    return tuple(sorted(dict.fromkeys(found), key=lambda change: GROUPS.index(change.group)))


_HELD_BY_SONGS: Final = frozenset({Kind.PATCH, Kind.SAMPLE, Kind.IMPULSE})


def _of_files(
    group: Group,
    verb: str,
    files: Files,
    layers: Sequence[Layer],
    called: Callable[[str], str],
    *,
    breaks: bool = False,
    was: Mapping[str, str] = MappingProxyType({}),
) -> list[Change]:
    by_kind: dict[Kind, list[str]] = {}
    for path, kind in files:
        if kind in _NOUNS:
            by_kind.setdefault(kind, []).append(path)
    found = []
    for kind in _NOUNS:
        if kind in by_kind:
            place = _namer(layers) if kind is Kind.SAMPLE else _folder
            line = _line(group, verb, kind, sorted(by_kind[kind]), place, called)
            if kind is Kind.PATCH and was and len(by_kind[kind]) <= _NAMED_ONE_BY_ONE:
                line = _with_old_names(line, was)
            found.append(msgspec.structs.replace(line, breaks=breaks and kind in _HELD_BY_SONGS))
    return found


def _line(
    group: Group,
    verb: str,
    kind: Kind,
    paths: list[str],
    place: Callable[[str], str],
    called: Callable[[str], str],
) -> Change:
    one, many = _NOUNS[kind]
    places = Counter(place(path) for path in paths)
    names = [path.rpartition("/")[2] for path in paths]
    told = [called(path) if kind is Kind.SAMPLE else "" for path in paths[:_NAMED_ONE_BY_ONE]]
    if len(paths) <= _NAMED_ONE_BY_ONE:
        shown = [note or name for note, name in zip(told, names, strict=True)]
        which = listed(shown) if not any(told) else "; ".join(shown)
    elif len(places) == 1:
        which = next(iter(places))
    else:
        which = listed([f"{count:,} in {name or 'the top folder'}" for name, count in places.items()], 6)
    text = f"{plural(len(paths), one, many)} {verb}"
    text = f"{text}: {which}" if which else text
    if kind is Kind.DOCUMENT:  # seen by opening it; nobody is held to write of it
        return Change(group=group, text=text, paths=tuple(paths))
    notes = (note.partition(",")[0] for note in told if note)
    about = (*(name for name in places if name), *names[:_NAMED_ONE_BY_ONE], *notes)
    return Change(group=group, text=text, paths=tuple(paths), about=tuple(dict.fromkeys(about)), noun=one)


def _with_old_names(line: Change, was: Mapping[str, str]) -> Change:
    """Return a line on patches with the name that each had before: a song asks for that one."""
    told, names = [], []
    for path in line.paths:
        old, new = (one.rpartition("/")[2] for one in (was[path], path))
        told.append(f"{was[path]} is now {path}" if old == new else f"{old} is now {new}")
        names.append(old)
    text = f"{line.text.partition(':')[0]}: {'; '.join(told)}"
    return msgspec.structs.replace(line, text=text, about=tuple(dict.fromkeys((*line.about, *names))))


def has_verb(text: str, group: Group) -> bool:
    """Return whether ``text`` holds a verb of ``group``, such as “removed”."""
    return bool(_VERBS[group].search(text))


def _folder(path: str) -> str:
    return path.rpartition("/")[0].rpartition("/")[2]


def _namer(layers: Sequence[Layer]) -> Callable[[str], str]:
    """Return what names the layer of a sample by the patterns of the facts, or else its folder."""
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
        group = next((group for group, verb in _VERBS.items() if verb.match(text)), None)
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
        changed(f"Made for {new.name} instead of {old.name}" if new.name else f"No longer made for {old.name}", host)
    if new.minimum and old.minimum and new.minimum != old.minimum:
        changed(f"Needs {host} {new.minimum} or newer instead of {old.minimum}", new.minimum)
    elif new.saved_with and old.saved_with and new.saved_with != old.saved_with:
        changed(f"Saved with {host} {new.saved_with} instead of {old.saved_with}", new.saved_with)
    if new.edition and old.edition and new.edition != old.edition:
        changed(f"Needs the {new.edition} edition of {host} instead of {old.edition}", new.edition)
    for name in (system_name(system) for system in old.systems if system not in new.systems):
        changed(f"No longer made with {name} in mind", name, group="Removed")
    if after.instrument.licence and before.instrument.licence not in ("", after.instrument.licence):
        changed(
            f"Licence {after.instrument.licence} instead of {before.instrument.licence}",
            after.instrument.licence,
            "licence",
            "license",
        )
    middle_c = after.naming.middle_c
    return [
        *found,
        *_members_changed("Layer", before.layers, after.layers, lambda layer: _layer_aspects(layer, middle_c)),
        *_members_changed("Control", before.controls, after.controls, _control_aspects),
    ]


def _left_behind(before: Facts, after: Facts) -> list[Change]:
    """Return what whoever cannot follow a raised minimum keeps: the release before, which was promised for theirs."""
    old, new = engine_version(before.engine.minimum), engine_version(after.engine.minimum)
    same_host = before.engine.name == after.engine.name
    if old is None or new is None or old >= new or not same_host or not before.instrument.version:
        return []
    host = after.engine.name or "the engine"
    needs = f"{before.instrument.version}, which needs {before.engine.minimum}"
    text = f"Where {host} is older than {after.engine.minimum}, stay with {needs}"
    return [Change(group="Changed", text=text)]


Aspects = list[tuple[str, str]]
"""What a player meets of a layer or control, each with a sentence that ``{}`` stands for it in."""


def _layer_aspects(layer: Layer, middle_c: str) -> Aspects:
    return [
        (key_range(layer, middle_c), "{}"),
        (f"{layer.low_velocity} to {layer.high_velocity}", "velocities {}"),
        (f"{layer.round_robins:,}", "{} round robin" if layer.round_robins == 1 else "{} round robins"),
    ]


_ANSWERS_TO: Final = "answers to {}"


def _control_aspects(control: Control) -> Aspects:
    return [
        (f"{control.low:g} to {control.high:g}", "from {}"),
        (f"{control.rest:g}", "rests at {}"),
        ("no MIDI controller" if control.cc is None else f"MIDI controller {control.cc}", _ANSWERS_TO),
        (f"a {control.kind}", "{}"),
    ]


def _breaking(was: Layer | Control | None, now: Layer | Control) -> frozenset[str]:
    """Return the sentences of the aspects in which a song would miss something: fewer keys, another controller."""
    if isinstance(was, Layer) and isinstance(now, Layer):
        return frozenset({"{}"} if now.low_key > was.low_key or now.high_key < was.high_key else ())
    if isinstance(was, Control) and isinstance(now, Control):
        return frozenset({_ANSWERS_TO} if was.cc is not None and was.cc != now.cc else ())
    return frozenset()


def _members_changed(
    noun: str, before: Sequence[Member], after: Sequence[Member], aspects: Callable[[Member], Aspects]
) -> list[Change]:
    """Return which layers or controls came, went and changed, by their names."""
    called = renamed_members(before, after)
    old, new = {called.get(one.name, one.name): one for one in before}, {one.name: one for one in after}
    found: list[Change] = [
        Change(group="Removed", text=f"{noun} {name} removed", about=(name,), breaks=True)
        for name in old
        if name not in new
    ]
    found += [
        Change(group="Changed", text=f"{noun} {was} is now called {now}", about=(was, now), breaks=noun == "Control")
        for was, now in called.items()
    ]
    for name, now in new.items():
        effect: str = getattr(now, "effect", "")
        was = old.get(name)
        breaking = _breaking(was, now)
        if was is None:
            text = f"{noun} {name} added" + (f": {effect}" if effect else "")
            found.append(Change(group="Added", text=text, about=(name,)))
            continue
        texts = [
            (f"{sentence.format(value)} instead of {earlier}", sentence in breaking)
            for (earlier, _), (value, sentence) in zip(aspects(was), aspects(now), strict=True)
            if value != earlier
        ]
        if effect and getattr(was, "effect", "") not in ("", effect):
            texts.append((f"now {effect}", False))
        found += [
            Change(group="Changed", text=f"{noun} {name}: {text}", about=(name,), breaks=breaks)
            for text, breaks in texts
        ]
    return sorted(found, key=lambda change: change.text)
