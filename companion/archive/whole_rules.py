"""Rules on an archive as a whole: whether it agrees with itself and with what went in, and how large it is."""

from collections.abc import Iterator
from typing import Final

from companion.archive.member_rules import APPNOTE
from companion.archive.model import HEADERS, MEMBERS, ArchiveModel, DefectKind, archive_rule
from companion.core.findings import BLOCKS, NOTES, WARNS, At, Finding
from companion.core.text import listed, visible
from companion.core.units import both_bytes, decimal_bytes

MOST_RATIO: Final = 1_032
"""The most that deflate packs: 258 bytes in 2 bits (RFC 1951, 3.2.5)."""
ROOMY: Final = 1 << 30
BOMB_RATIO: Final = 200
_ENDLESS: Final = (DefectKind.OVERLAPS, DefectKind.TOO_MUCH)
"""Contradictions that make an archive a bomb; all others make it one that differs."""


@archive_rule(
    "archive-differs",
    BLOCKS,
    rests_on=(HEADERS, MEMBERS),
    means="What comes out of the archive is not, byte for byte, what went in, or the archive contradicts itself.",
    why="Players would get a damaged or incomplete instrument, or an archive that some systems refuse to open.",
    mend="Pack again from the working folder; if it is a download, fetch it again.",
    limit="every byte equal; local and central headers agree; no bytes that belong to no member",
    source=f"{APPNOTE}, 4.3.7–4.3.16; CRC-32 of each member, and SHA-256 (FIPS 180-4) against the manifest",
)
def archive_differs(archive: ArchiveModel) -> Iterator[Finding]:
    """It contradicts itself, is cut short, is damaged, holds other files than it was made of, or others refuse it."""
    inspection, manifest = archive.inspection, archive.manifest
    yield from _defects(archive, endless=False)
    if not inspection.files and not inspection.defects:
        yield archive_differs.finding(value=0, unit="file", says="no file in it")
    for one in archive.opened:
        if one.problem:
            yield archive_differs.finding(one.name, value=one.problem)
    if manifest is not None:
        inside = {member.name for member in inspection.files}
        for name in sorted(manifest.keys() - inside):
            yield archive_differs.finding(name, value="not in the archive")
        for name in sorted(inside - manifest.keys()):
            yield archive_differs.finding(name, value="in the archive, but not among the files it was made of")
        for one in archive.opened:
            expected = manifest.get(one.name, (one.size, one.sha256))
            if not one.problem and expected != (one.size, one.sha256):
                limit = f"SHA-256 {expected[1]}"
                yield archive_differs.finding(one.name, value=one.sha256, says="SHA-256 {value}", limit=limit)
    for opinion in archive.opinions:
        if opinion.complaint:
            yield archive_differs.finding(
                value=f"{opinion.tool}: {opinion.complaint}",
                limit="other unpackers agree",
                severity=WARNS if opinion.doubtful else None,
            )


@archive_rule(
    "archive-bomb",
    BLOCKS,
    version=2,
    means="The archive unpacks to more than an instrument could, or its members share bytes or are nested without end.",
    why="Unpacking it would fill the player's disk, or never end.",
    mend="Do not unpack it; pack again from the working folder.",
    limit="1 GiB in all, or 200 times the archive's size if that is more; 1,032 times its packed size for a member; "
    "no overlap; 1,000,000 members",
    source="deflate packs at most 1,032 to 1 (RFC 1951); the other limits are common practice, no source",
)
def archive_bomb(archive: ArchiveModel) -> Iterator[Finding]:
    """More than the bytes here can honestly unpack to, members that share bytes, members without end.

    An hour of silence packs 1,000 to 1 and is no bomb, so the ratio counts only for an archive that unpacks to over
    1 GiB. What a member claims beyond deflate's own 1,032 to 1 is a lie at any size.
    """
    inspection = archive.inspection
    yield from _defects(archive, endless=True)
    most = max(ROOMY, BOMB_RATIO * inspection.size)
    if inspection.unpacked > most:
        says = f"{decimal_bytes(inspection.size)} that would unpack to {{value}}"
        yield archive_bomb.finding(value=inspection.unpacked, unit="bytes", bound=most, says=says)
    for member in inspection.members:
        most = (member.packed + 1) * MOST_RATIO
        if member.size > most:
            says = f"{decimal_bytes(member.packed)} that would unpack to {{value}}"
            yield archive_bomb.finding(member.name, value=member.size, unit="bytes", bound=most, says=says)


def _defects(archive: ArchiveModel, *, endless: bool) -> Iterator[Finding]:
    found_by = archive_bomb if endless else archive_differs
    for defect in archive.inspection.defects:
        if (defect.kind in _ENDLESS) is endless:
            yield found_by.finding(defect.name, value=f"{defect.kind}: {defect.detail}", at=At(byte=defect.byte))


@archive_rule(
    "size-over-limit",
    WARNS,
    rests_on=(),
    means="The archive is larger than the upload limit in the facts.",
    why="The upload would be refused, after the time it took.",
    mend="Make the heaviest files smaller, or raise limits.upload_bytes if your host takes more.",
    limit="limits.upload_bytes in release.toml",
    unit="bytes",
    source="the maker's own limit",
)
def size_over_limit(archive: ArchiveModel) -> Iterator[Finding]:
    """More bytes than the maker's host takes. Names what weighs most."""
    inspection, limit = archive.inspection, archive.limit_bytes
    if limit is None or inspection.size <= limit:
        return
    heaviest = sorted(inspection.files, key=lambda member: (-member.packed, member.name))[:3]
    names = listed([f"{visible(member.name)} ({decimal_bytes(member.packed)})" for member in heaviest])
    yield size_over_limit.finding(
        value=inspection.size,
        bound=limit,
        says=f"{{value}}, {both_bytes(inspection.size - limit)} too much",
        limit="{bound}",
        mend=f"{size_over_limit.mend} The heaviest are {names}",
    )


@archive_rule(
    "checksum-wrong",
    BLOCKS,
    rests_on=(),
    means="The archive's SHA-256 is not the one it was published with.",
    why="This is not the file that was released: it was damaged on its way, or replaced.",
    mend="Fetch it again; if the sum stays wrong, upload the released archive again.",
    limit="equal",
    source="SHA-256, FIPS 180-4",
)
def checksum_wrong(archive: ArchiveModel) -> Iterator[Finding]:
    """Both as hex, in either case; where none was published there is nothing to say."""
    published = archive.published.strip().lower()
    if published and published != archive.sha256:
        yield checksum_wrong.finding(value=archive.sha256, limit=visible(published[:80]))


@archive_rule(
    "zip64-needed",
    NOTES,
    means="The archive is so large that it needs the Zip64 form.",
    why="Very old unpackers cannot open it; those that come with today's systems can.",
    mend="Nothing, unless your players use very old systems: then offer the instrument in parts.",
    limit="65,534 members, 4 GiB − 2 bytes",
    unit="member",
    source=f"{APPNOTE}, 4.4.1.4 and 4.5.3",
)
def zip64_needed(archive: ArchiveModel) -> Iterator[Finding]:
    """Some part of the archive has the Zip64 form."""
    inspection = archive.inspection
    if inspection.zip64:
        yield zip64_needed.finding(value=len(inspection.members), says=f"{{value}}, {both_bytes(inspection.size)}")
