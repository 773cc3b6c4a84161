"""Which picture a finding opens, and which there are of a file. Imports nothing heavy."""

from __future__ import annotations

from typing import Final

import msgspec

from companion.core.entries import Kind as FileKind
from companion.core.findings import Finding
from companion.drawing.shapes import Kind

_RULES: Final[dict[Kind, tuple[str, ...]]] = {
    "waveform": (
        *("clipped", "impulse-clipped", "click-inside", "starts-hot", "ends-hot", "late-onset", "impulse-late"),
        *("tail-wasteful", "dc-offset", "peak-over", "silent", "channel-dead", "not-finite", "polarity-inverted"),
        *("mono-as-stereo", "duplicate", "takes-same", "loop-invalid", "file-truncated", "depth-padded"),
    ),
    "seam": ("loop-seam",),
    "pitch": ("wrong-root", "off-pitch"),
    "map": ("note-gap", "range-overlap", "note-unread", "names-open", "names-disagree"),
    "levels": ("level-step", "dynamics-inverted", "layer-uneven"),
    "noise": ("noise-builds-up",),
    "decay": ("impulse-cut",),
    "spectrum": ("hum", "band-empty"),
    "weight": (
        *("sample-unused", "stray-unasked", "stray-working-file", "stray-system-file", "nested-archive"),
        *("size-over-limit", "media-too-large", "reference-excluded"),
    ),
    "bounce": (
        *("bounce-other", "bounce-clipped", "bounce-offset", "bounce-click"),
        *("note-silent", "note-off-pitch", "note-stuck"),
        *("note-level-step", "velocity-inverted", "note-late", "note-short", "note-aside"),
        *("take-repeats", "voices-lost", "voices-hiss"),
        *("control-no-effect", "control-wrong-effect", "control-not-steady", "control-clicks", "control-jumps"),
        *("control-unreturned", "order-matters", "pair-silences", "layer-alone-drops"),
    ),
    "bytes": (
        *("path-absolute", "path-home", "path-climbs", "path-backslash", "reference-missing", "reference-case"),
        *("reference-normalisation", "script-encoding", "patch-unsure"),
    ),
}
KIND_OF: Final[dict[str, Kind]] = {rule: kind for kind, rules in _RULES.items() for rule in rules}
"""The picture of each rule that has one."""

_WHOLE: Final[tuple[Kind, ...]] = ("map", "pitch", "levels", "noise", "weight", "history")
_OF_FILE: Final[dict[FileKind, tuple[Kind, ...]]] = {
    FileKind.SAMPLE: ("waveform", "seam", "pitch", "spectrum"),
    FileKind.IMPULSE: ("waveform", "decay", "spectrum"),
}


class Sight(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be drawn: a finding, or a file, or neither for the whole. kind: which picture; empty: its first.

    start, end: the frames or bytes in view; both 0 for what suits. columns: stretches that are told apart at most.
    """

    finding: Finding | None = None
    path: str = ""
    kind: Kind | None = None
    start: int = 0
    end: int = 0
    columns: int = 400

    @property
    def place(self) -> str:
        """The file it is of; empty for the whole."""
        return self.finding.path if self.finding and not self.path else self.path


def has_picture(finding: Finding) -> bool:
    """Tell whether a finding opens a picture: its rule has one, and the finding says of what."""
    kind = KIND_OF.get(finding.rule)
    if kind in ("waveform", "seam", "decay", "spectrum"):
        return bool(finding.path)
    if kind == "bytes":
        return bool(finding.path) and finding.at.byte is not None
    return kind is not None


def kinds_of(file: FileKind | None, finding: Finding | None = None) -> tuple[Kind, ...]:
    """Return the pictures there are of a file of that kind (None: of the whole), that of the finding first."""
    of_file = _WHOLE if file is None else _OF_FILE.get(file, ("bytes",))
    if file is FileKind.SAMPLE:
        of_file = (*of_file, "map", "levels")
    first = KIND_OF.get(finding.rule) if finding else None
    return (first, *(kind for kind in of_file if kind != first)) if first else of_file
