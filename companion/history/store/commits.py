"""What a commit of ours says: the label for people, then one line of JSON with everything else."""

import contextlib
import json
from datetime import UTC, datetime
from typing import Annotated, Any, Final

import msgspec

from companion.core.text import visible
from companion.history.snapshot import Snapshot

_MOST_LABEL: Final = 300


def clean_label(label: str) -> str:
    """Return a label as one visible line of at most 300 characters."""
    return " ".join(visible(" ".join(label.split())).split())[:_MOST_LABEL]


def now() -> datetime:
    """The time a snapshot is marked with."""
    return datetime.now(UTC)


def message(snapshot: Snapshot) -> bytes:
    """Return the commit message of a snapshot. Names that are not UTF-8 survive as JSON escapes."""
    facts: dict[str, Any] = {
        "schema": 1,
        "number": snapshot.number,
        "at": snapshot.at,
        "kind": snapshot.kind,
        "files": snapshot.files,
        "bytes": snapshot.bytes,
        "label": snapshot.label,
    }
    for name in ("changed_while_read", "left_out", "empty_folders"):
        if value := getattr(snapshot, name):
            facts[name] = value
    title = snapshot.label or f"snapshot {snapshot.number}"
    return f"{title}\n\n{json.dumps(facts, ensure_ascii=True)}\n".encode()


class _Facts(msgspec.Struct):
    """The line of JSON. Whoever writes such a line by hand may leave out or misspell anything."""

    number: Annotated[int, msgspec.Meta(ge=1, lt=10**9)] | None = None
    label: str | None = None
    at: str = ""
    kind: str = "asked"
    files: int = 0
    bytes: int = 0
    changed_while_read: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    empty_folders: tuple[str, ...] = ()


_TYPES: Final = {field.name: field.type for field in msgspec.structs.fields(_Facts)}


def _read(line: str) -> _Facts:
    """Return what of a line is of the right kind, field by field."""
    try:
        facts = json.loads(line)  # a name that is not UTF-8 is an escape that only the standard reader takes
    except (ValueError, RecursionError):
        return _Facts()
    found = _Facts()
    for name, value in facts.items() if isinstance(facts, dict) else ():
        if name in _TYPES:
            with contextlib.suppress(msgspec.ValidationError):
                setattr(found, name, msgspec.convert(value, _TYPES[name]))
    return found


def _facts(text: str) -> _Facts:
    return _read(text.partition("\n\n")[2].strip().rpartition("\n")[2])


def number_of(text: str) -> int:
    """Return the number that a commit message says its snapshot has; 0 for a commit that is none of ours."""
    return _facts(text).number or 0


def snapshot_of(number: int, commit: str, tree: str, text: str, version: str) -> Snapshot:
    """Return the snapshot a commit message describes; what is missing or not ours is left empty, never raised."""
    title, facts = text.partition("\n\n")[0], _facts(text)
    return Snapshot(
        number=number,
        id=commit,
        tree=tree,
        label=clean_label(title.strip() if facts.label is None else facts.label),
        at=visible(facts.at),
        kind=visible(facts.kind),
        files=facts.files,
        bytes=facts.bytes,
        version=version,
        changed_while_read=facts.changed_while_read,
        left_out=facts.left_out,
        empty_folders=facts.empty_folders,
    )


def split_commit(data: bytes) -> tuple[str, str]:
    """Return tree id and message of a commit object. Raises ValueError where it is none."""
    head, _, body = data.partition(b"\n\n")
    if not head.startswith(b"tree ") or len(head) < 45:
        raise ValueError("not a commit")
    return head[5:45].decode("ascii"), body.decode("utf-8", "replace")
