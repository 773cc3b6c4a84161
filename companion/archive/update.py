"""Update archives: only what changed since a release, and the proof that old and update together are the new."""

from collections.abc import Collection, Mapping
from pathlib import Path

import msgspec

from companion.archive.inspect import inspect
from companion.archive.model import ArchiveModel
from companion.archive.plan import ArchivePlan
from companion.archive.record import ReleaseRecord
from companion.archive.rules import MOST_FINDINGS, dangers
from companion.archive.unpacking import unpack
from companion.archive.whole_rules import archive_differs
from companion.core.errors import CompanionError
from companion.core.findings import Finding, ordered
from companion.core.progress import Watch
from companion.core.text import visible


class UpdateInfo(msgspec.Struct, frozen=True, kw_only=True):
    """What an update does to the folder of a player who has version ``since``. Paths are relative to the top folder.

    changed: replaced by the update. added: new in it. removed: in the old version and not in the new; unpacking an
    update cannot delete them, so its readme has to say so. full_bytes: unpacked, of the whole new version. top: the
    folder it is unpacked over; renamed_from: the old one's name where it differs.
    """

    since: str
    top: str
    renamed_from: str = ""
    changed: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    full_bytes: int = 0


def plan_update(plan: ArchivePlan, old: ReleaseRecord) -> tuple[ArchivePlan, UpdateInfo]:
    """Return the plan of what ``plan`` has and the release ``old`` had not, or had with other content.

    Raises :class:`CompanionError` when nothing changed.
    """
    before = {path: (size, sha256) for path, size, sha256 in old.files}
    now = {_under(member.name): member for member in plan.members}
    added = tuple(sorted(now.keys() - before.keys()))
    changed = tuple(sorted(p for p in now.keys() & before.keys() if before[p] != (now[p].size, now[p].sha256)))
    if not added and not changed:
        raise CompanionError(
            f"Nothing in it changed since {old.version}", old.archive, "an update needs at least one changed file"
        )
    info = UpdateInfo(
        since=old.version,
        top=plan.top,
        renamed_from=old.top if old.top != plan.top else "",
        changed=changed,
        added=added,
        removed=tuple(sorted(before.keys() - now.keys())),
        full_bytes=plan.size,
    )
    members = tuple(now[path] for path in sorted((*added, *changed)))
    return ArchivePlan(top=plan.top, members=members, day=plan.day), info


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
        contents, refused = _contents(archive, watch, threads)
        findings += refused
        result.update(contents)
        if archive is old:  # deleted first, as the readme says: a name that only changed its case is then no loss
            for path in removed:
                result.pop(path, None)
    wanted = {_under(name): content for name, content in manifest.items()}
    for path in sorted(wanted.keys() | result.keys()):
        if path not in result:
            problem = "in neither the old archive nor the update"
        elif path not in wanted:
            problem = "left over from the old version"
        elif result[path] != wanted[path]:
            problem = "not the content of the new version"
        else:
            continue
        limit = "old archive + update = new version, byte for byte"
        findings.append(archive_differs.finding(path, value=problem, limit=limit))
    return ordered(findings[:MOST_FINDINGS])


def _contents(archive: Path, watch: Watch, threads: int) -> tuple[dict[str, tuple[int, str]], list[Finding]]:
    """Return (size, SHA-256) of what came out whole by its path, and what kept the rest, or all, from coming out."""
    inspection = inspect(archive)
    if refused := dangers(ArchiveModel(inspection=inspection)):
        return {}, refused
    watch.stage(f"Reading {visible(archive.name)}", inspection.unpacked, "bytes")
    opened = unpack(archive, inspection.members, None, watch, threads)
    damaged = [
        archive_differs.finding(one.name, value=f"{one.problem} (in {archive.name})") for one in opened if one.problem
    ]
    return {_under(one.name): (one.size, one.sha256) for one in opened if not one.problem}, damaged


def _under(name: str) -> str:
    """Return a member's path under the top folder."""
    return name.partition("/")[2]
