"""Every rule of the Contents and the Paths step, and what they find.

The version of a rule, or of a measure it rests on, rises whenever the verdict on the same files may change.
"""

from collections.abc import Iterable
from typing import Any, Final

from companion.contents.checks import broken, names, paths, private, references, strays
from companion.contents.model import ContentsModel, NamesModel, PathsModel
from companion.core.findings import Finding
from companion.core.rules import Rule

CONTENTS: Final[tuple[Rule[ContentsModel], ...]] = (
    broken.patch_missing,
    references.reference_missing,
    references.reference_case,
    references.reference_normalisation,
    references.reference_excluded,
    references.references_unread,
    references.sample_unused,
    strays.stray_unasked,
    strays.stray_system_file,
    strays.stray_working_file,
    strays.symlink_outside,
    strays.nested_archive,
    broken.file_empty,
    broken.file_unreadable,
    broken.file_truncated,
    broken.picture_unreadable,
)
NAMES: Final[tuple[Rule[NamesModel], ...]] = (
    names.name_forbidden,
    names.name_reserved,
    names.name_ends_badly,
    names.name_twins,
    names.name_invisible,
    names.path_too_long,
)
PATHS: Final[tuple[Rule[PathsModel], ...]] = (
    paths.path_absolute,
    paths.path_home,
    paths.path_climbs,
    paths.path_backslash,
    paths.patch_opaque,
    paths.patch_unsure,
    private.metadata_private,
    paths.script_encoding,
)
RULES: Final[tuple[Rule[Any], ...]] = (*CONTENTS, *NAMES, *PATHS)


def check_contents(model: ContentsModel) -> list[Finding]:
    """Return what keeps the content from being whole, clean and accepted by every system."""
    found = [finding for rule in CONTENTS for finding in rule(model)]
    return found + check_names([entry.path for entry in model.selection.ships], model.top)


def check_names(paths: Iterable[str], top: str = "") -> list[Finding]:
    """Return what is wrong with the names in ``paths`` and how long they are; see :class:`NamesModel`."""
    model = NamesModel(paths=tuple(paths), top=top)
    return [finding for rule in NAMES for finding in rule(model)]
