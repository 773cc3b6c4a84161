"""What a commit of ours says: the label for people, then one line of JSON with everything else."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any, Final

from companion.core.text import visible
from companion.history.model import Snapshot

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


def _paths(value: object) -> tuple[str, ...]:
    return tuple(str(item) for item in value) if isinstance(value, list) else ()


def _pairs(value: object) -> tuple[tuple[str, str], ...]:
    rows = value if isinstance(value, list) else []
    return tuple((str(row[0]), str(row[1])) for row in rows if isinstance(row, list) and len(row) == 2)


def _whole(value: object) -> int:
    return value if isinstance(value, int) else 0


def snapshot_of(number: int, commit: str, tree: str, text: str, version: str) -> Snapshot:
    """Return the snapshot a commit message describes; what is missing or not ours is left empty, never raised."""
    title, _, body = text.partition("\n\n")
    try:
        facts = json.loads(body.strip().rpartition("\n")[2] or "{}")
    except (ValueError, RecursionError):
        facts = {}
    facts = facts if isinstance(facts, dict) else {}
    return Snapshot(
        number=number,
        id=commit,
        tree=tree,
        label=clean_label(str(facts.get("label", title.strip()))),
        at=visible(str(facts.get("at", ""))),
        kind=visible(str(facts.get("kind", "asked"))),
        files=_whole(facts.get("files")),
        bytes=_whole(facts.get("bytes")),
        version=version,
        changed_while_read=_paths(facts.get("changed_while_read")),
        left_out=_pairs(facts.get("left_out")),
        empty_folders=_paths(facts.get("empty_folders")),
    )


def split_commit(data: bytes) -> tuple[str, str]:
    """Return tree id and message of a commit object. Raises ValueError where it is none."""
    head, _, body = data.partition(b"\n\n")
    if not head.startswith(b"tree ") or len(head) < 45:
        raise ValueError("not a commit")
    return head[5:45].decode("ascii"), body.decode("utf-8", "replace")
