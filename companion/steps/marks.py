"""Fingerprints of what each step judges, worked out from the inventory alone: no file is read for them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from typing import Any

import msgspec

from companion.core.entries import Entry, Kind
from companion.core.evidence import fingerprint
from companion.core.facts import FACTS_FILE, Facts

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


def _plain(value: Any) -> Any:
    return msgspec.to_builtins(value)


def step_marks(found: Marks, facts: Facts) -> dict[str, str]:
    """Return the fingerprint of each step but ``words``.

    What a person judged by hand is bound to what they judged and no more: trials to patches, scripts, impulse
    responses and the controls as stated (samples are the Sound step's), away tests to everything that plays. A new
    readme makes neither stale.
    """
    contents = _plain(facts.contents)
    return {
        "facts": fingerprint([("ships", found.ships)], _stated(facts)),
        "contents": fingerprint(
            [("everything", found.everything)], {"contents": contents, "title": facts.instrument.title}
        ),
        "paths": fingerprint([("ships", found.ships)], contents),
        "sound": fingerprint(
            [("audible", found.audible)],
            {"naming": _plain(facts.naming), "layers": _plain(facts.layers), "limits": _plain(facts.limits)},
        ),
        "controls": fingerprint([("behaviour", found.behaviour)], {"controls": _plain(facts.controls)}),
        "away": fingerprint([("playable", found.playable)]),
        "needs": fingerprint([("playable", found.playable)], {"engine": _plain(facts.engine)}),
        "archive": archive_mark(found, facts),
        "out": archive_mark(found, facts),
    }


def _stated(facts: Facts) -> dict[str, Any]:
    return {key: value for key, value in _plain(facts).items() if key != "waivers"}


def words_mark(found: Marks, facts: Facts, told: str) -> str:
    """Return the fingerprint of the Words step.

    told: a digest of what the words rest on besides files and facts: answers, away tests, findings, releases.
    """
    return fingerprint([("documents", found.documents), ("playable", found.playable), ("told", told)], _stated(facts))


def archive_mark(found: Marks, facts: Facts) -> str:
    """Return the fingerprint of an archive: what ships, and what the archive and its folder are called."""
    instrument = facts.instrument
    return fingerprint(
        [("ships", found.ships), ("title", instrument.title), ("version", instrument.version)],
        {"upload": facts.limits.upload_bytes},
    )
