"""Commands that look: open, status, check, explain, measure, needs, trials."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from companion.cli.base import (
    FOLDER,
    command,
    folder_argument,
    json_option,
    print_json,
    remark,
    say,
    tell,
    watching,
    workshop,
)
from companion.core.errors import CompanionError


@command("open")
@folder_argument
def open_(folder: Path) -> int:
    """Open the app on FOLDER; where there is no terminal, print the status."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        from companion.tui.app import run_app

        return run_app(folder)
    return _status(folder, as_json=False)


def _status(folder: Path, *, as_json: bool) -> int:
    from companion.cli.plain import status_json, status_lines

    with watching(quiet=as_json) as watch:
        shop = workshop(folder)
        status = shop.status(watch)
    if as_json:
        print_json(status_json(status))
    else:
        say(status_lines(status, has_facts=shop.has_facts))
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
    from companion.cli.plain import findings_json, findings_lines
    from companion.steps.model import blocked

    with watching(quiet=as_json) as watch:
        shop = workshop(folder)
        status = shop.check(steps, watch)
    shown = [step for step in status.steps if not steps or step.id in steps]
    if as_json:
        print_json(findings_json(shown))
    else:
        say(findings_lines(shown))
    if shop.not_kept and shop.writable:
        raise shop.not_kept
    if shop.not_kept:
        remark(f"Nothing of this is kept. {shop.not_kept.line}")
    return 1 if blocked(shown) else 0


@command()
@click.argument("rule", required=False)
@json_option
def explain(rule: str | None, as_json: bool) -> int:
    """Tell what a rule means, its limit and its source; without RULE, list them all."""
    from companion.cli.plain import rule_data, rule_lines
    from companion.steps.catalogue import RULES

    chosen = [known for known in RULES if rule in (None, known.id)]
    if not chosen:
        raise CompanionError(f"There is no rule “{rule}”", "", "companion explain lists them all")
    if as_json:
        print_json({"rules": [rule_data(known) for known in chosen]})
    else:
        say(rule_lines(chosen, full=rule is not None))
    return 0


@command()
@click.argument("paths", nargs=-1, required=True, type=FOLDER)
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print comma-separated values.")
def measure(paths: tuple[Path, ...], as_json: bool, as_csv: bool) -> int:
    """Measure audio files: levels, length, format and what else can be measured."""
    from companion.cli.plain import measure_lines, measures_csv
    from companion.sound.measures.measured import to_plain
    from companion.steps.looks.sound import measure_paths

    with watching(quiet=as_json or as_csv) as watch:
        measured = measure_paths(paths, watch)
    if as_json:
        print_json({"files": [to_plain(one) for one in measured]})
    elif as_csv:
        tell(measures_csv(measured), nl=False)
    else:
        say(measure_lines(measured))
    return 0


@command()
@folder_argument
@json_option
def needs(folder: Path, as_json: bool) -> int:
    """Show what a player must have, and the evidence behind each line."""
    from companion.cli.plain import needs_lines

    with watching(quiet=as_json) as watch:
        lines = workshop(folder).needs(watch)
    if as_json:
        print_json({"needs": lines})
    else:
        say(needs_lines(lines))
    return 0


@command()
@folder_argument
@json_option
def trials(folder: Path, as_json: bool) -> int:
    """List the trials of the controls, with what to do and the answers given."""
    from companion.cli.plain import trials_lines

    views = workshop(folder).trials()
    if as_json:
        print_json({"trials": views})
    else:
        say(trials_lines(views))
    return 0
