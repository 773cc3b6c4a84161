"""The checks of the Contents and the Paths step, each rule's function in a plain tuple."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from companion.contents import broken, path_rules, private, reference_rules, strays
from companion.contents.model import ContentsModel, PathsModel
from companion.contents.names import judge_names, room_under
from companion.core.findings import Finding


def names(model: ContentsModel) -> list[Finding]:
    """Judge the names of all that ships, as they will stand in the archive."""
    return judge_names([entry.path for entry in model.selection.ships], room_under(model.top))


CONTENTS: Final[tuple[Callable[[ContentsModel], list[Finding]], ...]] = (
    broken.patch_missing,
    reference_rules.reference_missing,
    reference_rules.reference_case,
    reference_rules.reference_normalisation,
    reference_rules.reference_excluded,
    reference_rules.sample_unused,
    strays.stray_system_file,
    strays.stray_working_file,
    names,
    strays.symlink_outside,
    strays.nested_archive,
    broken.file_empty,
    broken.file_unreadable,
    broken.file_truncated,
    broken.picture_unreadable,
)
PATHS: Final[tuple[Callable[[PathsModel], list[Finding]], ...]] = (
    path_rules.path_absolute,
    path_rules.path_home,
    path_rules.path_climbs,
    path_rules.path_backslash,
    path_rules.patch_opaque,
    private.metadata_private,
    path_rules.script_encoding,
)


def check_contents(model: ContentsModel) -> list[Finding]:
    """Return what keeps the content from being whole, clean and accepted by every system."""
    return [finding for check in CONTENTS for finding in check(model)]


def check_paths(model: PathsModel) -> list[Finding]:
    """Return what would not be found on another computer, or cannot be told."""
    return [finding for check in PATHS for finding in check(model)]
