"""An answer to what is asked about, ship or stay, as an edit of ``contents.include`` and ``contents.exclude``.

A folder is answered as a folder, and what comes into it later follows the answer. Elsewhere files are answered by name:
a new invoice beside the old one is a new question. Only where there are too many to name are they answered by how they
end. ``include`` begins with ``**`` then, so that all the rest ships as before.
"""

import re
from collections.abc import Collection, Iterable, Sequence
from typing import Final

import msgspec

from companion.contents.account import is_catch_all
from companion.contents.groups import NO_ENDING
from companion.contents.inventory import Inventory
from companion.contents.selection import LINK, OURS, SYSTEM, WORKING, select
from companion.contents.ships import ListedFile, ShipList
from companion.core.errors import CompanionError
from companion.core.facts import Contents
from companion.core.globs import folded, globs
from companion.core.text import has_invisible

EVERYTHING: Final = "**"
MOST_BY_NAME: Final = 32
"""Files that one answer names one by one."""
_NEVER: Final = {OURS, SYSTEM, LINK}


class Answered(msgspec.Struct, frozen=True, kw_only=True):
    """What an answer comes to: the lists of the facts, and how many files it changed them for."""

    include: tuple[str, ...]
    exclude: tuple[str, ...]
    files: int


class _Target(msgspec.Struct, frozen=True):
    """What one answer is about: its files, and a pattern for all of them where there is one (a folder, an ending)."""

    what: str
    files: tuple[ListedFile, ...]
    folder: str = ""
    ending: str = ""


def literal(path: str) -> str:
    """Return the pattern that means this path, as a person can read it and the facts can hold it.

    What means something else in a pattern, cannot be seen or is no UTF-8 is written ``?``, one sign of any kind.
    """
    if not has_invisible(path):
        return re.sub(r"[*\\]", "?", path)
    return "".join("?" if sign in "*\\" or has_invisible(sign) else sign for sign in path)


def answered(
    inventory: Inventory,
    listed: ShipList,
    contents: Contents,
    ship: Sequence[str],
    stay: Sequence[str],
    referenced: frozenset[str] = frozenset(),
) -> Answered:
    """Return the lists by which what ``ship`` and ``stay`` name (groups, folders, paths) does so.

    Raises :class:`CompanionError` for a name there is none of, for what never ships, and for what the lists as they
    are written by hand cannot be made to say. Nothing is half done: the result does what was asked, or is not returned.
    """
    if both := {folded(what) for what in ship} & {folded(what) for what in stay}:
        raise CompanionError("One thing cannot both ship and stay", min(both), "name it once")
    files = 0
    for what in ship:
        target, before = _target(listed, what), contents
        contents = _let_ship(target, listed, contents, _reasons(inventory, contents, referenced))
        files += len(target.files) if contents != before else 0
    for what in stay:
        target, before = _target(listed, what), contents
        contents = _leave(target, listed, contents)
        files += len(target.files) if contents != before else 0
    _hold(inventory, listed, contents, ship, stay, referenced)
    return Answered(include=contents.include, exclude=contents.exclude, files=files)


def _reasons(inventory: Inventory, contents: Contents, referenced: frozenset[str]) -> dict[str, str]:
    left = select(inventory, contents, referenced=referenced).left_out
    return {one.entry.path: one.reason for one in left}


def _target(listed: ShipList, what: str) -> _Target:
    """Return what a name given by a person means: a group's id, a path or a folder; to the letter, or in any case."""
    names = dict.fromkeys((what, what.replace("\\", "/").removeprefix("./")))
    for group in listed.groups:
        if group.id in names:
            paths = frozenset(group.paths)
            files = tuple(file for file in listed.files if file.path in paths)
            if group.whole:
                return _Target(what, files, folder=group.id[:-1])
            return _Target(what, files, ending=group.id if len(files) > 1 else "")
    for same in (str, folded):
        for name in names:
            key, folder = same(name), same(name).rstrip("/")
            if files := tuple(file for file in listed.files if same(file.path) == key):
                return _Target(what, files)
            if folder and (files := tuple(file for file in listed.files if same(file.path).startswith(f"{folder}/"))):
                return _Target(what, files, folder="/".join(files[0].path.split("/")[: folder.count("/") + 1]))
    raise CompanionError("There is no such file, folder or group", what, "companion contents lists them all")


def _patterns(target: _Target, listed: ShipList) -> list[str]:
    """Return how an answer is written: as the folder, by name, or by the ending where there are too many to name."""
    if target.folder:
        return [f"{literal(target.folder)}/**"]
    if len(target.files) > MOST_BY_NAME and not target.ending.endswith(NO_ENDING):
        top, slash, name = target.ending.rpartition("/")
        pattern = f"{f'{literal(top)}/**/' if slash else ''}*{literal(name[1:])}"
        paths = {file.path for file in target.files}
        one = globs((pattern,))
        if not any(one.matches(file.path) for file in listed.files if file.path not in paths and file.fate != "stays"):
            return [pattern]
    return [literal(file.path) for file in target.files]


def _without(patterns: Iterable[str], gone: Collection[str]) -> tuple[str, ...]:
    """Return patterns but for those that say just what ``gone`` says; a folder is written in three ways."""
    keys = {folded(pattern) for pattern in gone}
    keys |= {key[: -len("/**")] + end for key in keys if key.endswith("/**") for end in ("", "/")}
    return tuple(pattern for pattern in patterns if folded(pattern.replace("\\", "/")) not in keys)


def _let_ship(target: _Target, listed: ShipList, contents: Contents, reasons: dict[str, str]) -> Contents:
    if all(file.fate == "ships" for file in target.files):
        return contents
    may = [file for file in target.files if reasons.get(file.path) not in _NEVER]
    if not may:
        raise CompanionError(f"This never ships: {target.files[0].why}", target.what, "there is nothing to answer")
    patterns = _patterns(target, listed)
    exclude = _split(_without(contents.exclude, patterns), may, reasons)
    working = [literal(file.path) for file in may if reasons.get(file.path) == WORKING]
    if target.folder and len(working) > MOST_BY_NAME:
        raise CompanionError(
            f"{len(working):,} files in it are named as work in progress", target.what, "rename the folder, then answer"
        )
    wanted = [*patterns, *(working if target.folder else ())]
    include = contents.include or (EVERYTHING,)
    there = {folded(pattern) for pattern in include}
    include += tuple(pattern for pattern in dict.fromkeys(wanted) if folded(pattern) not in there)
    return msgspec.structs.replace(contents, include=include, exclude=exclude)


def _split(exclude: Iterable[str], files: Sequence[ListedFile], reasons: dict[str, str]) -> tuple[str, ...]:
    """Return ``exclude`` with each pattern that keeps all of ``files`` at home written as the other files it keeps."""
    keys = {folded(file.path) for file in files}
    kept: list[str] = []
    for pattern in exclude:
        one = globs((pattern,))
        if not all(one.matches_key(key) for key in keys):
            kept.append(pattern)
            continue
        others = [path for path in reasons if one.matches(path) and folded(path) not in keys]
        if len(others) > MOST_BY_NAME:
            raise CompanionError(
                f"“{pattern}” keeps it at home with {len(others):,} others",
                files[0].path,
                "let all of it ship, or write contents.exclude by hand",
            )
        kept += [literal(path) for path in others]
    return tuple(dict.fromkeys(kept))


def _leave(target: _Target, listed: ShipList, contents: Contents) -> Contents:
    patterns = _patterns(target, listed)
    include = contents.include
    if any(is_catch_all(pattern) for pattern in include):  # else the list is all that ships, and never gets empty
        include = _without(include, patterns)
        include = () if all(is_catch_all(pattern) for pattern in include) else include
    there = {folded(pattern) for pattern in contents.exclude}
    more = tuple(pattern for pattern in dict.fromkeys(patterns) if folded(pattern) not in there)
    return msgspec.structs.replace(contents, include=include, exclude=(*contents.exclude, *more))


def _hold(
    inventory: Inventory,
    listed: ShipList,
    contents: Contents,
    ship: Sequence[str],
    stay: Sequence[str],
    referenced: frozenset[str],
) -> None:
    """Raise :class:`CompanionError` unless the lists do what was asked, and nothing to what was not."""
    selected = select(inventory, contents, referenced=referenced)
    reasons = {one.entry.path: one.reason for one in selected.left_out}
    asked: set[str] = set()
    for what in ship:
        target = _target(listed, what)
        asked |= {folded(file.path) for file in target.files}
        if all(file.path in reasons for file in target.files):
            why = reasons[target.files[0].path]
            raise CompanionError(f"It would still stay: {why}", what, "see contents.exclude in release.toml")
    for what in stay:
        target = _target(listed, what)
        asked |= {folded(file.path) for file in target.files}
        if still := [file.path for file in target.files if file.path not in reasons]:
            raise CompanionError("It would still ship", still[0], "rename it, or write contents.exclude by hand")
    for file in listed.files:
        if (file.fate == "stays") != (file.path in reasons) and folded(file.path) not in asked:
            raise CompanionError(
                "That answer would reach another file as well", file.path, "answer the files one by one, by their paths"
            )
