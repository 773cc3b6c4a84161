"""What can be wrong with an archive. Pure data: ``companion explain`` lists it."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Rule, Severity

_APPNOTE: Final = "PKWARE APPNOTE 6.3.10"

ARCHIVE_DIFFERS: Final = Rule(
    id="archive-differs",
    step="archive",
    severity=Severity.BLOCKS,
    means="What comes out of the archive is not, byte for byte, what went in, or the archive contradicts itself.",
    why="Players would get a damaged or incomplete instrument, or an archive that some systems refuse to open.",
    mend="Pack again from the working folder; if it is a download, fetch it again.",
    limit="every byte equal; local and central headers agree; no bytes that belong to no member",
    source=f"{_APPNOTE}, 4.3.7–4.3.16; CRC-32 of each member, and SHA-256 (FIPS 180-4) against the manifest",
)
TOP_LEVEL_MANY: Final = Rule(
    id="top-level-many",
    step="archive",
    severity=Severity.BLOCKS,
    means="The archive does not hold exactly one folder at its top.",
    why="Unpacked into a full folder, its files scatter among the player's own, and the patch loses its samples.",
    mend="Put everything into one folder named after the instrument and pack that folder.",
    limit="one folder, and no file beside it",
)
NAME_UNFLAGGED: Final = Rule(
    id="name-unflagged",
    step="archive",
    severity=Severity.BLOCKS,
    means="A name has letters beyond ASCII, but the archive does not say that it is UTF-8.",
    why="Other systems read the name in a code page of their own, and the patch does not find the renamed sample.",
    mend="Pack again with a tool that sets the UTF-8 flag, or use plain letters in file names.",
    limit="bit 11 set, and the name valid UTF-8",
    source=f"{_APPNOTE}, 4.4.4 and appendix D",
)
METHOD_UNCOMMON: Final = Rule(
    id="method-uncommon",
    step="archive",
    severity=Severity.BLOCKS,
    means="A member is packed by a method other than stored or deflated, or as a patch.",
    why="The unpackers that come with Windows and macOS cannot open it.",
    mend="Pack again with the ordinary zip method (deflate).",
    limit="methods 0 (stored) and 8 (deflated)",
    source=f"{_APPNOTE}, 4.4.5",
)
MEMBER_DUPLICATE: Final = Rule(
    id="member-duplicate",
    step="archive",
    severity=Severity.BLOCKS,
    means="Two members would become one file: the names are the same, or are on a system that folds case.",
    why="One of the two overwrites the other, and which one stays differs from system to system.",
    mend="Rename one of them, or leave one out, and pack again.",
    limit="names differ after normalisation (NFC) and case folding",
    source="Unicode Standard Annex #15 and section 3.13 (D145)",
)
MEMBER_ESCAPES: Final = Rule(
    id="member-escapes",
    step="archive",
    severity=Severity.BLOCKS,
    means="A member would land outside the folder that the archive is unpacked into, or is a link or a device.",
    why="Opening the archive could overwrite files of the player's.",
    mend="Do not unpack it; pack again with plain relative paths, and with files in the place of links.",
    limit="relative names with forward slashes, no drive, no “..”; files and folders only",
    source=f"{_APPNOTE}, 4.4.17.1",
)
MEMBER_ENCRYPTED: Final = Rule(
    id="member-encrypted",
    step="archive",
    severity=Severity.BLOCKS,
    means="A member is encrypted.",
    why="Players cannot open it without a password, and no one can look inside to see whether it is whole.",
    mend="Pack again without a password.",
    limit="no member",
    source=f"{_APPNOTE}, 4.4.4 bits 0, 6 and 13",
)
ARCHIVE_BOMB: Final = Rule(
    id="archive-bomb",
    step="archive",
    severity=Severity.BLOCKS,
    means="The archive unpacks to far more than an instrument could, or its members share bytes or lie endlessly deep.",
    why="Unpacking it would fill the player's disk, or never end.",
    mend="Do not unpack it; pack again from the working folder.",
    limit="1 GiB in all, or 200 times the archive's size if that is more; 1,032 times its packed size for a member; "
    "no overlap; 1,000,000 members; paths of 4,096 bytes and 255 folders",
    source="deflate packs at most 1,032 to 1 (RFC 1951); the other limits are common practice, no source",
)
SIZE_OVER_LIMIT: Final = Rule(
    id="size-over-limit",
    step="archive",
    severity=Severity.WARNS,
    means="The archive is larger than the upload limit in the facts.",
    why="The upload would be refused, after the time it took.",
    mend="Make the heaviest files smaller, or raise limits.upload_bytes if your host takes more.",
    limit="limits.upload_bytes in release.toml",
    source="the maker's own limit",
)
CHECKSUM_WRONG: Final = Rule(
    id="checksum-wrong",
    step="archive",
    severity=Severity.BLOCKS,
    means="The archive's SHA-256 is not the one it was published with.",
    why="This is not the file that was released: it was damaged on its way, or replaced.",
    mend="Fetch it again; if the sum stays wrong, upload the released archive again.",
    limit="equal",
    source="SHA-256, FIPS 180-4",
)
ZIP64_NEEDED: Final = Rule(
    id="zip64-needed",
    step="archive",
    severity=Severity.NOTES,
    means="The archive is so large that it needs the Zip64 form.",
    why="Very old unpackers cannot open it; those that come with today's systems can.",
    mend="Nothing, unless your players use very old systems: then offer the instrument in parts.",
    limit="65,534 members, 4 GiB − 2 bytes",
    source=f"{_APPNOTE}, 4.4.1.4 and 4.5.3",
)

RULES: Final[tuple[Rule, ...]] = (
    ARCHIVE_DIFFERS,
    TOP_LEVEL_MANY,
    NAME_UNFLAGGED,
    METHOD_UNCOMMON,
    MEMBER_DUPLICATE,
    MEMBER_ESCAPES,
    MEMBER_ENCRYPTED,
    ARCHIVE_BOMB,
    SIZE_OVER_LIMIT,
    CHECKSUM_WRONG,
    ZIP64_NEEDED,
)
