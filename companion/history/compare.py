"""What differs between two states of the folder, by content."""

import difflib
import os
import stat
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from companion.core.regular import buffered
from companion.core.text import visible_lines
from companion.history.model import Comparison, KeptFile
from companion.history.names import is_within

MOST_TEXT: Final = 1 << 20
NO_TEXT: Final = b"\0"


LeftOut = Sequence[tuple[str, str]]
"""Path and reason of what a state does not hold though it was there."""


def difference(
    before: Mapping[str, KeptFile],
    after: Mapping[str, KeptFile],
    a: int = 0,
    b: int | None = None,
    left_out: tuple[LeftOut, LeftOut] = ((), ()),
) -> Comparison:
    """Return what differs between two states, of snapshots ``a`` and ``b``; without texts.

    A file is renamed when the same content left one path for another. What either state left out (before, after) is
    neither added nor removed: it could not be looked at.
    """
    hidden = tuple(tuple("" if path == "." else path for path, _ in side) for side in left_out)
    gone = sorted(path for path in before if path not in after)
    come = sorted(path for path in after if path not in before)
    unread_now = [path for path in gone if hidden[1] and is_within(path, hidden[1])]
    unread_then = [path for path in come if hidden[0] and is_within(path, hidden[0])]
    gone = [path for path in gone if path not in set(unread_now)]
    come = [path for path in come if path not in set(unread_then)]
    unread = [
        *_told(left_out[1], unread_now, ""),
        *_told(left_out[0], unread_then, f"not in snapshot {a}: "),
        *((path, reason) for path, reason in left_out[1] if path not in (*hidden[0], ".") and path not in before),
    ]
    changed = sorted(
        path
        for path, one in after.items()
        if path in before and (one.blob, one.mode) != (before[path].blob, before[path].mode)
    )
    renamed = _renamed(gone, come, before, after)
    left, arrived = {old for old, _ in renamed}, {new for _, new in renamed}
    sizes = {
        path: (before[path].size if path in before else None, after[path].size if path in after else None)
        for path in (*gone, *come, *changed)
    }
    return Comparison(
        a=a,
        b=b,
        added=tuple(path for path in come if path not in arrived),
        removed=tuple(path for path in gone if path not in left),
        changed=tuple(changed),
        renamed=renamed,
        sizes=sizes,
        unread=tuple(sorted(set(unread))),
    )


def _told(left_out: LeftOut, paths: Sequence[str], where: str) -> list[tuple[str, str]]:
    """Return each path with the reason why it, or a folder above it, was left out."""
    reasons = [("" if path == "." else path, reason) for path, reason in left_out]
    return [(path, where + next(reason for above, reason in reasons if is_within(path, (above,)))) for path in paths]


def _renamed(
    gone: list[str], come: list[str], before: Mapping[str, KeptFile], after: Mapping[str, KeptFile]
) -> tuple[tuple[str, str], ...]:
    """Pair equal contents; of several, one with the same file name first. Empty files are never paired."""
    by_blob: dict[str, list[str]] = defaultdict(list)
    for path in gone:
        if before[path].size:
            by_blob[before[path].blob].append(path)
    pairs: list[tuple[str, str]] = []
    left: list[str] = []
    for path in come:
        name = path.rpartition("/")[2]
        same_name = [old for old in by_blob.get(after[path].blob, ()) if old.rpartition("/")[2] == name]
        if same_name:
            by_blob[after[path].blob].remove(same_name[0])
            pairs.append((same_name[0], path))
        else:
            left.append(path)
    pairs += [(by_blob[after[path].blob].pop(0), path) for path in left if by_blob.get(after[path].blob)]
    return tuple(sorted(pairs))


def content_of(path: Path) -> bytes:
    """Return what a file holds, or where a link points; never what lies there. Raises OSError."""
    status = os.lstat(path)
    if stat.S_ISLNK(status.st_mode):
        return os.fsencode(os.readlink(path))  # noqa: PTH115 -- as written, not as a path
    if not stat.S_ISREG(status.st_mode):
        return NO_TEXT
    with buffered(path) as stream:
        return stream.read(MOST_TEXT + 1)


def as_text(data: bytes) -> str | None:
    """Return a file's content as text, or None when it is not text, or is over 1 MiB."""
    if len(data) > MOST_TEXT:
        return None
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        return None
    return None if "\0" in text else text


def unified(path: str, before: bytes, after: bytes) -> str:
    """Return a unified diff made safe to show; empty when either side is not text."""
    old, new = as_text(before), as_text(after)
    if old is None or new is None:
        return ""
    lines = difflib.unified_diff(
        visible_lines(old).splitlines(), visible_lines(new).splitlines(), "before", "after", lineterm=""
    )
    return "\n".join(lines)
