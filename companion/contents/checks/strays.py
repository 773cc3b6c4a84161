"""Files that should stay at home."""

import posixpath
import re
from collections.abc import Iterator
from typing import Final

from companion.contents.groups import AskedGroup
from companion.contents.kinds import working_folder
from companion.contents.model import ContentsModel, contents_rule
from companion.contents.selection import LINK, SYSTEM, WORKING
from companion.contents.versions import ACCOUNTS, KINDS, PATH_SCAN, REFERENCES
from companion.core.entries import Entry, Kind
from companion.core.findings import BLOCKS, NOTES, WARNS, At, Finding
from companion.core.globs import folded, is_plain
from companion.core.text import listed, visible
from companion.core.units import decimal_bytes

MOST_NAMED: Final = 64
"""Files of a group that its finding names; the list of what ships has them all."""
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
    "stray-unasked",
    BLOCKS,
    rests_on=(KINDS, PATH_SCAN, REFERENCES, ACCOUNTS),
    means="A file would ship that neither the patch nor a fact accounts for, and nobody has said that it should.",
    why="Notes to yourself, invoices and pictures of you would reach every player, and cannot be called back.",
    mend="Say once whether it ships or stays: y or n in the app, or companion contents FOLDER --ship (or --stay).",
)
def stray_unasked(model: ContentsModel) -> Iterator[Finding]:
    """One finding for each group that one answer settles. What accounts for a file stands in ``contents.account``."""
    why = "" if model.patches_readable else "; what the patch uses cannot be read"
    for group in model.account.asked:
        count = len(group.paths)
        yield stray_unasked.finding(
            group.id,
            at=At(others=group.paths[:MOST_NAMED] if count > 1 else ()),
            value=count,
            unit="file",
            says=f"{_asked(group)}{why}",
        )


def _asked(group: AskedGroup) -> str:
    """Return what a group holds, in words."""
    size = decimal_bytes(group.bytes)
    if len(group.paths) == 1 and not group.whole:
        return f"nothing accounts for it ({size})"
    names = listed([visible(path.removeprefix(group.id) if group.whole else path) for path in group.paths], 2)
    return f"nothing accounts for {{value}} ({size}): {names}"


@contents_rule(
    "stray-working-file",
    WARNS,
    version=2,
    rests_on=(KINDS, PATH_SCAN, REFERENCES, ACCOUNTS),
    means="A file looks like work in progress: an older version, a backup, a host project or a bounce.",
    why="Players download what they cannot use, or open the old patch instead of the new one.",
    mend="Move it out of the folder, or say that it stays: n in the list of what ships, or companion contents FOLDER "
    "--stay PATH. If players need it, y and --ship let it ship.",
)
def stray_working_file(model: ContentsModel) -> Iterator[Finding]:
    """Two signs: a name that says so (left out), and a double beside its original, which ships, since it may be meant.

    What is asked about anyway is not told twice. Common practice, no source.
    """
    yield from _left_out(model)
    contents = model.facts.contents
    lists = (contents.patches, contents.samples, contents.impulses, contents.scripts, contents.include)
    meant = {folded(p) for patterns in (*lists, contents.documents) for p in patterns if is_plain(p)}
    known = model.references.used | model.account.asked_paths
    loose = [e for e in model.selection.ships if e.path not in known and folded(e.path) not in meant]
    yield from _doubles(model, loose)


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
