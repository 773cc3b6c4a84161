"""Rules on the members of an archive: their names, how they are packed, what they are."""

import stat
from collections.abc import Iterator
from typing import Final

from companion.archive.layout import DEFLATED, METHODS, PATCHED, STORED, UTF8
from companion.archive.model import ArchiveModel, ZipMember, archive_rule
from companion.archive.names import name_problem
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.text import listed, same_name_key, visible

APPNOTE: Final = "PKWARE APPNOTE 6.3.10"
_LEFT_BY_SYSTEMS: Final = frozenset({"__MACOSX", ".DS_Store", "Thumbs.db", "desktop.ini"})
NEWEST: Final = 46
"""Version of the format, times ten, that common unpackers go up to; methods 0 and 8 need no more than 45 (4.4.3.2)."""

MOST_PATH: Final = 4_096
"""Bytes of a path: Linux takes no more (limits.h, PATH_MAX), Windows and macOS less."""
MOST_DEPTH: Final = 255
"""Folders on the way to a file: more than anybody sorts samples into, and enough to break whoever walks them."""


@archive_rule(
    "top-level-many",
    BLOCKS,
    means="The archive does not hold exactly one folder at its top.",
    why="Unpacked into a full folder, its files scatter among the player's own, and the patch loses its samples.",
    mend="Put everything into one folder named after the instrument and pack that folder.",
    limit="one folder, and no file beside it",
)
def top_level_many(archive: ArchiveModel) -> Iterator[Finding]:
    """Anything but one folder at the top."""
    names = [member.name for member in archive.inspection.members]
    tops = sorted({name.partition("/")[0] for name in names})
    if len(tops) > 1 or any("/" not in name for name in names):
        listing = listed([visible(name) for name in tops], 4)
        own = [name for name in tops if name not in _LEFT_BY_SYSTEMS and not name.startswith("._")]
        left = listed([f"“{visible(name)}”" for name in tops if name not in own])
        mend = None
        if len(own) == 1 and all("/" in name for name in names if name.startswith(own[0])):
            mend = (
                f"{left} came along from the computer it was packed on, and players have no use for it: delete it "
                f"from the archive, or let companion pack build it, which leaves such things out."
            )
        yield top_level_many.finding(value=len(tops), unit="thing", says=f"{{value}} at the top: {listing}", mend=mend)


@archive_rule(
    "name-unflagged",
    BLOCKS,
    means="A name has letters beyond ASCII, but the archive does not say that it is UTF-8.",
    why="Other systems read the name in a code page of their own, and the patch does not find the renamed sample.",
    mend="Pack again with companion pack, which marks names as UTF-8 (in other programs look for “UTF-8” or “Unicode "
    "names” among the settings), or use only A to Z, digits and plain signs in file names.",
    limit="bit 11 set, and the name valid UTF-8",
    source=f"{APPNOTE}, 4.4.4 and appendix D",
)
def name_unflagged(archive: ArchiveModel) -> Iterator[Finding]:
    """Letters beyond ASCII without the UTF-8 flag, or with the flag but not UTF-8."""
    for member in archive.inspection.members:
        if not member.readable:
            flagged = member.flags & UTF8
            problem = "flagged as UTF-8, but it is not" if flagged else "letters beyond ASCII without the flag"
            yield name_unflagged.finding(member.name, value=problem)


@archive_rule(
    "name-relettered",
    WARNS,
    means="A name with letters beyond ASCII is marked as UTF-8 and as made on Windows at once.",
    why="Most systems read it well, but the unzip that many Linux systems bring turns such letters into others, and "
    "the patch does not find the sample.",
    mend="Pack again with companion pack, or use only A to Z, digits and plain signs in file names.",
    limit="made on a system that never had code pages of its own, or ASCII",
    source=f"{APPNOTE}, 4.4.2; UnZip 6.00, as Debian builds it",
)
def name_relettered(archive: ArchiveModel) -> Iterator[Finding]:
    """A flagged name from a system whose old names were in a code page."""
    for member in archive.inspection.members:
        if member.relettered:
            yield name_relettered.finding(member.name, value="UTF-8, and marked as made on Windows")


@archive_rule(
    "method-uncommon",
    BLOCKS,
    means="A member is packed by a method other than stored or deflated, or as a patch.",
    why="The unpackers that come with Windows and macOS cannot open it.",
    mend="Pack again and choose “Deflate” where the program offers several methods, or use companion pack. The archive "
    "itself may be in order; players just cannot open it with what their system brings.",
    limit="methods 0 (stored) and 8 (deflated)",
    source=f"{APPNOTE}, 4.4.5",
)
def method_uncommon(archive: ArchiveModel) -> Iterator[Finding]:
    """Anything but methods 0 and 8, a patch (4.4.4 bit 5), or a newer format than they need."""
    for member in archive.inspection.members:
        if member.encrypted:
            continue
        if member.method not in (STORED, DEFLATED):
            says = f"method {{value}} ({METHODS.get(member.method, 'unknown')})"
            yield method_uncommon.finding(member.name, value=member.method, says=says)
        elif member.flags & PATCHED:
            yield method_uncommon.finding(member.name, value="flagged as a patch")
        elif member.version > NEWEST:
            says = "it asks for version {value} of the format"
            yield method_uncommon.finding(member.name, value=member.version / 10, bound=NEWEST / 10, says=says)


@archive_rule(
    "member-duplicate",
    BLOCKS,
    means="Two members would become one file: the names are the same, or are on a system that folds case.",
    why="One of the two overwrites the other, and which one stays differs from system to system.",
    mend="Rename one of them, or leave one out, and pack again.",
    limit="names differ after normalisation (NFC) and case folding",
    source="Unicode Standard Annex #15 and section 3.13 (D145)",
)
def member_duplicate(archive: ArchiveModel) -> Iterator[Finding]:
    """Names equal after NFC and case folding, or a file where another member has a folder."""
    # Each part of a path is a node under that of its folder: whole prefixes of one hostile name would fill the memory.
    nodes: dict[tuple[int, str], int] = {}
    files: dict[int, ZipMember] = {}
    folders: dict[int, str] = {}
    listed_folders: set[str] = set()
    for member in archive.inspection.members:
        *above, last = member.name.removesuffix("/").split("/")
        at = 0
        for part in (*above, last) if member.folder else above:
            at = nodes.setdefault((at, same_name_key(part)), len(nodes) + 1)
            if (other := folders.setdefault(at, part)) != part:
                problem = f"its folder “{part}” and “{other}” are the same on some systems"
                yield member_duplicate.finding(member.name, value=problem)
        if member.folder:
            if member.name in listed_folders:
                yield member_duplicate.finding(member.name, value="the folder is listed twice")
            listed_folders.add(member.name)
            continue
        at = nodes.setdefault((at, same_name_key(last)), len(nodes) + 1)
        first = files.setdefault(at, member)
        if first is not member:
            same = first.name == member.name
            problem = "listed twice" if same else f"the same file as “{first.name}” on some systems"
            yield member_duplicate.finding(member.name, value=problem, at=At(others=() if same else (first.name,)))
    for at in sorted(files.keys() & folders.keys()):
        yield member_duplicate.finding(files[at].name, value="a folder has the same name")


@archive_rule(
    "member-escapes",
    BLOCKS,
    means="A member would land outside the folder that the archive is unpacked into, or is a link or a device.",
    why="Opening the archive could overwrite files of the player's.",
    mend="Do not unpack it; pack again with plain relative paths, and with files in the place of links.",
    limit="relative names with forward slashes, no drive, no “..”; files and folders only",
    source=f"{APPNOTE}, 4.4.17.1",
)
def member_escapes(archive: ArchiveModel) -> Iterator[Finding]:
    """A path out of the folder, a link, or anything that is neither file nor folder."""
    for member in archive.inspection.members:
        problem = name_problem(member.name) or (member.alias and name_problem(member.alias))
        kind = stat.S_IFMT(member.mode)
        if not problem and kind not in (0, stat.S_IFREG, stat.S_IFDIR):
            problem = "it is a symbolic link" if kind == stat.S_IFLNK else "it is a device or a pipe"
        if problem:
            yield member_escapes.finding(member.name, value=problem)


@archive_rule(
    "member-encrypted",
    BLOCKS,
    means="A member is encrypted.",
    why="Players cannot open it without a password, and no one can look inside to see whether it is whole.",
    mend="Pack again without a password.",
    limit="no member",
    source=f"{APPNOTE}, 4.4.4 bits 0, 6 and 13",
)
def member_encrypted(archive: ArchiveModel) -> Iterator[Finding]:
    """Any member that needs a password."""
    for member in archive.inspection.members:
        if member.encrypted:
            yield member_encrypted.finding(member.name, value="encrypted")


@archive_rule(
    "member-locked",
    BLOCKS,
    means="A file or a folder is packed with permissions that let nobody read it.",
    why="On macOS and Linux players get it locked: the patch cannot open the sample, though it lies there.",
    mend="Give yourself the right to read everything in the folder, and pack again.",
    limit="readable by its owner; folders can be opened by their owner",
    source=f"{APPNOTE}, 4.4.2, 4.4.10 and 4.4.15; permissions of POSIX.1-2017, sys/stat.h",
)
def member_locked(archive: ArchiveModel) -> Iterator[Finding]:
    """A member made on a system with permissions, without the owner's to read it."""
    for member in archive.inspection.members:
        if member.locked:
            says = "a folder that nobody may open" if member.folder else "a file that nobody may read"
            yield member_locked.finding(member.name, value=f"unpacked, it is {says}")


@archive_rule(
    "member-deep",
    BLOCKS,
    means="A path in the archive is longer, or lies in more folders within each other, than computers take.",
    why="No computer can make that file: unpackers stop there, or leave it out and tell nobody.",
    mend="Move the files up into fewer folders with shorter names, and pack again.",
    limit="4,096 bytes; 255 folders",
    source="Linux, limits.h, PATH_MAX, and other systems take less; of the folders: common practice, no source",
)
def member_deep(archive: ArchiveModel) -> Iterator[Finding]:
    """A path that no system takes, or that is deeper than anybody sorts samples."""
    for member in archive.inspection.members:
        depth, length = member.name.rstrip("/").count("/"), len(member.raw)
        if depth > MOST_DEPTH:
            says = "inside {value}"
            yield member_deep.finding(member.name, value=depth, unit="folder", bound=MOST_DEPTH, says=says)
        elif length > MOST_PATH:
            says = f"a path of {length:,} bytes"
            yield member_deep.finding(member.name, value=length, unit="bytes", bound=MOST_PATH, says=says)
