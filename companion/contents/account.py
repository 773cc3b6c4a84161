"""Why each file ships: what the patch or a fact accounts for, and what nobody does, which is asked about.

What accounts for a file is :data:`GROUNDS`, here and nowhere else. A file named only by one that nothing accounts for
is not accounted for either: a host project that names a picture explains neither.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Final

import msgspec

from companion.contents.groups import AskedGroup, grouped
from companion.contents.kinds import LICENCE, suffix_of
from companion.contents.references import References
from companion.contents.selection import Selection
from companion.core.entries import Entry, Kind
from companion.core.facts import Facts
from companion.core.globs import Globs, folded, globs
from companion.core.text import visible


class Account(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of the files that would ship. why: the reason of each that has one, by path. asked: the others."""

    why: Mapping[str, str] = {}
    asked: tuple[AskedGroup, ...] = ()

    @property
    def asked_paths(self) -> frozenset[str]:
        """The paths that are asked about."""
        return frozenset(path for group in self.asked for path in group.paths)


def is_catch_all(pattern: str) -> bool:
    """Tell whether a pattern such as ``**`` takes in whatever there is: it answers nothing about any one file."""
    return not re.search(r"[^*/\\.]", pattern)


def chosen(patterns: Iterable[str]) -> tuple[str, ...]:
    """Return the patterns of ``include`` by which a maker said of something that it ships."""
    return tuple(pattern for pattern in patterns if not is_catch_all(pattern))


class _Stated(msgspec.Struct, frozen=True):
    """What the grounds look at. named: why by path, of what facts outside of ``contents`` and ``layers`` name."""

    facts: Facts
    named: Mapping[str, str]


Ground = Callable[[_Stated], Callable[[Entry, str], str]]
"""Prepares what tells of an entry and its folded path why it ships, or an empty string."""


def _first(patterns: Iterable[str]) -> Callable[[str], str]:
    """Return what gives the first pattern that covers a folded path, as people read it."""
    each = [(pattern, globs((pattern,))) for pattern in patterns]
    together = Globs(pattern for pattern, _ in each)

    def first(key: str) -> str:
        if not each or not together.matches_key(key):
            return ""
        return next((f"“{visible(pattern)}”" for pattern, one in each if one.matches_key(key)), "")

    return first


A_PATCH: Final = "a patch that players open"


def _a_patch(known: _Stated) -> Callable[[Entry, str], str]:
    return lambda entry, key: A_PATCH if entry.kind is Kind.PATCH else ""


_LISTS: Final = {
    Kind.SAMPLE: "samples",
    Kind.IMPULSE: "impulses",
    Kind.SCRIPT: "scripts",
    Kind.DOCUMENT: "documents",
}


def _in_a_list(known: _Stated) -> Callable[[Entry, str], str]:
    """By the list of ``contents`` that is for its kind; ``Samples/**`` accounts for no note that lies there."""
    lists = {kind: (name, _first(getattr(known.facts.contents, name))) for kind, name in _LISTS.items()}

    def why(entry: Entry, key: str) -> str:
        name, first = lists.get(entry.kind, ("", None))
        found = first(key) if first else ""
        return f"contents.{name} of the facts: {found}" if found else ""

    return why


def _in_a_layer(known: _Stated) -> Callable[[Entry, str], str]:
    layers = [(layer.name, globs(layer.files)) for layer in known.facts.layers if layer.files]

    def why(entry: Entry, key: str) -> str:
        if entry.kind is not Kind.SAMPLE:
            return ""
        return next((f"layer “{visible(name)}” of the facts" for name, one in layers if one.matches_key(key)), "")

    return why


def _named(known: _Stated) -> Callable[[Entry, str], str]:
    return lambda entry, key: known.named.get(entry.path, "")


def _let_ship(known: _Stated) -> Callable[[Entry, str], str]:
    """By ``include``: a name, or a folder, and then whatever comes into it later as well."""
    first = _first(chosen(known.facts.contents.include))

    def why(entry: Entry, key: str) -> str:
        found = first(key)
        later = ", and what comes there later" if "*" in found else ""
        return f"you let it ship: {found}{later}" if found else ""

    return why


_LANGUAGE: Final = r"(?:[._-][a-z]{2}(?:[_-][a-z]{2,4})?)?"
_README: Final = "read[ _-]?me(?:[ _-]first)?|lies[ _-]?mich|lees[ _-]?mij|lisez[ _-]?moi|leggimi"
_OUR_TEXTS: Final = re.compile(rf"(?:{_README}|changelog|install|authors|notice|credits){_LANGUAGE}")
_LICENCE: Final = re.compile(rf"(?:{LICENCE.pattern})(?:{_LANGUAGE}|[._-][a-z0-9.+-]+)")


def _our_text(known: _Stated) -> Callable[[Entry, str], str]:
    """Readme, changelog, credits and install notes at the top; a licence anywhere, beside what it is for."""

    def why(entry: Entry, key: str) -> str:
        if entry.kind is not Kind.DOCUMENT:
            return ""
        folder, _, name = key.rpartition("/")
        suffix = suffix_of(key)
        stem = name[: -len(suffix) - 1] if suffix else name
        if _LICENCE.fullmatch(stem) or folder.rpartition("/")[2] in ("licenses", "licences"):
            return "a licence"
        return "a text that goes with every release" if not folder and _OUR_TEXTS.fullmatch(stem) else ""

    return why


GROUNDS: Final[tuple[Ground, ...]] = (_a_patch, _in_a_list, _in_a_layer, _named, _let_ship, _our_text)
"""What accounts for a file, in the order it is told. After these: that a file accounted for names it."""


def account_for(
    selection: Selection, references: References, facts: Facts, named: Mapping[str, str] | None = None
) -> Account:
    """Return why each file of ``selection`` ships, and in groups what neither the patch nor a fact accounts for.

    named: why by path, of files that other facts name (a licence file, a zone list, the pattern of the file names).
    """
    known = _Stated(facts, named or {})
    grounds = [ground(known) for ground in GROUNDS]
    why: dict[str, str] = {}
    for entry in selection.ships:
        key = folded(entry.path)
        if reason := next((said for ground in grounds if (said := ground(entry, key))), ""):
            why[entry.path] = reason
    ships = selection.paths
    for path, source in references.reached(why).items():
        if path in ships and why.get(path) != A_PATCH:
            why[path] = f"“{visible(source)}” names it"  # what plays it says more than a list it stands in
    left = [entry for entry in selection.ships if entry.path not in why]
    return Account(why=why, asked=grouped(left, why))
