"""Which snapshots there are: one small file that is replaced as a whole, so every change is all or nothing.

Git reads it as its ``packed-refs``. It is written here and not by ``git update-ref``, under our own lock and synced,
for two reasons: taking, tagging and forgetting several snapshots each become one rename, and no child process can
outlive a killed parent and move a name behind the next owner's back, or leave a lock file that blocks it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely
from companion.history.store.snapshot_list import NAMES

FILE: Final = NAMES
LAST_NUMBER: Final = "last-number"
HEAD: Final = "refs/heads/latest"
_HEADER: Final = "# pack-refs with: peeled fully-peeled sorted \n"
_LINE: Final = re.compile(r"([0-9a-f]{40}) (refs/\S+)")
_SNAPSHOT: Final = re.compile(r"refs/snapshots/(\d{1,9})")
_RELEASE: Final = "refs/tags/release/"
_MOST: Final = 64 << 20


class Refs(msgspec.Struct, frozen=True):
    """Commit ids (40 hex digits) by snapshot number, and by released version."""

    snapshots: dict[int, str] = {}
    releases: dict[str, str] = {}

    def without(self, numbers: set[int]) -> Refs:
        """Return these without some snapshots, and without the releases that only those carried."""
        left = {number: commit for number, commit in self.snapshots.items() if number not in numbers}
        commits = set(left.values())
        return Refs(left, {version: commit for version, commit in self.releases.items() if commit in commits})

    def release_names(self) -> list[str]:
        """Return the full ref names of the releases."""
        return [_RELEASE + _escaped(version) for version in self.releases]

    def text(self) -> str:
        """Return the file's text."""
        lines = {f"refs/snapshots/{number:06d}": commit for number, commit in self.snapshots.items()}
        lines |= {_RELEASE + _escaped(version): commit for version, commit in self.releases.items()}
        if self.snapshots:
            lines[HEAD] = self.snapshots[max(self.snapshots)]
        return _HEADER + "".join(f"{commit} {name}\n" for name, commit in sorted(lines.items()))


def _escaped(version: str) -> str:
    """A version as a ref name: what git does not allow there (and ``%``) as ``%`` and two hex digits a byte."""
    text = re.sub(r"[^0-9A-Za-z.+_-]", lambda found: "".join(f"%{byte:02x}" for byte in found[0].encode()), version)
    text = re.sub(r"\.(?=\.|$|lock$)|^\.", "%2e", text)
    return text or "%"


def _unescaped(name: str) -> str:
    if name == "%":
        return ""
    data = re.sub(rb"%([0-9a-f]{2})", lambda found: bytes([int(found[1], 16)]), name.encode())
    return data.decode("utf-8", "replace")


def parse(text: str) -> Refs:
    """Return what a ``packed-refs`` file says; lines that are none of ours are passed over."""
    snapshots: dict[int, str] = {}
    releases: dict[str, str] = {}
    for line in text.splitlines():
        if not (match := _LINE.fullmatch(line.rstrip())):
            continue
        if snapshot := _SNAPSHOT.fullmatch(match[2]):
            snapshots[int(snapshot[1])] = match[1]
        elif match[2].startswith(_RELEASE):
            releases[_unescaped(match[2][len(_RELEASE) :])] = match[1]
    return Refs(snapshots, releases)


def holds_others(repository: Path) -> bool:
    """Tell whether a repository has names that are not ours: somebody works in it, and only git may add to it."""
    loose = any(path.is_file() for path in (repository / "refs").rglob("*"))
    if loose or (repository / "reftable").exists():
        return True
    if not (repository / FILE).exists():
        return False
    text = read_capped(repository / FILE, _MOST, "list of snapshots").decode("utf-8", "replace")
    names = (line.partition(" ")[2] for line in text.splitlines() if line.strip() and line[0] not in "#^")
    return not all(name == HEAD or _SNAPSHOT.fullmatch(name) or name.startswith(_RELEASE) for name in names)


def read(history: Path) -> Refs:
    """Return the refs of a history; empty ones where there is no history yet."""
    path = history / FILE
    if not path.exists():
        return Refs()
    return parse(read_capped(path, _MOST, "list of snapshots").decode("utf-8", "replace"))


def write(history: Path, refs: Refs) -> None:
    """Put ``refs`` in place of what was there. Raises :class:`CompanionError`; the old ones then stand."""
    write_safely(history / FILE, refs.text().encode(), ours=True)


def next_number(history: Path, snapshots: Mapping[int, str]) -> int:
    """Return the number of the next snapshot: over every one ever given, forgotten ones included."""
    try:
        last = int(read_capped(history / LAST_NUMBER, 64))
    except (CompanionError, ValueError):
        last = 0
    return max(last, max(snapshots, default=0)) + 1


def keep_last_number(history: Path, snapshots: Mapping[int, str]) -> None:
    """Note the highest number given so far, before the snapshot that carries it is forgotten."""
    write_safely(history / LAST_NUMBER, b"%d\n" % (next_number(history, snapshots) - 1), ours=True)
