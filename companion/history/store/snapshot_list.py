"""The list of snapshots, remembered beside them: a commit never changes, so what it says is read once.

The file is worth nothing in itself. It holds the very ``packed-refs`` it was made from and a checksum over all of it;
where either does not fit what is there, the commits are read again. It is never synced, for the same reason.
Whoever lists snapshots waits mostly for imports, so what is rarely needed is imported where it is needed.
"""

import os
from collections.abc import Sequence
from pathlib import Path
from zlib import crc32

from companion.core.regular import opened
from companion.core.text import has_invisible
from companion.history.snapshot import Snapshot

FILE = "listing"
NAMES = "packed-refs"
"""Git's file of all refs, which :mod:`companion.history.store.refs` writes."""

_MARK = b"listing 1 "
_MOST = 64 << 20


def remembered(history: Path) -> list[Snapshot] | None:
    """Return all snapshots, newest first, or None where the list must be made from the commits."""
    named, rows = kept(history)
    return rows if named and named == names(history) else None


def kept(history: Path) -> tuple[bytes, list[Snapshot]]:
    """Return the refs as they were when the list was written, and the list; nothing of either unless it is whole."""
    head, _, body = _read(history / FILE).partition(b"\n")
    try:
        mark, length = head[: len(_MARK)], int(head[len(_MARK) + 9 :])
        if mark != _MARK or head[len(_MARK) : len(_MARK) + 8] != b"%08x" % crc32(body):
            return b"", []
        return body[:length], _rows(body[length:].decode())
    except (ValueError, TypeError, RecursionError):  # no list that we wrote
        return b"", []


def names(history: Path) -> bytes:
    """Return git's file of all refs as it lies there; nothing where there is none."""
    return _read(history / NAMES)


def remember(history: Path, named: bytes, rows: Sequence[Snapshot]) -> None:
    """Keep the list for the next look. A disk that refuses costs that look some milliseconds and nothing else."""
    from companion.core.errors import CompanionError
    from companion.core.files import fresh_part
    from companion.history.store.place import hold

    body = named + "".join(map(_line, rows)).encode()
    part = fresh_part(FILE)
    try:
        with hold(history) as place:
            try:
                with os.fdopen(place.new(part), "wb") as stream:
                    stream.write(b"%s%08x %d\n%s" % (_MARK, crc32(body), len(named), body))
                place.move(part, FILE)
            finally:
                place.remove(part)
    except (OSError, CompanionError):
        return


def _line(row: Snapshot) -> str:
    """Return a snapshot as nine fields. Label, time and kind hold no tab and no line feed: they were made visible."""
    import json

    plain = row.number, row.id, row.tree, row.label, row.at, row.kind, row.files, row.bytes
    rare = row.version, row.changed_while_read, row.left_out, row.empty_folders
    return "\t".join([*map(str, plain), json.dumps(rare) if any(rare) else ""]) + "\n"


def _rows(text: str) -> list[Snapshot]:
    """Return the snapshots of the lines. Raises ValueError or TypeError where they are none that we wrote."""
    if not text:
        return []
    lines = [line.split("\t") for line in text.removesuffix("\n").split("\n")]
    numbers, ids, trees, labels, times, kinds, files, sizes, rare = zip(*lines, strict=True)
    if {*map(len, ids + trees)} != {40} or "".join(ids + trees).strip("0123456789abcdef"):
        raise ValueError("no ids")
    if has_invisible("".join(labels + times + kinds)):
        raise ValueError("no text of ours")
    counts = map(int, numbers), map(int, files), map(int, sizes)
    rows = list(map(Snapshot, counts[0], ids, trees, labels, times, kinds, counts[1], counts[2]))
    return [_with_rare(row, text) if text else row for row, text in zip(rows, rare, strict=True)]


def _with_rare(row: Snapshot, text: str) -> Snapshot:
    import json

    version, changing, left_out, empty = json.loads(text)
    return row.but(
        version=_text(version),
        changed_while_read=tuple(map(_text, changing)),
        left_out=tuple((_text(path), _text(reason)) for path, reason in left_out),
        empty_folders=tuple(map(_text, empty)),
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("no text")
    return value


def _read(path: Path) -> bytes:
    """Return a file's content; nothing where there is none, or one that no program of ours would have written."""
    try:
        with opened(path) as stream:
            return stream.readall() if os.fstat(stream.fileno()).st_size <= _MOST else b""
    except OSError:
        return b""
