"""Commands on the checklist and its facts: open, status, check, needs, start, waive."""

import sys
from pathlib import Path

import click

from companion.cli.base import (
    FOLDER,
    command,
    folder_argument,
    json_option,
    print_lines,
    print_remark,
    print_result,
    print_text,
    watching,
    workshop,
)
from companion.core.errors import CompanionError
from companion.core.text import plural


@command("open")
@folder_argument
def open_(folder: Path) -> int:
    """Open the app on FOLDER; where there is no terminal, print the status."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        from companion.tui.app import run_app

        return run_app(folder)
    return _status(folder, as_json=False)


def _status(folder: Path, *, as_json: bool) -> int:
    from companion.cli.render.checklist import status_json, status_lines

    with watching(quiet=as_json) as watch:
        shop = workshop(folder)
        status = shop.status(watch)
    print_result(as_json, status_json(status), status_lines(status, has_facts=shop.has_facts))
    return 1 if status.blocked else 0


@command()
@folder_argument
@json_option
def status(folder: Path, as_json: bool) -> int:
    """Show the ten steps: state, and why."""
    return _status(folder, as_json=as_json)


@command()
@folder_argument
@click.argument("steps", nargs=-1, metavar="[STEP ...]")
@json_option
def check(folder: Path, steps: tuple[str, ...], as_json: bool) -> int:
    """Run steps (all, when none are named) and show what they find."""
    from companion.cli.render.checklist import findings_json, findings_lines
    from companion.steps.model import blocked

    with watching(quiet=as_json) as watch:
        shop = workshop(folder)
        status = shop.check(steps, watch)
    asked = [step for step in status.steps if not steps or step.id in steps]
    print_result(as_json, findings_json(asked), findings_lines(asked))
    if shop.not_kept and shop.writable:
        raise shop.not_kept
    if shop.not_kept:
        print_remark(f"Nothing of this is kept. {shop.not_kept.line}")
    return 1 if blocked(asked) else 0


@command()
@folder_argument
@json_option
def needs(folder: Path, as_json: bool) -> int:
    """Show what a player must have, and the evidence behind each line."""
    from companion.cli.render.checklist import needs_lines

    with watching(quiet=as_json) as watch:
        lines = workshop(folder).needs(watch)
    print_result(as_json, {"needs": lines}, needs_lines(lines))
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.option("--title")
@click.option("--version", "version_")
@click.option("--maker")
@click.option("--summary")
@click.option("--contact")
@click.option("--licence", help="An SPDX expression such as CC-BY-4.0.")
@click.option("--engine", help="The host the patch was built in.")
@click.option("--edition", help="The edition of it a player needs.")
@click.option("--saved-with", help="The engine version that last saved the patch.")
@click.option("--minimum", help="The lowest engine version promised.")
@click.option("--middle-c", type=click.Choice(["C3", "C4"]), help="The name MIDI note 60 carries in file names.")
@json_option
def start(folder: Path, as_json: bool, version_: str | None, **given: str | None) -> int:
    """Look at FOLDER, propose its facts, ask for the rest, and write release.toml. Never overwrites."""
    from companion.cli.render.checklist import ask_lines

    keys = {"engine": "engine.name", "edition": "engine.edition", "saved_with": "engine.saved_with"}
    keys |= {"minimum": "engine.minimum", "middle_c": "naming.middle_c"}
    answers: dict[str, object] = {keys.get(k, f"instrument.{k}"): v for k, v in given.items() if v is not None}
    if version_ is not None:
        answers["instrument.version"] = version_
    with watching(quiet=as_json) as watch:
        shop = workshop(folder)
        if shop.has_facts:
            raise CompanionError("The folder already has facts", str(shop.places.facts), "open it, or edit that file")
        proposal = shop.propose(watch)
    if not as_json:
        print_lines(list(proposal.lines))
    if not as_json and sys.stdin.isatty():
        for key, question in proposal.asks:
            if key not in answers and (given_now := click.prompt(question, default="", show_default=False)):
                answers[key] = given_now
    shop.start(answers)
    print_result(
        as_json,
        {"facts": str(shop.places.facts), "seen": proposal.lines, "open": [key for key, _ in proposal.asks]},
        ask_lines(shop.places.facts, shop.folder),
    )
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("rule")
@click.argument("path", default="")
@click.option("--reason", "-r", default="", help="Why a player is no worse off for it.")
@click.option("--where", default="", help="Only this place in it; for a fact its key, such as instrument.contact.")
@click.option("--all", "group", is_flag=True, help="All that the rule found in files, each until that file changes.")
@click.option("--back", is_flag=True, help="Take the waiver back.")
def waive(folder: Path, rule: str, path: str, reason: str, where: str, group: bool, back: bool) -> int:
    """Let a finding pass, with a reason, until its file changes."""
    from companion.steps.deeds.waiving import EVERY

    if group and (path or where):
        raise CompanionError("--all is for every file the rule names", path or where, "leave out the path, or --all")
    shop = workshop(folder)
    if back:
        shop.unwaive(rule, EVERY if group else path, where)
        print_text(f"{rule}: in force again.")
    elif group:
        print_text(f"{rule}: {plural(shop.waive_all(rule, reason), 'finding')} waived.")
    else:
        shop.waive(rule, path, reason, where)
        print_text(f"{rule}: waived.")
    return 0
