"""After the release: what players report, and what is out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from companion.cli.base import FOLDER, Output, command, commands, folder_argument, json_command, workshop
from companion.core.errors import CompanionError
from companion.trials.reports import KINDS

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.trials.reports import ChangeKind


@commands.group()
def report() -> None:
    """Take in what players report, and say in the changelog what became of it."""


@report.command()
@click.argument("folder", type=FOLDER)
@click.argument("file", type=FOLDER, required=False)
@click.option("--text", default="", help="What the player wrote; else FILE holds it, or “-” for standard input.")
@click.option("--version", default="", metavar="V", help="The release the player has.")
@click.option("--system", default="", help="The player's system, such as Windows 11.")
@click.option("--engine", default="", metavar="V", help="The player's version of the engine.")
@click.option("--about", multiple=True, metavar="WHAT", help="A file, a control or a rule; may be repeated.")
@click.option("--name", default="", help="A first name to thank, only where the player agreed to be named.")
@json_command
def add(folder: Path, file: Path | None, text: str, watch: Watch, **given: object) -> Output:
    """Take in a report: addresses, signatures and names in paths are left out of it."""
    import msgspec

    from companion.cli.render.after import taken_lines
    from companion.trials.reports import Known
    from companion.workshop import now

    words = text or _words(file)
    shop = workshop(folder)
    taken = shop.add_report(words, msgspec.convert({"at": now(), **given}, Known), watch)
    data = {"report": taken.report, "left_out": taken.left_out, "likely": taken.likely}
    return Output(data, taken_lines(taken, shop.folder))


def _words(file: Path | None) -> str:
    from companion.core.files import read_capped
    from companion.trials.reports import MOST_TEXT

    if file is None:
        raise CompanionError("There are no words in the report", "", "give --text TEXT, or a file that holds it")
    if str(file) == "-":
        return sys.stdin.buffer.read(MOST_TEXT + 1).decode("utf-8-sig", "replace")
    return read_capped(file, MOST_TEXT, "report").decode("utf-8-sig", "replace")


@report.command("list")
@folder_argument
@json_command
def list_(folder: Path, watch: Watch) -> Output:
    """List the reports: open, answered, closed."""
    from companion.cli.render.after import reports_lines

    found = workshop(folder).reports()
    return Output({"reports": found}, reports_lines(found))


@report.command()
@click.argument("folder", type=FOLDER)
@click.argument("name")
@json_command
def show(folder: Path, name: str, watch: Watch) -> Output:
    """Show a report, and how what it is about stands now."""
    from companion.cli.render.after import report_lines

    found, subjects = workshop(folder).report(name, watch)
    return Output({"report": found, "subjects": subjects}, report_lines(found, subjects))


@report.command()
@click.argument("folder", type=FOLDER)
@click.argument("report")
@click.option("--about", multiple=True, metavar="WHAT", help="It is about this too: a file, a control or a rule.")
@click.option("--not-about", multiple=True, metavar="WHAT", help="It is not about this.")
@click.option("--version", metavar="V", help="The release the player has.")
@click.option("--system", help="The player's system; empty: not known.")
@click.option("--engine", metavar="V", help="The player's version of the engine; empty: not known.")
@click.option("--name", help="A first name to thank, only where the player agreed; empty: nobody by name.")
@json_command
def edit(folder: Path, report: str, watch: Watch, **given: object) -> Output:
    """Note what REPORT is about, or what the player has, otherwise than before. Its words stay as they are."""
    import msgspec

    from companion.cli.render.after import edited_lines
    from companion.steps.deeds.reports import Edit

    found = workshop(folder).edit_report(report, msgspec.convert(given, Edit), watch)
    return Output({"report": found}, edited_lines(found))


@report.command()
@click.argument("folder", type=FOLDER)
@click.argument("name")
@click.argument("text")
@click.option("--as", "kind", type=click.Choice(KINDS), default="fixed", help="Which kind of change it is.")
@json_command
def answer(folder: Path, name: str, text: str, kind: ChangeKind, watch: Watch) -> Output:
    """Say in TEXT what became of a report: the changelog of this version will say so, with thanks."""
    from companion.cli.render.after import answered_lines

    shop = workshop(folder)
    found = shop.answer_report(name, text, kind, watch)
    return Output({"report": found}, answered_lines(found, shop.folder))


@report.command()
@click.argument("folder", type=FOLDER)
@click.argument("name")
@click.option("--why", required=True, metavar="REASON", help="Why nothing of it is to stand in the changelog.")
@json_command
def close(folder: Path, name: str, why: str, watch: Watch) -> Output:
    """Close a report without a line in the changelog."""
    from companion.cli.render.after import closed_lines

    found = workshop(folder).close_report(name, why, watch)
    return Output({"report": found}, closed_lines(found))


@command()
@folder_argument
@json_command
def releases(folder: Path, watch: Watch) -> Output:
    """List the releases line by line: checksum, needs, base, uploads, updates, and what is still current."""
    from companion.cli.render.after import releases_lines

    found = workshop(folder).releases_out()
    return Output({"releases": found}, releases_lines(found))


@command()
@click.argument("folders", nargs=-1, type=FOLDER, metavar="[DIR ...]")
@click.option("--keep", is_flag=True, help="Put the instruments that are or lie in DIR on the shelf.")
@click.option("--off", is_flag=True, help="Take DIR off the shelf; nothing in it is touched.")
@json_command
def shelf(folders: tuple[Path, ...], keep: bool, off: bool, watch: Watch) -> Output:
    """List the instruments on your shelf, or those in DIR: how far each is, what is due, and what is out."""
    from companion.cli.render.after import shelf_lines
    from companion.core.shelf import put, take, working_folders
    from companion.workshop import shelf as look

    asked = [folder.resolve() for folder in folders]
    if (keep and off) or ((keep or off) and not asked):
        raise CompanionError("A folder is put on the shelf or taken off it", "", "name it: companion shelf --keep DIR")
    if off:
        take(asked)
    if keep:
        there = [one for folder in asked for one in working_folders(folder)]
        if not there:
            raise CompanionError("There is no instrument with facts", str(folders[0]), "run: companion start FOLDER")
        put(there)
    found = look([] if keep or off else asked, watch)
    return Output({"shelf": found}, shelf_lines(found, asked=bool(asked) and not keep and not off))


@command()
@folder_argument
@click.option("--out", type=FOLDER, metavar="FILE.html", help="Where it is put; else beside the releases.")
@json_command
def sheet(folder: Path, out: Path | None, watch: Watch) -> Output:
    """Write how the instrument stands on one page, with pictures, to send or to keep: nothing private is in it."""
    from companion.workshop import now

    written = workshop(folder).write_sheet(out.absolute() if out else None, now()[:10], watch)
    return Output({"sheet": written}, [f"Written: {written}"])
