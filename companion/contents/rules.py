"""Every rule of the Contents and the Paths step."""

from __future__ import annotations

from typing import Final

from companion.contents import broken, names, path_rules, private, reference_rules, strays
from companion.core.findings import Rule

RULES: Final[tuple[Rule, ...]] = (
    reference_rules.REFERENCE_MISSING,
    reference_rules.REFERENCE_CASE,
    reference_rules.REFERENCE_NORMALISATION,
    reference_rules.REFERENCE_EXCLUDED,
    reference_rules.SAMPLE_UNUSED,
    strays.STRAY_SYSTEM_FILE,
    strays.STRAY_WORKING_FILE,
    names.NAME_FORBIDDEN,
    names.NAME_RESERVED,
    names.NAME_ENDS_BADLY,
    names.NAME_TWINS,
    names.NAME_INVISIBLE,
    names.PATH_TOO_LONG,
    strays.SYMLINK_OUTSIDE,
    broken.FILE_EMPTY,
    broken.FILE_UNREADABLE,
    broken.FILE_TRUNCATED,
    strays.NESTED_ARCHIVE,
    broken.PATCH_MISSING,
    broken.PICTURE_UNREADABLE,
    path_rules.PATH_ABSOLUTE,
    path_rules.PATH_HOME,
    path_rules.PATH_CLIMBS,
    path_rules.PATH_BACKSLASH,
    path_rules.PATCH_OPAQUE,
    private.METADATA_PRIVATE,
    path_rules.SCRIPT_ENCODING,
)
