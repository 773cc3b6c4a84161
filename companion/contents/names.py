"""Names that some player's system refuses, mixes up or shows as something else."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final

from companion.core.findings import Finding, Rule, Severity
from companion.core.globs import folded
from companion.core.portable import (
    FORBIDDEN,
    MOST_BYTES,
    SURROGATE,
    name_bytes,
    offered,
    reserved_device,
    utf16_units,
)
from companion.core.text import has_invisible, listed, visible

MAX_PATH: Final = 260
PLAYERS_FOLDER: Final = 90
"""Characters of a typical folder that players unpack into, such as a library folder below a user's documents."""

_MICROSOFT: Final = "Microsoft, “Naming Files, Paths, and Namespaces”"

NAME_FORBIDDEN = Rule(
    id="name-forbidden",
    step="contents",
    severity=Severity.BLOCKS,
    means="A name holds a character that Windows does not allow, or bytes that are not UTF-8.",
    why="Players on Windows cannot unpack the file, or get it under another name that the patch does not find.",
    mend='Rename it without < > : " / \\ | ? * and control characters, and save the patch with the new name.',
    limit='none of < > : " / \\ | ? * and the characters 0 to 31; valid UTF-8',
    source=_MICROSOFT,
)
NAME_RESERVED = Rule(
    id="name-reserved",
    step="contents",
    severity=Severity.BLOCKS,
    means="A name stands for a device on Windows, whatever its extension.",
    why="Windows cannot create a file of that name, so that it is missing for players there.",
    mend="Rename it, and save the patch with the new name.",
    limit="not CON, PRN, AUX, NUL, COM1 to COM9 or LPT1 to LPT9, with any extension",
    source=_MICROSOFT,
)
NAME_ENDS_BADLY = Rule(
    id="name-ends-badly",
    step="contents",
    severity=Severity.BLOCKS,
    means="A name ends in a dot or a space.",
    why="Windows drops the ending, so that the patch looks for a name that is not there.",
    mend="Rename it without the ending, and save the patch with the new name.",
    limit="no dot or space at the end",
    source=_MICROSOFT,
)
NAME_TWINS = Rule(
    id="name-twins",
    step="contents",
    severity=Severity.BLOCKS,
    means="Two names differ only in case or in how accents are written.",
    why="On macOS and Windows they are one name: one of the files overwrites the other without a word.",
    mend="Rename all but one of them, and save the patch with the new names.",
    limit="different after NFC and casefold",
    source="Unicode Standard, D145, and UAX #15",
)
NAME_INVISIBLE = Rule(
    id="name-invisible",
    step="contents",
    severity=Severity.WARNS,
    means="A name holds a character that cannot be seen, or that changes the direction of writing.",
    why="Players see another name than the one on disk, cannot type it, and some programs refuse it.",
    mend="Rename it with visible characters only, and save the patch with the new name.",
    limit="no control, bidi or invisible character",
    source="Unicode Standard, Bidi_Control and Default_Ignorable_Code_Point",
)
PATH_TOO_LONG = Rule(
    id="path-too-long",
    step="contents",
    severity=Severity.WARNS,
    means="A path is so long that it does not fit under a typical player's folder.",
    why="Windows refuses paths of 260 characters and more, and files are left out when the archive is opened there.",
    mend="Shorten the names of the file or of its folders, and save the patch with the new names.",
    limit="260 on Windows, 90 of them taken by the player's folder; 255 bytes a name on Linux",
    source=f"{_MICROSOFT} (MAX_PATH); limits.h (NAME_MAX)",
)


def room_under(top: str = "") -> int:
    """Return how many UTF-16 units a path may have below ``top`` in a typical player's folder.

    MAX_PATH counts a closing zero, and a separator stands behind each folder.
    """
    return MAX_PATH - 1 - PLAYERS_FOLDER - 1 - (utf16_units(top) + 1 if top else 0)


def _prefixes(paths: Iterable[str]) -> Iterator[str]:
    """Yield every path and every folder on the way to one, once: a bad folder name is one fault, not many."""
    seen: set[str] = set()
    for path in paths:
        parts = path.split("/")
        for depth in range(1, len(parts) + 1):
            prefix = "/".join(parts[:depth])
            if prefix not in seen:
                seen.add(prefix)
                yield prefix


def name_forbidden(path: str, name: str) -> Finding | None:
    """Windows forbids nine characters and 0–31; zip archives and macOS want UTF-8."""
    held = list(dict.fromkeys(FORBIDDEN.findall(name)))
    if SURROGATE.search(name):
        return NAME_FORBIDDEN.finding(path, measured="bytes that are not UTF-8", mend=offered(name) or None)
    if not held:
        return None
    return NAME_FORBIDDEN.finding(
        path, measured="holds " + " ".join(visible(char) for char in held), mend=offered(name) or None
    )


def name_reserved(path: str, name: str) -> Finding | None:
    """A device name stays one with any extension: ``CON.wav`` cannot be created."""
    device = reserved_device(name)
    return NAME_RESERVED.finding(path, measured=f"the device {device}", mend=offered(name) or None) if device else None


def name_ends_badly(path: str, name: str) -> Finding | None:
    """Windows strips dots and spaces from the end of names."""
    if name.rstrip(" .") == name:
        return None
    ending = "a dot" if name.endswith(".") else "a space"
    return NAME_ENDS_BADLY.finding(path, measured=f"ends in {ending}", mend=offered(name) or None)


def name_invisible(path: str, name: str) -> Finding | None:
    """Control characters below 32 and stray bytes are forbidden outright and not told twice."""
    if not has_invisible(name) or SURROGATE.search(name) or FORBIDDEN.search(name):
        return None
    held = dict.fromkeys(visible(char) for char in name if has_invisible(char))
    return NAME_INVISIBLE.finding(path, measured="holds " + " ".join(held), mend=offered(name) or None)


def name_too_long(path: str, name: str) -> Finding | None:
    """One name over 255 bytes cannot be created on Linux at all, whatever folder it is in."""
    size = name_bytes(name)
    if size <= MOST_BYTES:
        return None
    return PATH_TOO_LONG.finding(
        path,
        measured=f"a name of {size:,} bytes",
        limit=f"{MOST_BYTES} bytes a name",
        mend=offered(name) or None,
        severity=Severity.BLOCKS,
    )


def path_too_long(paths: Iterable[str], room: int) -> list[Finding]:
    """``room``: UTF-16 units left for a path below the player's folder and the archive's own (:func:`room_under`)."""
    return [
        PATH_TOO_LONG.finding(
            path,
            measured=f"{utf16_units(path):,} characters",
            limit=f"{room:,} characters: what Windows allows, less a player's folder of {PLAYERS_FOLDER}",
        )
        for path in paths
        if len(path) * 2 > room and utf16_units(path) > room
    ]


def name_twins(prefixes: Iterable[str]) -> list[Finding]:
    """Equal after NFC and casefold. Twin folders are told once, not for all that lies in them."""
    groups: dict[str, list[str]] = {}
    for prefix in prefixes:
        groups.setdefault(folded(prefix), []).append(prefix)
    found = []
    for twins in groups.values():
        # Below twin folders every equal name is a twin again; only those that differ in their own name are news.
        if len({path.rpartition("/")[2] for path in twins}) > 1:
            first, *rest = sorted(twins)
            others = listed([f"“{visible(path)}”" for path in rest])
            found.append(NAME_TWINS.finding(first, measured=f"is one name with {others}"))
    return found


_EACH: Final[tuple[Callable[[str, str], Finding | None], ...]] = (
    name_forbidden,
    name_reserved,
    name_ends_badly,
    name_invisible,
    name_too_long,
)


def judge_names(paths: Sequence[str], room: int | None = None) -> list[Finding]:
    """Return what is wrong with the names in ``paths`` (forward slashes; lone surrogates for bytes not UTF-8).

    room: how long a path may be, as :func:`room_under` tells; None: below a player's folder with nothing between.
    """
    prefixes = list(_prefixes(paths))
    found = [
        finding
        for prefix in prefixes
        for judge in _EACH
        if (finding := judge(prefix, prefix.rpartition("/")[2])) is not None
    ]
    return found + name_twins(prefixes) + path_too_long(paths, room_under() if room is None else room)
