"""Files that should stay at home."""

from __future__ import annotations

import posixpath
import re
from typing import Final

from companion.contents.kinds import AUDIO, PLAIN_DATA, SCRIPTS, working_folder
from companion.contents.model import ContentsModel
from companion.contents.selection import LINK, SYSTEM, WORKING
from companion.core.entries import Entry, Kind
from companion.core.findings import Finding, Rule, Severity
from companion.core.globs import folded, is_plain
from companion.core.text import plural, visible
from companion.core.units import decimal_bytes

STRAY_SYSTEM_FILE = Rule(
    id="stray-system-file",
    step="contents",
    severity=Severity.NOTES,
    means="An operating system or a program left files of its own in the folder.",
    why="They would tell players about your computer and be of no use to them; they are left out of the archive.",
    mend="Nothing need be done. Delete them if they bother you.",
)
STRAY_WORKING_FILE = Rule(
    id="stray-working-file",
    step="contents",
    severity=Severity.WARNS,
    means="A file looks like work in progress: an older version, a backup, a host project or a bounce.",
    why="Players download what they cannot use, or open the old patch instead of the new one.",
    mend="Move it out of the folder or “exclude” it; if players need it, “include” it by its full name.",
)
NESTED_ARCHIVE = Rule(
    id="nested-archive",
    step="contents",
    severity=Severity.WARNS,
    means="There is an archive inside what ships.",
    why="Players have to unpack twice, and nobody can see from outside whether what is in it is fit to ship.",
    mend="Put its content into the folder instead, or leave it out.",
)
SYMLINK_OUTSIDE = Rule(
    id="symlink-outside",
    step="contents",
    severity=Severity.BLOCKS,
    means="A link points to something outside the folder, so that what it stands for does not ship.",
    why="Players get nothing in its place, or a link into a folder that only you have.",
    mend="Put the file itself where the link is.",
)

_DOUBLE: Final = re.compile(
    r"(?P<stem>.+?)(?: - copy(?: \(\d+\))?|[ _-]copy(?: ?\d+)?| \(\d+\)"
    r"|[ ._-]\(?(?:old|backup|bak|orig|final(?:[ _-]?\d+)?)\)?)",
    re.DOTALL,
)
_VERSION: Final = re.compile(
    r"(?P<stem>.+?)[ ._-]+(?:v(?:er(?:sion)?)?[ .]?\d+(?:[._]\d+)*|\d{4}-\d\d-\d\d)", re.DOTALL
)


def stray_system_file(model: ContentsModel) -> list[Finding]:
    """Grouped by name, so that a folder full of them is a few lines. Common practice, no source."""
    groups: dict[str, list[Entry]] = {}
    for stray in model.selection.left_out:
        if stray.reason == SYSTEM:
            groups.setdefault(_system_group(stray.entry.path), []).append(stray.entry)
    return [
        STRAY_SYSTEM_FILE.finding(
            group[0].path, measured=f"{visible(name)}: {plural(len(group), 'file')}, left out of the archive"
        )
        for name, group in sorted(groups.items())
    ]


def _system_group(path: str) -> str:
    parts = path.split("/")
    for part in parts[:-1]:
        if part.startswith((".", "__", "$")) or part == "System Volume Information":
            return f"{part}/"
    for start in ("._", "~$", ".~lock."):
        if parts[-1].startswith(start):
            return f"{start}…"
    return parts[-1]


def stray_working_file(model: ContentsModel) -> list[Finding]:
    """Three signs: a name that says so (left out), a double beside its original, a kind nobody knows or refers to.

    The last two ship, since they may be meant, and are told. Common practice, no source.
    """
    folders: dict[str, list[Entry]] = {}
    found = []
    for stray in model.selection.left_out:
        if stray.reason == WORKING:
            folder = working_folder(stray.entry.path)
            if folder:
                folders.setdefault(folder, []).append(stray.entry)
            else:
                found.append(STRAY_WORKING_FILE.finding(stray.entry.path, measured="left out of the archive"))
    for folder, group in folders.items():
        size = decimal_bytes(sum(entry.size for entry in group))
        measured = f"{plural(len(group), 'file')} ({size}), left out of the archive"
        found.append(STRAY_WORKING_FILE.finding(folder, measured=measured))
    return found + _doubles(model) + _unknown(model)


def _named(model: ContentsModel) -> set[str]:
    """Return the keys of paths that the facts name outright: those are meant."""
    contents = model.facts.contents
    lists = (contents.patches, contents.samples, contents.impulses, contents.scripts, contents.include)
    return {folded(p) for patterns in (*lists, contents.documents) for p in patterns if is_plain(p)}


def _doubles(model: ContentsModel) -> list[Finding]:
    """Files named as a copy or older version of one that lies beside them under the plain name.

    Takes and layers of samples are numbered and named in many ways, so that samples must say “copy”.
    """
    named, ships = _named(model), {folded(entry.path) for entry in model.selection.ships}
    found = []
    for entry in model.selection.ships:
        if entry.path in model.references.used or folded(entry.path) in named:
            continue
        folder, _, name = entry.path.rpartition("/")
        stem, dot, suffix = name.rpartition(".") if "." in name else (name, "", "")
        match = _DOUBLE.fullmatch(folded(stem))
        if not match and entry.kind is Kind.PATCH:
            match = _VERSION.fullmatch(folded(stem))
        if not match or (entry.kind.audible and "copy" not in folded(stem)[len(match["stem"]) :]):
            continue
        original = f"{match['stem']}{dot}{folded(suffix)}"
        if folded(f"{folder}/" if folder else "") + original in ships:
            measured = f"would ship beside “{visible(name[: len(match['stem'])] + dot + suffix)}”"
            found.append(STRAY_WORKING_FILE.finding(entry.path, measured=measured))
    return found


def _unknown(model: ContentsModel) -> list[Finding]:
    """Files of no known kind that no readable patch refers to; with an unreadable patch nothing can be said."""
    patches = [model.scans.get(entry.path) for entry in model.selection.ships if entry.kind is Kind.PATCH]
    if not patches or not all(scan and scan.readable for scan in patches):
        return []
    named, included = _named(model), bool(model.facts.contents.include)
    return [
        STRAY_WORKING_FILE.finding(entry.path, measured="would ship: of no known kind, and nothing refers to it")
        for entry in model.selection.ships
        if entry.kind is Kind.OTHER
        and not included
        and entry.path not in model.references.used
        and folded(entry.path) not in named
        and entry.suffix[1:] not in AUDIO | PLAIN_DATA - SCRIPTS
    ]


def nested_archive(model: ContentsModel) -> list[Finding]:
    """By extension. Common practice, no source."""
    return [
        NESTED_ARCHIVE.finding(entry.path, measured=decimal_bytes(entry.size))
        for entry in model.selection.ships
        if entry.kind is Kind.ARCHIVE
    ]


def symlink_outside(model: ContentsModel) -> list[Finding]:
    """A link out of the folder blocks; one within it only warns, as archives carry no links to Windows."""
    paths = {entry.path for entry in model.entries}
    folders = {path.rpartition("/")[0] for path in paths}
    found = []
    for stray in model.selection.left_out:
        link = stray.entry.link
        if stray.reason != LINK or link is None:
            continue
        target = posixpath.normpath(posixpath.join(posixpath.dirname(stray.entry.path), link.replace("\\", "/")))
        if target == ".." or target.startswith(("/", "../")) or link[1:2] == ":":
            found.append(SYMLINK_OUTSIDE.finding(stray.entry.path, measured=f"points to {visible(link)}"))
            continue
        there = target in paths or target in folders or target == "."
        measured = (
            f"points to {visible(link)} in the folder" if there else f"points to {visible(link)}, which is not there"
        )
        found.append(
            SYMLINK_OUTSIDE.finding(
                stray.entry.path, measured=f"{measured}; links do not ship", severity=Severity.WARNS
            )
        )
    return found
