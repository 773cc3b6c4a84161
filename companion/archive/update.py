"""Update archives: only what changed since a release, and the proof that old and update together are the new."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

import msgspec

from companion.archive import checks
from companion.archive.inspect import inspect
from companion.archive.plan import Member, Plan
from companion.archive.record import ReleaseRecord
from companion.archive.rules import ARCHIVE_DIFFERS
from companion.archive.unpacking import Opened, unpack
from companion.core.errors import CompanionError
from companion.core.findings import Finding, ordered
from companion.core.progress import Watch
from companion.core.text import visible


class UpdateInfo(msgspec.Struct, frozen=True, kw_only=True):
    """What an update does to the folder of a player who has version ``since``. Paths are relative to the top folder.

    changed: replaced by the update. added: new in it. removed: in the old version and not in the new; unpacking an
    update cannot delete them, so its readme has to say so. moved: (old path, new path) of content that only moved; it
    is in the update all the same. same: files that the player keeps. bytes, full_bytes: unpacked, of the update and
    of the whole new version. top: the folder it is unpacked over; renamed_from: the old one's name where it differs.
    """

    since: str
    top: str
    renamed_from: str = ""
    changed: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    moved: tuple[tuple[str, str], ...] = ()
    same: int = 0
    bytes: int = 0
    full_bytes: int = 0


def plan_update(plan: Plan, old: ReleaseRecord) -> tuple[Plan, UpdateInfo]:
    """Return the plan of what ``plan`` has and the release ``old`` had not, or had with other content.

    Raises :class:`CompanionError` when nothing changed.
    """
    before = {path: (size, sha256) for path, size, sha256 in old.files}
    now = {_under(member.name): member for member in plan.members}
    added = tuple(sorted(now.keys() - before.keys()))
    changed = tuple(sorted(p for p in now.keys() & before.keys() if before[p] != (now[p].size, now[p].sha256)))
    removed = tuple(sorted(before.keys() - now.keys()))
    kept: tuple[Member, ...] = tuple(now[path] for path in sorted({*added, *changed}))
    if not kept:
        raise CompanionError(
            f"Nothing in it changed since {old.version}", old.archive, "an update needs at least one changed file"
        )
    gone = {before[path][1]: path for path in reversed(removed)}
    info = UpdateInfo(
        since=old.version,
        top=plan.top,
        renamed_from=old.top if old.top != plan.top else "",
        changed=changed,
        added=added,
        removed=removed,
        moved=tuple((gone[now[path].sha256], path) for path in added if now[path].sha256 in gone),
        same=len(now) - len(kept),
        bytes=sum(member.size for member in kept),
        full_bytes=plan.size,
    )
    return Plan(top=plan.top, members=kept), info


def prove_update(
    old: Path,
    update: Path,
    manifest: Mapping[str, tuple[int, str]],
    *,
    removed: Collection[str],
    watch: Watch,
    threads: int = 2,
) -> tuple[Finding, ...]:
    """Return what keeps the old archive, with the update unpacked over it, from being the new version, byte for byte.

    manifest: (size, SHA-256) by name inside the new archive. removed: paths under the top folder that the player is
    told to delete. Both archives are read in full; nothing is written.
    """
    findings: list[Finding] = []
    result: dict[str, tuple[int, str]] = {}
    for archive in (old, update):
        contents, troubles = _contents(archive, watch, threads)
        findings += troubles
        result.update(contents)
        if archive is old:  # deleted first, as the readme says: a name that only changed its case is then no loss
            for path in removed:
                result.pop(path, None)
    wanted = {_under(name): told for name, told in manifest.items()}
    for path in sorted(wanted.keys() | result.keys()):
        if path not in result:
            measured = "in neither the old archive nor the update"
        elif path not in wanted:
            measured = "left over from the old version"
        elif result[path] != wanted[path]:
            measured = "not the content of the new version"
        else:
            continue
        findings.append(
            ARCHIVE_DIFFERS.finding(path, measured=measured, limit="old archive + update = new version, byte for byte")
        )
    return ordered(findings[: checks.MOST_FINDINGS])


def _contents(archive: Path, watch: Watch, threads: int) -> tuple[dict[str, tuple[int, str]], list[Finding]]:
    seen = inspect(archive)
    dangers = [finding for check in checks.DANGERS for finding in check(seen)]
    if dangers:
        return {}, dangers
    watch.stage(f"Reading {visible(archive.name)}", seen.unpacked, "bytes")
    opened = unpack(archive, seen.members, None, watch, threads)
    return {_under(one.name): (one.size, one.sha256) for one in opened if not one.trouble}, _broken(archive, opened)


def _broken(archive: Path, opened: list[Opened]) -> list[Finding]:
    return [
        ARCHIVE_DIFFERS.finding(one.name, measured=f"{visible(one.trouble)} (in {visible(archive.name)})")
        for one in opened
        if one.trouble
    ]


def _under(name: str) -> str:
    """Return a member's path under the top folder."""
    return name.partition("/")[2]
