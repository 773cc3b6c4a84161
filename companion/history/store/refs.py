"""Which snapshots there are: one small file that is replaced as a whole, so every change is all or nothing.

Git reads it as its ``packed-refs``. It is written here and not by ``git update-ref``, under our own lock and synced,
for two reasons: taking, tagging and forgetting several snapshots each become one rename, and no child process can
outlive a killed parent and move a name behind the next owner's back, or leave a lock file that blocks it.

Nothing in git protects that file: emptied, or with one bit turned, it names fewer snapshots, and whatever it does not
name is swept away one day. So its first line, which git reads as a list of traits and passes over what it does not
know, carries a checksum and the highest number ever given; and the whole of it is kept a second time beside it. The
second one is written first: it is never older than what git reads.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Final, NamedTuple

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import clear_leftovers, explained, put_safely, read_capped
from companion.history.store.snapshot_list import NAMES

FILE: Final = NAMES
COPY: Final = "packed-refs.copy"
LAST_NUMBER: Final = "last-number"
"""Where the first building noted the highest number; read until the list is written anew."""
HEAD: Final = "refs/heads/latest"
_TRAITS: Final = "# pack-refs with: peeled fully-peeled sorted"
_SUM: Final = re.compile(re.escape(_TRAITS) + r" last=(\d{1,9}) sha256=([0-9a-f]{64}) ")
_LINE: Final = re.compile(r"([0-9a-f]{40}) (refs/\S+)")
_PEELED: Final = re.compile(r"\^[0-9a-f]{40}")
_SNAPSHOT: Final = re.compile(r"refs/snapshots/(\d{1,9})")
_RELEASE: Final = "refs/tags/release/"
_MOST: Final = 64 << 20


class Refs(msgspec.Struct, frozen=True):
    """Commit ids (40 hex digits) by snapshot number, and by released version; last: the highest number ever given."""

    snapshots: dict[int, str] = {}
    releases: dict[str, str] = {}
    last: int = 0

    @property
    def next_number(self) -> int:
        """The number of the next snapshot: over every one ever given, forgotten ones included."""
        return max(self.last, *self.snapshots, 0) + 1

    def without(self, numbers: set[int]) -> Refs:
        """Return these without some snapshots, and without the releases that only those carried."""
        left = {number: commit for number, commit in self.snapshots.items() if number not in numbers}
        commits = set(left.values())
        releases = {version: commit for version, commit in self.releases.items() if commit in commits}
        return Refs(left, releases, self.next_number - 1)

    def joined(self, more: Refs) -> Refs:
        """Return these and ``more``, which has its way where they differ."""
        return Refs({**self.snapshots, **more.snapshots}, {**self.releases, **more.releases}, max(self.last, more.last))

    def names(self) -> dict[str, str]:
        """Return the commit by full name, for git."""
        lines = {f"refs/snapshots/{number:06d}": commit for number, commit in self.snapshots.items()}
        return lines | {_RELEASE + _escaped(version): commit for version, commit in self.releases.items()}

    def text(self) -> str:
        """Return the file's text."""
        lines = self.names()
        if self.snapshots:
            lines[HEAD] = self.snapshots[max(self.snapshots)]
        body, last = "".join(f"{commit} {name}\n" for name, commit in sorted(lines.items())), self.next_number - 1
        return f"{_TRAITS} last={last} sha256={_sum(last, body)} \n{body}"


def _sum(last: int, body: str) -> str:
    return hashlib.sha256(f"last={last}\n{body}".encode()).hexdigest()


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
    traits = _SUM.fullmatch(text.partition("\n")[0])
    return Refs(snapshots, releases, int(traits[1]) if traits else 0)


def is_whole(text: str) -> bool:
    """Tell whether a list carries the checksum of what it says."""
    traits, _, body = text.partition("\n")
    match = _SUM.fullmatch(traits)
    return bool(match) and match[2] == _sum(int(match[1]), body) if match else False


def is_plausible(text: str) -> bool:
    """Tell whether a list without a checksum, by git or by the first building, is one in which nothing is misspelt."""
    lines = text.splitlines()
    if not lines or "sha256=" in lines[0]:
        return False
    found, head = parse(text), ""
    for line in lines:
        match = _LINE.fullmatch(line)
        if match and match[2] == HEAD:
            head = match[1]
        elif not (match or _PEELED.fullmatch(line) or line.startswith("# pack-refs with: ")):
            return False
    return not found.snapshots or head in ("", found.snapshots[max(found.snapshots)])


class Listed(NamedTuple):
    """What is known of the snapshots by name. refs: what the better copy says, or the lines that can still be read.

    certain: nothing else is to be looked for. problem: what is wrong with either copy, for people, else empty.
    """

    refs: Refs
    certain: bool
    problem: str = ""


def look(history: Path) -> Listed:
    """Read both copies of the list of a history, or of a mirror. Raises :class:`CompanionError` for one too large."""
    first, second = _text(history / FILE), _text(history / COPY)
    whole = [text is not None and is_whole(text) for text in (first, second)]
    if whole[0]:
        problem = "" if whole[1] else f"the second list of snapshots is {'damaged' if second is not None else 'gone'}"
        return Listed(parse(first or ""), True, problem)
    if whole[1] and not (first and is_plausible(first)):
        problem = f"the list of snapshots is {'damaged' if first is not None else 'gone'}; its second copy is whole"
        return Listed(parse(second or ""), True, problem)
    read = parse(second or "").joined(parse(first or "")) if first or second else Refs()
    read = Refs(read.snapshots, read.releases, max(read.last, _old_last(history)))
    if first and is_plausible(first):
        return Listed(read, False, "" if second is None else "another program rewrote the list of snapshots")
    if first is None and second is None:
        return Listed(read, False, "the list of snapshots is gone")
    return Listed(read, False, "the list of snapshots is damaged")


def read(history: Path) -> Refs:
    """Return what the better copy of a history's list says; nothing is looked for that neither of them names."""
    return look(history).refs


def _text(path: Path) -> str | None:
    """Return a list's text; None where there is none."""
    if path.is_symlink() or not path.is_file():  # neither git nor we make anything else of it
        return None
    return read_capped(path, _MOST, "list of snapshots").decode("utf-8", "replace")


def _old_last(history: Path) -> int:
    try:
        return min(int(read_capped(history / LAST_NUMBER, 64)), 10**9 - 1)
    except (CompanionError, ValueError):
        return 0


def holds_others(repository: Path) -> bool:
    """Tell whether a repository has names that are not ours: somebody works in it, and its list is theirs."""
    loose = any(path.is_file() for path in (repository / "refs").rglob("*"))
    if loose or (repository / "reftable").exists():
        return True
    if not (repository / FILE).exists():
        return False
    text = read_capped(repository / FILE, _MOST, "list of snapshots").decode("utf-8", "replace")
    if "sha256=" in text.partition("\n")[0]:  # ours, and where a name in it is none of ours it is damaged
        return False
    names = [match[2] for line in text.splitlines() if (match := _LINE.fullmatch(line))]
    return not all(name == HEAD or _SNAPSHOT.fullmatch(name) or name.startswith(_RELEASE) for name in names)


def write(history: Path, refs: Refs) -> None:
    """Put ``refs`` in place of what was there. Raises :class:`CompanionError`; the old ones then stand."""
    text = refs.text().encode()
    from companion.history.store.place import hold

    with explained("write the list of snapshots", history), hold(history) as place:
        clear_leftovers(place)
        put_safely(place, COPY, text, ours=True)
        put_safely(place, FILE, text, ours=True)
        place.remove(LAST_NUMBER)
