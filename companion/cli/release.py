"""Commands on what goes out: draft, pack, prove, release, upload."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from companion.cli.base import (
    FOLDER,
    Output,
    command,
    folder_argument,
    json_command,
    json_option,
    print_remark,
    print_result,
    print_text,
    watching,
    workshop,
)
from companion.core.text import visible, visible_lines

if TYPE_CHECKING:
    from collections.abc import Iterable

    from companion.core.findings import Finding
    from companion.core.progress import Watch
    from companion.steps.looks.words import Format, What


@command()
@click.argument("folder", type=FOLDER)
@click.argument("what", type=click.Choice(["changelog", "readme", "page"]))
@click.option("--format", "fmt", type=click.Choice(["md", "txt", "html"]), default="md", show_default=True)
@click.option("--write", is_flag=True, help="Write it to its place, beside what you have written yourself.")
@click.option(
    "--settle", type=click.Choice(["mine", "draft"]), help="With --write: whose words stand where both say otherwise."
)
@json_option
def draft(
    folder: Path, what: What, fmt: Format, write: bool, settle: Literal["mine", "draft"] | None, as_json: bool
) -> int:
    """Draft the changelog, the readme or the download page from facts and evidence."""
    from companion.cli.render.release import draft_notes

    if settle and not write:
        raise click.BadParameter("it needs --write beside it", param_hint="--settle")
    with watching(quiet=True) as watch:
        shop = workshop(folder)
        drafted = shop.write_draft(what, fmt, watch, settle=settle or "") if write else shop.draft(what, fmt, watch)
    if as_json or write:
        lines = [f"Written: {drafted.target}", *draft_notes(drafted)]
        print_result(as_json, {"draft": drafted, "written": write}, lines)
    else:
        # A file or a program gets every byte as it is; a terminal nothing that would move it.
        text = visible_lines(drafted.text) if sys.stdout.isatty() else drafted.text
        print_text(text, nl=not text.endswith("\n"), exactly=not sys.stdout.isatty())
        for line in draft_notes(drafted):
            print_remark(line)
    return 1 if drafted.missing or drafted.conflicts else 0


@command()
@folder_argument
@click.option("--since", metavar="VERSION", help="Only what changed since this recorded release.")
@json_command
def pack(folder: Path, since: str | None, watch: Watch) -> Output:
    """Build the archive, or an update to a release, and prove that it opens anywhere."""
    from companion.cli.render.release import packed_lines, updated_lines

    if since is not None:
        _refuse_empty("--since", since)
        updated = workshop(folder).pack_update(since, watch)
        return Output({"update": updated}, updated_lines(updated), _code(updated.findings))
    packed = workshop(folder).pack(watch)
    return Output({"archive": packed}, packed_lines(packed), _code(packed.findings))


def _code(findings: Iterable[Finding]) -> int:
    return 1 if any(finding.blocks for finding in findings) else 0


@command()
@click.argument("archive", type=FOLDER)
@click.option("--checksum", metavar="SHA256", help="The SHA-256 it should have.")
@json_command
def prove(archive: Path, checksum: str | None, watch: Watch) -> Output:
    """Open any archive as a stranger would and say whether it is whole and portable."""
    from companion import workshop as any_folder
    from companion.cli.render.release import proof_lines

    proof = any_folder.prove(archive, "" if checksum is None else _sha256(checksum), watch)
    return Output({"proof": proof}, proof_lines(proof), _code(proof.findings))


def _refuse_empty(option: str, value: str) -> None:
    """Refuse what a variable that was never set leaves of an option: it must not pass for having been asked."""
    if not value.strip():
        raise click.BadParameter("it is empty", param_hint=option)


def _sha256(text: str) -> str:
    """Return the SHA-256 in ``text``, which may be a whole line of a checksum file, with the file's name behind it."""
    _refuse_empty("--checksum", text)
    digits = text.split()[0].lower().removeprefix("sha256:")
    # Said now: held against the archive, anything else would read as if the archive were damaged.
    if not re.fullmatch("[0-9a-f]{64}", digits):
        raise click.BadParameter("a SHA-256 is 64 digits, 0 to 9 and a to f", param_hint="--checksum")
    return digits


@command()
@folder_argument
@json_command
def release(folder: Path, watch: Watch) -> Output:
    """Record the release: a snapshot, its tag and the record. Every step before must be proven."""
    from companion.cli.render.history import not_kept_lines
    from companion.cli.render.release import record_lines

    shop = workshop(folder)
    record = shop.release(watch)
    lacks = [line for shot in shop.snapshots() if shot.number == record.snapshot for line in not_kept_lines(shot)]
    return Output({"release": record}, [*record_lines(record), *lacks], 1 if lacks else 0)


@command()
@click.argument("folder", type=FOLDER)
@click.argument("file", type=FOLDER)
@json_command
def upload(folder: Path, file: Path, watch: Watch) -> Output:
    """Hold a downloaded copy of your upload against the record of the release, or of its update archive."""
    from companion.cli.render.checklist import finding_lines

    checked = workshop(folder).upload(file, watch)
    lines = finding_lines(checked.findings) or [f"The copy is {visible(checked.archive)}, byte for byte."]
    return Output({"archive": checked.archive, "findings": checked.findings}, lines, 1 if checked.findings else 0)
