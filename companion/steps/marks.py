"""Fingerprints of groups of files, worked out from the inventory alone: no file is read for them."""

import hashlib
from collections.abc import Iterable, Mapping
from typing import Final

import msgspec

from companion.core.entries import Entry, Kind
from companion.core.facts import FACTS_FILE

_BEHAVIOUR: Final = frozenset({Kind.PATCH, Kind.SCRIPT, Kind.IMPULSE})
_RUN: Final = frozenset({Kind.PATCH, Kind.SCRIPT})


class Reach(msgspec.Struct, frozen=True, kw_only=True):
    """What a patch may open of the files that ship.

    named: the files that patches and scripts name; None where that cannot be told, so that they may open any.
    forms: of each sound its format in a few words, without a sample of it. shown: files that are there to be looked at
    or listened to outside the instrument, such as a cover or a demo, unless a patch names them.
    """

    named: frozenset[str] | None = None
    forms: Mapping[str, str] = {}
    shown: frozenset[str] = frozenset()

    def opens(self, entry: Entry) -> bool:
        """Tell whether a patch opens this file, or may."""
        return entry.kind in _RUN or self.named is None or entry.path in self.named

    def only_there(self, entry: Entry) -> bool:
        """Tell whether it matters of this file that it is there, and nothing of what it holds."""
        return entry.kind is Kind.PICTURE or (entry.path in self.shown and self.named is None)


ANYTHING: Final = Reach()
"""The reach of a patch of which nothing could be told."""


class Marks(msgspec.Struct, frozen=True, kw_only=True):
    """SHA-256 over paths and contents of groups of files.

    everything: the whole folder, but not what the facts say: each step takes in those it rests on. ships: what would
    ship. playable: of that, what decides how it plays and looks. opening: of that, what decides whether a patch opens
    and finds all it opens: of sounds their names and formats, of pictures their names. sounding: what decides how it
    sounds, to the last sample. audible: samples and impulse responses. behaviour: patches, scripts and impulse
    responses. documents: the texts.
    """

    everything: str
    ships: str
    playable: str
    opening: str
    sounding: str
    audible: str
    behaviour: str
    documents: str


def _digest(fields: Iterable[str]) -> str:
    # No name and no link holds a NUL, so fields cannot be joined in two ways; a name may well hold a line feed.
    return hashlib.sha256("\0".join(fields).encode("utf-8", "surrogatepass")).hexdigest()


def _fields(entry: Entry) -> str:
    content = f"link {entry.link}" if entry.link is not None else entry.sha256 or f"? {entry.problem}"
    return f"{entry.path}\0{content}"


def mark_of(entries: Iterable[Entry]) -> str:
    """Return the mark of a list of files, in the order given; of the facts only that they are there counts."""
    return _digest(FACTS_FILE if entry.path == FACTS_FILE else _fields(entry) for entry in entries)


def marks(everything: str, ships: Iterable[Entry], reach: Reach = ANYTHING) -> Marks:
    """Return the marks of a folder. ``everything``: :func:`mark_of` all its files; ``ships``: those that would ship."""
    kinds: dict[Kind, list[str]] = {kind: [] for kind in Kind}
    played, whole, opening, sounding = [], [], [], []
    for entry in ships:
        fields = _fields(entry)
        whole.append(fields)
        kinds[entry.kind].append(fields)
        if entry.kind.played:
            played.append(fields)
            if reach.opens(entry):
                opening.append(_opened(entry, reach))
                if entry.kind is not Kind.PICTURE:
                    sounding.append(entry.path if reach.only_there(entry) else fields)
    return Marks(
        everything=everything,
        ships=_digest(whole),
        playable=_digest(played),
        opening=_digest(opening),
        sounding=_digest(sounding),
        # Impulse responses are judged by rules of their own: which of the two a file is counts as well.
        audible=_digest([*kinds[Kind.SAMPLE], "impulses", *kinds[Kind.IMPULSE]]),
        behaviour=_digest(fields for kind in sorted(_BEHAVIOUR) for fields in kinds[kind]),
        documents=_digest(kinds[Kind.DOCUMENT]),
    )


def _opened(entry: Entry, reach: Reach) -> str:
    if entry.link is not None or entry.problem or not (entry.kind.audible or reach.only_there(entry)):
        return _fields(entry)
    return f"{entry.path}\0{reach.forms.get(entry.path, '')}"
