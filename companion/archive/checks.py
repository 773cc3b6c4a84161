"""Judges what an archive says about itself. Each check takes the inspection and returns its findings."""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterable
from typing import Final

from companion.archive.layout import METHODS, PATCHED, UTF8
from companion.archive.names import trouble_with
from companion.archive.rules import (
    ARCHIVE_BOMB,
    ARCHIVE_DIFFERS,
    CHECKSUM_WRONG,
    MEMBER_DUPLICATE,
    MEMBER_ENCRYPTED,
    MEMBER_ESCAPES,
    METHOD_UNCOMMON,
    NAME_UNFLAGGED,
    SIZE_OVER_LIMIT,
    TOP_LEVEL_MANY,
    ZIP64_NEEDED,
)
from companion.archive.seen import Inspection, Kind, Seen
from companion.core.findings import Finding, Rule
from companion.core.text import listed, plural, same_name_key, visible
from companion.core.units import both_bytes, decimal_bytes

MOST_RATIO: Final = 1_032
"""The most that deflate packs: 258 bytes in 2 bits (RFC 1951, 3.2.5)."""
ROOMY: Final = 1 << 30
BOMB_RATIO: Final = 200
MOST_PATH: Final = 4_096
"""Bytes of a path: Linux takes no more (limits.h, PATH_MAX), Windows and macOS less."""
MOST_DEPTH: Final = 255
"""Folders on the way to a file. Deeper ones are made to break whoever walks them."""
NEWEST: Final = 46
"""Version of the format, times ten, that common unpackers go up to; methods 0 and 8 need no more than 45 (4.4.3.2)."""
MOST_FINDINGS: Final = 100
"""Findings of one rule that are shown one by one; an archive with more is not mended one by one."""


def contradictions(seen: Inspection) -> list[Finding]:
    """archive-differs: the archive contradicts itself, is cut short, or holds bytes that belong to no member."""
    found = [
        ARCHIVE_DIFFERS.finding(defect.name, measured=f"{defect.kind}: {defect.detail}", where=defect.where)
        for defect in seen.defects
        if defect.kind in (Kind.DISAGREES, Kind.TRUNCATED, Kind.UNCLAIMED)
    ]
    if not seen.files and not seen.defects:
        found.append(ARCHIVE_DIFFERS.finding(measured="no file in it"))
    return _capped(ARCHIVE_DIFFERS, found)


def top_level_many(seen: Inspection) -> list[Finding]:
    """top-level-many: anything but one folder at the top."""
    tops = sorted({member.name.partition("/")[0] for member in seen.members})
    loose = sorted({member.name for member in seen.members if "/" not in member.name})
    if len(tops) > 1 or loose:
        shown = listed([visible(name) for name in tops], 4)
        return [TOP_LEVEL_MANY.finding(measured=f"{plural(len(tops), 'thing')} at the top: {shown}")]
    return []


def name_unflagged(seen: Inspection) -> list[Finding]:
    """name-unflagged: letters beyond ASCII without the UTF-8 flag, or with the flag but not UTF-8."""
    return _each(
        NAME_UNFLAGGED,
        (
            (member, "flagged as UTF-8, and is not" if member.flags & UTF8 else "letters beyond ASCII without the flag")
            for member in seen.members
            if not member.readable
        ),
    )


def method_uncommon(seen: Inspection) -> list[Finding]:
    """method-uncommon: anything but methods 0 and 8, a patch (4.4.4 bit 5), or a newer format than they need."""
    return _each(
        METHOD_UNCOMMON,
        ((member, trouble) for member in seen.members if not member.encrypted and (trouble := _uncommon(member))),
    )


def _uncommon(member: Seen) -> str:
    if member.method not in (0, 8):
        return f"method {member.method} ({METHODS.get(member.method, 'unknown')})"
    if member.flags & PATCHED:
        return "flagged as a patch"
    return f"it asks for version {member.version / 10} of the format" if member.version > NEWEST else ""


def member_duplicate(seen: Inspection) -> list[Finding]:
    """member-duplicate: names equal after NFC and case folding, or a file where another member has a folder."""
    # Each part of a path is a node under that of its folder: whole prefixes of one hostile name would fill the memory.
    nodes: dict[tuple[int, str], int] = {}
    files: dict[int, Seen] = {}
    folders: dict[int, str] = {}
    listed_folders: set[str] = set()
    clashes: list[tuple[Seen, str]] = []
    for member in seen.members:
        *above, last = member.name.removesuffix("/").split("/")
        at = 0
        for part in (*above, last) if member.folder else above:
            at = nodes.setdefault((at, same_name_key(part)), len(nodes) + 1)
            if (other := folders.setdefault(at, part)) != part:
                clashes.append((member, f"its folder “{visible(part)}” and “{visible(other)}” are one on some systems"))
        if member.folder:
            if member.name in listed_folders:
                clashes.append((member, "the folder is listed twice"))
            listed_folders.add(member.name)
            continue
        at = nodes.setdefault((at, same_name_key(last)), len(nodes) + 1)
        if at in files:
            first = files[at].name
            same = "listed twice" if first == member.name else f"one file with “{visible(first)}” on some systems"
            clashes.append((member, same))
        else:
            files[at] = member
    clashes += [(files[at], "a folder bears the same name") for at in sorted(files.keys() & folders.keys())]
    return _each(MEMBER_DUPLICATE, clashes)


def member_escapes(seen: Inspection) -> list[Finding]:
    """member-escapes: a path out of the folder, a link, or anything that is neither file nor folder."""
    found = []
    for member in seen.members:
        trouble = trouble_with(member.name) or (member.alias and trouble_with(member.alias))
        kind = stat.S_IFMT(member.mode)
        if kind == stat.S_IFLNK:
            trouble = trouble or "it is a symbolic link"
        elif kind not in (0, stat.S_IFREG, stat.S_IFDIR):
            trouble = trouble or "it is a device or a pipe"
        if trouble:
            found.append((member, trouble))
    return _each(MEMBER_ESCAPES, found)


def member_encrypted(seen: Inspection) -> list[Finding]:
    """member-encrypted: any member that needs a password."""
    return _each(MEMBER_ENCRYPTED, ((member, "encrypted") for member in seen.members if member.encrypted))


def archive_bomb(seen: Inspection) -> list[Finding]:
    """archive-bomb: more than the bytes here can honestly unpack to, members that share bytes, members without end.

    An hour of silence packs 1,000 to 1 and is no bomb, so the ratio counts only for an archive that unpacks to over
    1 GiB. What a member claims beyond deflate's own 1,032 to 1 is a lie at any size. So is a path that no system
    takes, or that is deeper than anybody sorts samples.
    """
    found = [
        ARCHIVE_BOMB.finding(defect.name, measured=f"{defect.kind}: {defect.detail}", where=defect.where)
        for defect in seen.defects
        if defect.kind in (Kind.OVERLAPS, Kind.TOO_MUCH)
    ]
    if seen.unpacked > max(ROOMY, BOMB_RATIO * seen.size):
        claim = f"{decimal_bytes(seen.size)} that would unpack to {decimal_bytes(seen.unpacked)}"
        found.append(ARCHIVE_BOMB.finding(measured=claim))
    lies = (
        (member, f"{member.packed:,} bytes that would unpack to {member.size:,}")
        for member in seen.members
        if member.size > (member.packed + 1) * MOST_RATIO
    )
    mazes = (
        (member, f"a path of {len(member.raw):,} bytes, {depth:,} folders deep")
        for member in seen.members
        if (depth := member.name.count("/")) > MOST_DEPTH or len(member.raw) > MOST_PATH
    )
    return _capped(ARCHIVE_BOMB, found + _each(ARCHIVE_BOMB, lies) + _each(ARCHIVE_BOMB, mazes))


def size_over_limit(seen: Inspection, limit: int | None) -> list[Finding]:
    """size-over-limit: more bytes than the maker's host takes. Names what weighs most."""
    if limit is None or seen.size <= limit:
        return []
    heaviest = sorted(seen.files, key=lambda member: (-member.packed, member.name))[:3]
    names = listed([f"{visible(member.name)} ({decimal_bytes(member.packed)})" for member in heaviest])
    return [
        SIZE_OVER_LIMIT.finding(
            measured=f"{both_bytes(seen.size)}, {both_bytes(seen.size - limit)} too much",
            limit=both_bytes(limit),
            mend=f"{SIZE_OVER_LIMIT.mend} The heaviest are {names}",
        )
    ]


def checksum_wrong(sha256: str, published: str) -> list[Finding]:
    """checksum-wrong: both as hex, in either case; an empty ``published`` says nothing."""
    wanted = published.strip().lower()
    if not wanted or wanted == sha256:
        return []
    return [CHECKSUM_WRONG.finding(measured=sha256, limit=visible(wanted[:80]))]


def zip64_needed(seen: Inspection) -> list[Finding]:
    """zip64-needed: some part of the archive has the Zip64 form."""
    if not seen.zip64:
        return []
    return [ZIP64_NEEDED.finding(measured=f"{plural(len(seen.members), 'member')}, {both_bytes(seen.size)}")]


DANGERS: Final[tuple[Callable[[Inspection], list[Finding]], ...]] = (
    contradictions,
    method_uncommon,
    member_duplicate,
    member_escapes,
    member_encrypted,
    archive_bomb,
)
"""What forbids opening an archive at all."""

BLEMISHES: Final[tuple[Callable[[Inspection], list[Finding]], ...]] = (top_level_many, name_unflagged, zip64_needed)
"""What is wrong with an archive that can still be opened."""


def _each(rule: Rule, troubles: Iterable[tuple[Seen, str]]) -> list[Finding]:
    return _capped(rule, [rule.finding(member.name, measured=measured) for member, measured in troubles])


def _capped(rule: Rule, found: list[Finding]) -> list[Finding]:
    if len(found) <= MOST_FINDINGS:
        return found
    return [*found[:MOST_FINDINGS], rule.finding(measured=f"and {len(found) - MOST_FINDINGS:,} more like these")]
