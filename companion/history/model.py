"""Snapshots and what is told about them, as plain values."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import msgspec

from companion.history.snapshot import Snapshot


class KeptFile(NamedTuple):
    """One file as a snapshot holds it: git's blob id (40 hex digits), size in bytes, mode (FILE, PROGRAM or LINK)."""

    blob: str
    size: int
    mode: int


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """What differs between snapshot ``a`` and snapshot ``b`` (None: the folder as it is now).

    changed: same path, other content or other mode. renamed: (old, new) with the same content. unread: path and reason
    of what is on one side only because the other could not look at it.
    sizes: bytes before and after (None: not there) for every path named above.
    facts_before, facts_after: the text of ``release.toml`` on either side, empty where there is none.
    text_diff(path): a unified diff of a changed text file; empty for one that is not text, or that is over 1 MiB.
    """

    a: int
    b: int | None
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    renamed: tuple[tuple[str, str], ...] = ()
    unread: tuple[tuple[str, str], ...] = ()
    sizes: dict[str, tuple[int | None, int | None]] = field(default_factory=dict)
    facts_before: str = ""
    facts_after: str = ""
    text_diff: Callable[[str], str] = field(default=lambda _path: "", repr=False, compare=False)


class Restored(msgspec.Struct, frozen=True, kw_only=True):
    """What a restore did. safety: the snapshot that holds what was there before (None when nothing of it was touched).

    written, removed: paths. unchanged: how many files were already as they should be.
    failed: path and reason for each file that stays as it was. edited: paths that stay as they are since somebody
    changed them after the restore was cut off that this one finished.
    """

    number: int
    safety: Snapshot | None = None
    written: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    unchanged: int = 0
    failed: tuple[tuple[str, str], ...] = ()
    edited: tuple[str, ...] = ()


class Damage(msgspec.Struct, frozen=True, kw_only=True):
    """One object that cannot be read back, and what it costs (no path: a folder, or a snapshot itself)."""

    id: str
    reason: str
    path: str = ""
    snapshots: tuple[int, ...] = ()


class Verified(msgspec.Struct, frozen=True, kw_only=True):
    """What reading the whole history back found. faults: what is wrong with the history's own files, a line each.

    mirror: it was a mirror that was read.
    """

    snapshots: int
    objects: int
    bytes: int
    damaged: tuple[Damage, ...] = ()
    faults: tuple[str, ...] = ()

    mirror: bool = False

    @property
    def do(self) -> str:
        """What helps, for people."""
        return "Mirror to it again from the folder." if self.mirror else "Take a new snapshot, and mirror it."

    @property
    def whole(self) -> bool:
        """Whether nothing at all is wrong."""
        return not self.damaged and not self.faults


class Size(msgspec.Struct, frozen=True, kw_only=True):
    """Bytes on disk: of the whole history, and of what each snapshot alone holds (what forgetting it would win)."""

    total: int
    alone: dict[int, int]


class Forgotten(msgspec.Struct, frozen=True, kw_only=True):
    """Which snapshots are gone, how many bytes that won, and why no more than that, if so."""

    numbers: tuple[int, ...]
    bytes_won: int
    remark: str = ""


class Mirrored(msgspec.Struct, frozen=True, kw_only=True):
    """A second copy of the history: where, how many snapshots it now holds, how many and how many bytes were new.

    repaired: objects that were damaged there and are whole again. broken: snapshots that are not whole there, since
    what they lack is damaged here too.
    """

    target: str
    snapshots: int
    new: int
    bytes: int
    caution: str = ""
    repaired: int = 0
    broken: tuple[int, ...] = ()


class Adopted(msgspec.Struct, frozen=True, kw_only=True):
    """What came back from a mirror: how many snapshots, and which of them are not whole.

    missing: how many objects are lost to them. problem: what was wrong with the mirror's own list, if anything.
    """

    snapshots: int
    broken: tuple[int, ...] = ()
    missing: int = 0
    problem: str = ""
