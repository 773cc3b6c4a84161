"""Commands on what a person judges: trials, answer, away."""

from pathlib import Path
from typing import Any, Final, Literal

import click

from companion.cli.base import (
    FOLDER,
    command,
    folder_argument,
    json_option,
    print_result,
    print_text,
    workshop,
)
from companion.core.errors import CompanionError

KINDS: Final = ("originals hidden", "another computer", "another player", "a piece of music")


@command()
@folder_argument
@json_option
def trials(folder: Path, as_json: bool) -> int:
    """List the trials of the controls, with what to do and the answers given."""
    from companion.cli.render.trials import trials_lines

    views = workshop(folder).trials()
    print_result(as_json, {"trials": views}, trials_lines(views))
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("trial")
@click.argument("result", type=click.Choice(["pass", "fail", "note"]))
@click.option("--note", "-n", default="", help="What was heard; a failed trial needs it.")
def answer(folder: Path, trial: str, result: Literal["pass", "fail", "note"], note: str) -> int:
    """Answer a trial of the controls, for exactly the content there is now."""
    shop = workshop(folder)
    shop.answer(trial, result, note)
    done = sum(view.answer is not None and view.answer.result != "note" for view in shop.trials())
    print_text(f"Kept. {done} of {len(shop.trials())} trials answered.")
    return 0


@command()
@folder_argument
@click.option("--kind", type=click.Choice(KINDS), help="Which away test it was; without it, the tests are listed.")
@click.option("--result", type=click.Choice(["pass", "fail"]), help="Whether it opened and played.")
@click.option("--who", default="", help="A first name or initials, never more.")
@click.option("--engine-version", default="", help="The engine version it was opened in.")
@click.option("--edition", default="", help="The edition of the engine.")
@click.option("--system", default="", help="The system, such as Windows 11.")
@click.option("--notes", default="", help="What was heard or seen.")
@click.option("--reached-originals", is_flag=True, help="The host opened files outside the copy.")
@click.option("--unused", multiple=True, help="A control or range a piece of music never used; may be repeated.")
@json_option
def away(folder: Path, as_json: bool, kind: str | None, result: str | None, **given: Any) -> int:
    """Record an away test of exactly the content there is now, or list how to run them and those recorded."""
    from companion.cli.render.trials import away_lines

    shop = workshop(folder)
    if kind:
        if not result:
            raise CompanionError("An away test needs its result", "", "add --result pass or --result fail")
        import msgspec

        from companion.core.evidence import AwayTest

        shop.record_away(msgspec.convert({"kind": kind, "result": result, **given}, AwayTest))
    view = shop.away()
    print_result(as_json, {"here": view.here, "elsewhere": view.elsewhere}, away_lines(view, short=bool(kind)))
    return 0
