"""Players' reports as files: texts in ``.companion/reports``, and what is known of each beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely
from companion.core.text import visible
from companion.core.toml import parse_toml
from companion.trials.reports import MOST_TEXT, NOTES, Known, Report

if TYPE_CHECKING:
    from pathlib import Path

    from companion.core.folder import Places

_MOST: Final = 10_000
"""Reports of one instrument that are looked at."""


def names_in(places: Places) -> tuple[str, ...]:
    """Return every name there, whatever it is of: none of them is written over by a new report."""
    try:
        return tuple(path.name for path in places.reports.iterdir())
    except OSError:
        return ()


def reports_in(places: Places) -> tuple[Report, ...]:
    """Return every report, by name. What does not read is there with its problem; a link is nobody's report."""
    try:
        there = sorted(path for path in places.reports.iterdir() if path.is_file() and not path.is_symlink())
    except OSError:
        return ()
    names = {path.name for path in there}
    found = []
    for path in there[:_MOST]:
        beside = path.name + NOTES
        if path.name.startswith(".") or (path.name.endswith(NOTES) and path.name.removesuffix(NOTES) in names):
            continue
        try:
            text = _decoded(read_capped(path, MOST_TEXT, "report"))
        except CompanionError as error:
            found.append(Report(id=path.name, text="", problem=error.what))
            continue
        try:
            known = _known(places.reports / beside) if beside in names else Known()
            found.append(Report(id=path.name, text=text, known=known))
        except CompanionError as error:
            found.append(Report(id=path.name, text=text, problem=f"{visible(beside)}: {error.what}"))
    return tuple(found)


def _decoded(data: bytes) -> str:
    for encoding in ("utf-8-sig", "utf-16") if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig",):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("cp1252", "replace")


def _known(path: Path) -> Known:
    text = _decoded(read_capped(path, MOST_TEXT, "notes on a report"))
    try:
        return msgspec.convert(parse_toml(text, path.name), Known)
    except msgspec.ValidationError as error:
        raise CompanionError(visible(str(error)), path.name, "mend it, or delete it") from error


def write_known(places: Places, report: Report) -> None:
    """Keep what is known of a report beside its text. Raises :class:`CompanionError`."""
    import tomli_w

    plain = {name: value for name, value in msgspec.to_builtins(report.known).items() if value not in ("", ())}
    data = f"# What is known of “{report.id}”.\n{tomli_w.dumps(plain)}".encode()
    write_safely(places.reports / f"{report.id}{NOTES}", data, root=places.folder)
