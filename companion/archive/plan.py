"""What goes into an archive: every member with its size and SHA-256, in the order it is written."""

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

import msgspec

from companion.archive.names import LONGEST, name_problem, portable_name, portable_start
from companion.core.errors import CompanionError
from companion.core.text import same_name_key


class PlannedMember(msgspec.Struct, frozen=True, kw_only=True):
    """One file of the archive.

    name: inside the archive, top folder first, forward slashes. source: the file on disk, or None for ``data`` made
    by the companion. size: bytes. sha256: lower-case hex of the content; whoever reads it later is held to it.
    """

    name: str
    source: Path | None = None
    data: bytes | None = None
    size: int
    sha256: str


class ArchivePlan(msgspec.Struct, frozen=True, kw_only=True):
    """The members in the order of their names, all under the folder ``top``.

    day: the date that every member bears, ISO 8601; empty where there is none to bear.
    """

    top: str
    members: tuple[PlannedMember, ...]
    day: str = ""

    @property
    def size(self) -> int:
        """Bytes of all members, unpacked."""
        return sum(member.size for member in self.members)

    @property
    def manifest(self) -> dict[str, tuple[int, str]]:
        """What a proof holds the archive to: (size, SHA-256) by name inside the archive."""
        return {member.name: (member.size, member.sha256) for member in self.members}


def top_folder(title: str) -> str:
    """Return the one folder everything lies in, such as ``Slate Choir``.

    No version stands in it, so that songs find its samples there when the next one is unpacked over it.
    """
    return portable_name(title)


def archive_name(title: str, version: str, since: str = "") -> str:
    """Return a file name such as ``Slate Choir 1.1.zip`` or, for an update, ``Slate Choir 1.0 to 1.1.zip``.

    As much of a long title is cut as it takes to keep the version, which alone sets two releases' archives apart.
    """
    version = f"{since} to {version}" if since else version
    ending = portable_name(version, "")
    title = portable_start(title)[:LONGEST]  # what is behind that never fits
    cut = (portable_name(f"{title[:length]} {version}") for length in range(len(title), -1, -1))
    return next((name for name in cut if name.endswith(f" {ending}")), ending) + ".zip"


def plan(
    top: str, files: Iterable[tuple[str, Path, int, str]], made: Mapping[str, bytes] | None = None, day: str = ""
) -> ArchivePlan:
    """Return the plan for ``files`` (path under ``top``, source, size, SHA-256) and texts made for it.

    ``made`` (content by path under ``top``) takes the place of a file of the same path. Raises
    :class:`CompanionError` for a name that no archive can carry, and for two that are one on some systems.
    """
    made = made or {}
    members = [
        PlannedMember(name=f"{top}/{path}", source=source, size=size, sha256=sha256)
        for path, source, size, sha256 in files
        if path not in made
    ]
    members += [
        PlannedMember(name=f"{top}/{path}", data=data, size=len(data), sha256=hashlib.sha256(data).hexdigest())
        for path, data in made.items()
    ]
    _refuse_bad_names(top, members)
    return ArchivePlan(top=top, members=tuple(sorted(members, key=lambda member: member.name)), day=day)


def _refuse_bad_names(top: str, members: list[PlannedMember]) -> None:
    if not members:
        raise CompanionError("There is nothing to pack", top, "check what the release includes")
    if top != portable_name(top):
        raise CompanionError("Not every system accepts this name for the top folder", top, "use another title")
    names: dict[str, str] = {}
    folders: set[str] = set()
    for member in members:
        problem = name_problem(member.name) or (member.name.endswith("/") and "it has no name") or _unwritable(member)
        if problem:
            raise CompanionError(f"This file cannot be packed: {problem}", member.name, "rename it and pack again")
        other = names.setdefault(same_name_key(member.name), member.name)
        if other is not member.name:
            raise CompanionError(
                "Two files would be one on some systems, and one of them lost", f"{other}, {member.name}", "rename one"
            )
        parts = same_name_key(member.name).split("/")
        folders.update("/".join(parts[:depth]) for depth in range(1, len(parts)))
    for key in folders & names.keys():
        raise CompanionError("A file and a folder have the same name", names[key], "rename one of them")


def _unwritable(member: PlannedMember) -> str:
    try:
        return "its name is too long" if len(member.name.encode()) > 0xFFFF else ""
    except UnicodeEncodeError:
        return "its name is not UTF-8"
