"""Names that some player's system refuses, mixes up or shows as something else."""

from collections.abc import Iterator
from typing import Final

from companion.contents.model import PLAYERS_FOLDER, NamesModel, contents_rule
from companion.core import portable
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.globs import folded
from companion.core.text import has_invisible, listed, visible

_MICROSOFT: Final = "Microsoft, “Naming Files, Paths, and Namespaces”"


def _rename(name: str) -> str | None:
    """Return the mend that offers a portable name; None where ``name`` is one."""
    new = portable.portable_name(name)
    return (
        f"Rename “{visible(name)}” to “{visible(new)}”, and save the patch with the new name." if new != name else None
    )


@contents_rule(
    "name-forbidden",
    BLOCKS,
    means="A name holds a character that Windows does not allow, or bytes that are not UTF-8.",
    why="Players on Windows cannot unpack the file, or get it under another name that the patch does not find.",
    mend='Rename it without < > : " / \\ | ? * and control characters, and save the patch with the new name.',
    limit='none of < > : " / \\ | ? * and the characters 0 to 31; valid UTF-8',
    source=_MICROSOFT,
)
def name_forbidden(model: NamesModel) -> Iterator[Finding]:
    """Windows forbids nine characters and 0–31; zip archives and macOS want UTF-8."""
    for path, name in model.names:
        if portable.SURROGATE.search(name):
            yield name_forbidden.finding(path, says="bytes that are not UTF-8", mend=_rename(name))
        elif found := "".join(dict.fromkeys(portable.FORBIDDEN.findall(name))):
            characters = " ".join(map(visible, found))
            yield name_forbidden.finding(path, value=characters, says="holds {value}", mend=_rename(name))


@contents_rule(
    "name-reserved",
    BLOCKS,
    means="A name stands for a device on Windows, whatever its extension.",
    why="Windows cannot create a file of that name, so that it is missing for players there.",
    mend="Rename it, and save the patch with the new name.",
    limit="not CON, PRN, AUX, NUL, COM1 to COM9 or LPT1 to LPT9, with any extension",
    source=_MICROSOFT,
)
def name_reserved(model: NamesModel) -> Iterator[Finding]:
    """A device name stays one with any extension: ``CON.wav`` cannot be created."""
    for path, name in model.names:
        if device := portable.reserved_device(name):
            yield name_reserved.finding(path, value=device, says="the device {value}", mend=_rename(name))


@contents_rule(
    "name-ends-badly",
    BLOCKS,
    means="A name ends in a dot or a space.",
    why="Windows drops the ending, so that the patch looks for a name that is not there.",
    mend="Rename it without the ending, and save the patch with the new name.",
    limit="no dot or space at the end",
    source=_MICROSOFT,
)
def name_ends_badly(model: NamesModel) -> Iterator[Finding]:
    """Windows strips dots and spaces from the end of names."""
    for path, name in model.names:
        if name.endswith((" ", ".")):
            ending = "a dot" if name.endswith(".") else "a space"
            yield name_ends_badly.finding(path, value=ending, says="ends in {value}", mend=_rename(name))


@contents_rule(
    "name-twins",
    BLOCKS,
    means="Two names differ only in case or in how accents are written.",
    why="On macOS and Windows they are one name: one of the files overwrites the other without a word.",
    mend="Rename all but one of them, and save the patch with the new names.",
    limit="different after NFC and casefold",
    source="Unicode Standard, D145, and UAX #15",
)
def name_twins(model: NamesModel) -> Iterator[Finding]:
    """Equal after NFC and casefold. Twin folders are one finding, not one for all that lies in them."""
    groups: dict[str, list[str]] = {}
    for path, _ in model.names:
        groups.setdefault(folded(path), []).append(path)
    for twins in groups.values():
        # Below twin folders every equal name is a twin again; only those that differ in their own name are news.
        if len({path.rpartition("/")[2] for path in twins}) > 1:
            first, *rest = sorted(twins)
            others = listed([f"“{visible(path)}”" for path in rest])
            yield name_twins.finding(first, at=At(others=tuple(rest)), value=others, says="is the same name as {value}")


@contents_rule(
    "name-invisible",
    WARNS,
    means="A name holds a character that cannot be seen, or that changes the direction of writing.",
    why="Players see another name than the one on disk, cannot type it, and some programs refuse it.",
    mend="Rename it with visible characters only, and save the patch with the new name.",
    limit="no control, bidi or invisible character",
    source="Unicode Standard, Bidi_Control and Default_Ignorable_Code_Point",
)
def name_invisible(model: NamesModel) -> Iterator[Finding]:
    """Control characters below 32 and stray bytes are forbidden outright and not reported twice."""
    for path, name in model.names:
        if has_invisible(name) and not (portable.SURROGATE.search(name) or portable.FORBIDDEN.search(name)):
            held = " ".join(dict.fromkeys(visible(char) for char in name if has_invisible(char)))
            yield name_invisible.finding(path, value=held, says="holds {value}", mend=_rename(name))


@contents_rule(
    "path-too-long",
    WARNS,
    means="A path is so long that it does not fit under a typical player's folder.",
    why="Windows refuses paths of 260 characters and more, and files are left out when the archive is opened there.",
    mend="Shorten the names of the file or of its folders, and save the patch with the new names.",
    limit="260 on Windows, 90 of them taken by the player's folder; 255 bytes a name on Linux",
    source=f"{_MICROSOFT} (MAX_PATH); limits.h (NAME_MAX)",
)
def path_too_long(model: NamesModel) -> Iterator[Finding]:
    """One name over 255 bytes cannot be created on Linux at all, whatever folder it is in, and blocks."""
    for path, name in model.names:
        if (size := portable.name_bytes(name)) > portable.MOST_BYTES:
            yield path_too_long.finding(
                path,
                value=size,
                unit="byte",
                bound=portable.MOST_BYTES,
                says="a name of {value}",
                limit="{bound} a name",
                mend=_rename(name),
                severity=BLOCKS,
            )
    for path in model.paths:
        if len(path) * 2 > model.room and (units := portable.utf16_units(path)) > model.room:
            yield path_too_long.finding(
                path,
                value=units,
                unit="character",
                bound=model.room,
                limit=f"{{bound}}: what Windows allows, less a player's folder of {PLAYERS_FOLDER}",
            )
