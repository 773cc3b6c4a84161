"""Fingerprints of groups of files, worked out from the inventory alone: no file is read for them."""

import hashlib
from collections.abc import Iterable

import msgspec

from companion.core.entries import Entry, Kind
from companion.core.facts import FACTS_FILE

_BEHAVIOUR = frozenset({Kind.PATCH, Kind.SCRIPT, Kind.IMPULSE})


class Marks(msgspec.Struct, frozen=True, kw_only=True):
    """SHA-256 over paths and contents of groups of files.

    everything: the whole folder, but not what the facts say: each step takes in those it rests on. ships: what would
    ship. playable: of that, what decides how it plays and looks. audible: samples and impulse responses. behaviour:
    patches, scripts and impulse responses. documents: the texts.
    """

    everything: str
    ships: str
    playable: str
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


def marks(everything: str, ships: Iterable[Entry]) -> Marks:
    """Return the marks of a folder. ``everything``: :func:`mark_of` all its files; ``ships``: those that would ship."""
    kinds: dict[Kind, list[str]] = {kind: [] for kind in Kind}
    played, whole = [], []
    for entry in ships:
        fields = _fields(entry)
        whole.append(fields)
        kinds[entry.kind].append(fields)
        if entry.kind.played:
            played.append(fields)
    return Marks(
        everything=everything,
        ships=_digest(whole),
        playable=_digest(played),
        # Impulse responses are judged by rules of their own: which of the two a file is counts as well.
        audible=_digest([*kinds[Kind.SAMPLE], "impulses", *kinds[Kind.IMPULSE]]),
        behaviour=_digest(fields for kind in sorted(_BEHAVIOUR) for fields in kinds[kind]),
        documents=_digest(kinds[Kind.DOCUMENT]),
    )
