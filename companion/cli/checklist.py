"""Commands on the checklist, its facts, and the trials of the controls: open to waive, trials, answer."""

from __future__ import annotations

import os
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
from companion.core.errors import CompanionError
from companion.core.text import plural, visible

if TYPE_CHECKING:
    from companion.core.progress import Watch


@command("open")
@click.argument("folder", type=FOLDER, required=False)
@click.pass_context
def open_(context: click.Context, folder: Path | None) -> int:
    """Open the app on FOLDER; where there is no terminal for it, print the status.

    Without FOLDER it opens the instrument you are in, else it shows those it knows, and asks.
    """
    from companion.core.folder import FACTS_FILE

    if folder is None and Path(FACTS_FILE).is_file():
        folder = Path()
    if sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb":
        from companion.tui.running import run_app

        return run_app(folder)
    if folder is None:
        return _known()
    code: int = context.invoke(status, folder=folder)
    return code


def _known() -> int:
    from companion.cli.render.after import known_lines
    from companion.core.shelf import known
    from companion.workshop import shelf

    folders = known()
    with watching() as watch:
        found = shelf(folders, watch) if folders else ()
    print_text("\n".join(known_lines(found)))
    return 0


@command()
@folder_argument
@json_command
def status(folder: Path, watch: Watch) -> Output:
    """Show the ten steps: state, and why."""
    from companion.cli.render.checklist import status_json, status_lines
    from companion.steps.model import blocked

    shop = workshop(folder)
    found = shop.status(watch)
    lines = status_lines(found, has_facts=shop.has_facts)
    return Output(status_json(found), lines, 1 if blocked(found.steps) else 0)


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
@json_command
def needs(folder: Path, watch: Watch) -> Output:
    """Show what a player must have, and the evidence behind each line."""
    from companion.cli.render.checklist import needs_lines

    lines = workshop(folder).needs(watch)
    return Output({"needs": lines}, needs_lines(lines))


@command()
@click.argument("folder", type=FOLDER)
@click.option("--title")
@click.option("--version")
@click.option("--maker")
@click.option("--summary")
@click.option("--contact")
@click.option("--licence", help="An SPDX expression such as CC-BY-4.0.")
@click.option("--patch", "patches", multiple=True, metavar="PATH", help="A patch players open; may be repeated.")
@click.option("--engine", help="The host the patch was built in.")
@click.option("--edition", help="The edition of it a player needs.")
@click.option("--saved-with", help="The engine version that last saved the patch.")
@click.option("--minimum", help="The lowest engine version promised.")
@click.option("--middle-c", type=click.Choice(["C3", "C4", "C5"]), help="The name MIDI note 60 carries in file names.")
@click.option("--from", "other", type=FOLDER, metavar="DIR", help="Another instrument of yours, for what both share.")
@json_option
def start(folder: Path, as_json: bool, patches: tuple[str, ...], other: Path | None, **given: str | None) -> None:
    """Look at FOLDER, propose its facts, ask for the rest, and write release.toml. Never overwrites."""
    from companion.cli.render.checklist import typed

    keys = {"engine": "engine.name", "edition": "engine.edition", "saved_with": "engine.saved_with"}
    keys |= {"minimum": "engine.minimum", "middle_c": "naming.middle_c"}
    answers: dict[str, object] = {keys.get(k, f"instrument.{k}"): v for k, v in given.items() if v is not None}
    answers |= {"contents.patches": list(patches)} if patches else {}
    if other is not None:
        answers = {**_shared(other), **answers}
    with watching(quiet=as_json) as watch:
        shop = workshop(folder)
        proposal = shop.propose(watch)
    if not as_json:
        print_text("\n".join(proposal.lines))
    if not as_json and sys.stdin.isatty():
        for key, question in proposal.asks:
            if key not in answers and (given_now := click.prompt(question, default="", show_default=False)):
                answers[key] = given_now
    shop.start(answers)
    print_result(
        as_json,
        {"facts": str(shop.places.facts), "seen": proposal.lines, "open": [key for key, _ in proposal.asks]},
        [f"Written: {shop.places.facts}", f"Next: companion {typed(shop.folder)}"],
    )


def _shared(other: Path) -> dict[str, object]:
    """Return what a new instrument has in common with another one: maker, contact, licence, engine, systems."""
    from companion.steps.deeds.shelf import carried_over

    shop = workshop(other)
    if not shop.has_facts:
        raise CompanionError("That folder has no facts to start from", str(other), "name one with a release.toml")
    return carried_over(shop.facts)


@command()
@click.argument("folder", type=FOLDER)
@click.argument("key")
@click.argument("values", nargs=-1, metavar="[VALUE ...]")
@click.option("--clear", is_flag=True, help="Take the fact out.")
@json_option
def fact(folder: Path, key: str, values: tuple[str, ...], clear: bool, as_json: bool) -> None:
    """Show a fact, or state it: KEY as in release.toml, such as instrument.without. Comments and order are kept."""
    from companion.cli.render.facts import stated_line

    if clear and values:
        raise CompanionError("A fact is stated or taken out", key, "leave out the value, or --clear")
    shop = workshop(folder)
    value = shop.state_fact(key, values) if values or clear else shop.fact(key)
    print_result(as_json, {"fact": key, "value": value}, [stated_line(key, value)])


@command()
@click.argument("folder", type=FOLDER)
@click.argument("rule")
@click.argument("path", default="")
@click.option("--reason", "-r", default="", help="Why a player is no worse off for it.")
@click.option("--where", default="", help="Only this place in it; for a fact its key, such as instrument.contact.")
@click.option("--all", "group", is_flag=True, help="All that the rule found in files, each until that file changes.")
@click.option(
    "--again", is_flag=True, help="Give a waiver that has lapsed again, with its reason, for what is found now."
)
@click.option("--back", is_flag=True, help="Take the waiver back.")
def waive(folder: Path, rule: str, path: str, reason: str, where: str, group: bool, again: bool, back: bool) -> None:
    """Let a finding pass, with a reason, until what it rests on changes."""
    from companion.steps.deeds.waiving import EVERY

    if group and (path or where):
        raise CompanionError("--all is for every file the rule names", path or where, "leave out the path, or --all")
    shop = workshop(folder)
    if again and (back or group or reason):
        raise CompanionError("--again takes the reason that was given", rule, "leave out the other options")
    if again:
        print_text(f"{rule}: waived again. “{visible(shop.renew(rule, path, where))}”")
    elif back:
        shop.unwaive(rule, EVERY if group else path, where)
        print_text(f"{rule}: in force again.")
    elif group:
        print_text(f"{rule}: {plural(shop.waive_all(rule, reason), 'finding')} waived.")
    else:
        shop.waive(rule, path, reason, where)
        print_text(f"{rule}: waived.")


@command()
@folder_argument
@json_option
def trials(folder: Path, as_json: bool) -> None:
    """List the trials of the controls, with what to do and the answers given."""
    from companion.cli.render.checklist import trials_lines

    views = workshop(folder).trials()
    print_result(as_json, {"trials": views}, trials_lines(views))


@command()
@click.argument("folder", type=FOLDER)
@click.argument("trial")
@click.argument("result", type=click.Choice(["pass", "fail", "note"]))
@click.option("--note", "-n", default="", help="What was heard; a failed trial needs it.")
def answer(folder: Path, trial: str, result: Literal["pass", "fail", "note"], note: str) -> None:
    """Answer a trial of the controls, for exactly the content there is now."""
    shop = workshop(folder)
    shop.answer(trial, result, note)
    asked = [view for view in shop.trials() if not view.measured]
    done = sum(view.answer is not None and view.answer.result != "note" for view in asked)
    print_text(f"Kept. {done} of {len(asked)} trials answered.")
