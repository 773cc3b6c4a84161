"""Files that should stay at home."""

import posixpath
import re
from collections.abc import Iterator
from typing import Final

from companion.contents.kinds import AUDIO, PLAIN_DATA, SCRIPTS, working_folder
from companion.contents.model import ContentsModel, contents_rule
from companion.contents.selection import LINK, SYSTEM, WORKING
from companion.contents.versions import KINDS, PATH_SCAN, REFERENCES
from companion.core.entries import Entry, Kind
from companion.core.findings import BLOCKS, NOTES, WARNS, At, Finding
from companion.core.globs import folded, is_plain
from companion.core.text import visible
from companion.core.units import decimal_bytes

_DOUBLE: Final = re.compile(
    r"(?P<stem>.+?)(?: - copy(?: \(\d+\))?|[ _-]copy(?: ?\d+)?| \(\d+\)"
    r"|[ ._-]\(?(?:old|backup|bak|orig|final(?:[ _-]?\d+)?)\)?)",
    re.DOTALL,
)
_VERSION: Final = re.compile(
    r"(?P<stem>.+?)[ ._-]+(?:v(?:er(?:sion)?)?[ .]?\d+(?:[._]\d+)*|\d{4}-\d\d-\d\d)", re.DOTALL
)


@contents_rule(
    "stray-system-file",
    NOTES,
    rests_on=(KINDS,),
    means="An operating system or a program left files of its own in the folder.",
    why="They would tell players about your computer and be of no use to them; they are left out of the archive.",
    mend="There is nothing to do. Delete them if they bother you.",
    unit="file",
)
def stray_system_file(model: ContentsModel) -> Iterator[Finding]:
    """Grouped by name, so that a folder full of them is a few lines. Common practice, no source."""
    groups: dict[str, list[Entry]] = {}
    for left in model.selection.left_out:
        if left.reason == SYSTEM:
            groups.setdefault(_system_group(left.entry.path), []).append(left.entry)
    for name, group in sorted(groups.items()):
        says = f"{{value}} {'in' if name.endswith('/') else 'named'} {visible(name)}, left out of the archive"
        yield stray_system_file.finding(group[0].path, value=len(group), says=says)


def _system_group(path: str) -> str:
    parts = path.split("/")
    for part in parts[:-1]:
        if part.startswith((".", "__", "$")) or part == "System Volume Information":
            return f"{part}/"
    for start in ("._", "~$", ".~lock."):
        if parts[-1].startswith(start):
            return f"{start}…"
    return parts[-1]


@contents_rule(
    "stray-working-file",
    WARNS,
    rests_on=(KINDS, PATH_SCAN, REFERENCES),
    means="A file looks like work in progress: an older version, a backup, a host project or a bounce.",
    why="Players download what they cannot use, or open the old patch instead of the new one.",
    mend="Move it out of the folder or “exclude” it; if players need it, “include” it by its full name.",
)
def stray_working_file(model: ContentsModel) -> Iterator[Finding]:
    """Three signs: a name that says so (left out), a double beside its original, a kind nobody knows or refers to.

    The last two ship, since they may be meant. Common practice, no source.
    """
    yield from _left_out(model)
    contents = model.facts.contents
    lists = (contents.patches, contents.samples, contents.impulses, contents.scripts, contents.include)
    meant = {folded(p) for patterns in (*lists, contents.documents) for p in patterns if is_plain(p)}
    loose = [
        entry
        for entry in model.selection.ships
        if entry.path not in model.references.used and folded(entry.path) not in meant
    ]
    yield from _doubles(model, loose)
    if model.patches_readable and not contents.include:  # else nobody knows what is in use, or the maker chose
        for entry in loose:
            if entry.kind is Kind.OTHER and entry.suffix[1:] not in AUDIO | PLAIN_DATA - SCRIPTS:
                yield stray_working_file.finding(
                    entry.path, says="would ship, though its kind is unknown and nothing refers to it"
                )


def _left_out(model: ContentsModel) -> Iterator[Finding]:
    """Yield one finding for each file left out by its name, and for each folder left out by its own."""
    folders: dict[str, list[Entry]] = {}
    for left in model.selection.left_out:
        if left.reason == WORKING:
            folder = working_folder(left.entry.path)
            if folder:
                folders.setdefault(folder, []).append(left.entry)
            else:
                yield stray_working_file.finding(left.entry.path, says="left out of the archive")
    for folder, group in folders.items():
        size = decimal_bytes(sum(entry.size for entry in group))
        says = f"{{value}} ({size}), left out of the archive"
        yield stray_working_file.finding(folder, value=len(group), unit="file", says=says)


def _doubles(model: ContentsModel, loose: list[Entry]) -> Iterator[Finding]:
    """Yield files named as a copy or older version of one that lies beside them under the plain name.

    Takes and layers of samples are numbered and named in many ways, so that samples must say “copy”.
    """
    ships = {folded(entry.path): entry.path for entry in model.selection.ships}
    for entry in loose:
        folder, slash, name = folded(entry.path).rpartition("/")
        stem, dot, suffix = name.rpartition(".") if "." in name else (name, "", "")
        match = _DOUBLE.fullmatch(stem)
        if not match and entry.kind is Kind.PATCH:
            match = _VERSION.fullmatch(stem)
        if not match or (entry.kind.audible and "copy" not in stem[len(match["stem"]) :]):
            continue
        if original := ships.get(f"{folder}{slash}{match['stem']}{dot}{suffix}"):
            yield stray_working_file.finding(
                entry.path,
                at=At(others=(original,)),
                value=original.rpartition("/")[2],
                says="would ship beside “{value}”",
            )


@contents_rule(
    "nested-archive",
    WARNS,
    rests_on=(KINDS,),
    means="There is an archive inside what ships.",
    why="Players have to unpack twice, and nobody can see from outside whether what is in it is fit to ship.",
    mend="Put its content into the folder instead, or leave it out.",
    unit="bytes",
)
def nested_archive(model: ContentsModel) -> Iterator[Finding]:
    """By extension. Common practice, no source."""
    for entry in model.selection.ships:
        if entry.kind is Kind.ARCHIVE:
            yield nested_archive.finding(entry.path, value=entry.size)


@contents_rule(
    "symlink-outside",
    BLOCKS,
    means="A link points to something outside the folder, so that what it stands for does not ship.",
    why="Players get nothing in its place, or a link into a folder that only you have.",
    mend="Put the file itself where the link is.",
)
def symlink_outside(model: ContentsModel) -> Iterator[Finding]:
    """A link out of the folder blocks; one within it only warns, as archives carry no links to Windows."""
    paths = {entry.path for entry in model.entries}
    folders = {path.rpartition("/")[0] for path in paths}
    for left in model.selection.left_out:
        path, link = left.entry.path, left.entry.link
        if left.reason != LINK or link is None:
            continue
        target = posixpath.normpath(posixpath.join(posixpath.dirname(path), link.replace("\\", "/")))
        if target == ".." or target.startswith(("/", "../")) or link[1:2] == ":":
            yield symlink_outside.finding(path, value=link, says="points to {value}")
        else:
            there = (
                " in the folder" if target in paths or target in folders or target == "." else ", which is not there"
            )
            says = f"points to {{value}}{there}; links do not ship"
            yield symlink_outside.finding(path, value=link, says=says, severity=WARNS)
