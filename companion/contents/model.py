"""What the Contents and the Paths step judge, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

from companion.contents.pictures import Picture
from companion.contents.references import References
from companion.contents.scan import Scan
from companion.contents.scripts import ScriptText
from companion.contents.selection import Selection
from companion.core.entries import Entry
from companion.core.facts import Facts


class AudioProblem(msgspec.Struct, frozen=True, kw_only=True):
    """An audio file that does not read: ``text`` says how; ``promised`` and ``present`` are what its header tells of
    and what there is, as people read them (``12.0 s``)."""

    kind: Literal["unreadable", "truncated"]
    text: str = ""
    promised: str = ""
    present: str = ""


class ContentsModel(msgspec.Struct, frozen=True, kw_only=True):
    """All that the Contents rules look at. ``top``: the folder the archive unpacks to, counted into path lengths."""

    entries: tuple[Entry, ...]
    selection: Selection
    facts: Facts = Facts()
    references: References = References()
    scans: Mapping[str, Scan] = {}
    pictures: Mapping[str, Picture] = {}
    audio_problems: Mapping[str, AudioProblem] = {}
    top: str = ""


class PathsModel(msgspec.Struct, frozen=True, kw_only=True):
    """All that the Paths rules look at.

    metadata: (chunk or field, text) pairs of audio files by path; those of pictures come with ``pictures``.
    home: the maker's home folder, user: the maker's user name on this computer; both may be empty.
    """

    selection: Selection
    facts: Facts = Facts()
    references: References = References()
    scans: Mapping[str, Scan] = {}
    pictures: Mapping[str, Picture] = {}
    scripts: Mapping[str, ScriptText] = {}
    metadata: Mapping[str, tuple[tuple[str, str], ...]] = {}
    home: str = ""
    user: str = ""
