"""Commands on the performance: perform, judge, coverage."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from companion.cli.base import FOLDER, Output, command, folder_argument, json_command, workshop

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.trials.performance.midi import Asked

F = TypeVar("F", bound=Callable[..., Any])


def _plan_options(command: F) -> F:
    """Add what decides which performance is meant: --seed, --for, --split."""
    for option in (
        click.option("--split", is_flag=True, help="With --for: several parts, each judged by itself, and every key."),
        click.option("--for", "seconds", type=click.IntRange(1, 100_000), help="The most seconds; fewer keys then."),
        click.option("--seed", type=click.IntRange(0, 999_999), help="Another performance of the same instrument."),
    ):
        command = option(command)
    return command


def _asked(seed: int | None, seconds: int | None, split: bool) -> Asked | None:
    from companion.trials.performance.midi import Asked

    if split and seconds is None:
        raise click.BadParameter("it needs --for SECONDS beside it", param_hint="--split")
    if seed is None and seconds is None:
        return None
    return Asked(seed=seed or 0, seconds=seconds or 0, split=split)


@command()
@folder_argument
@click.option("--out", type=FOLDER, metavar="DIR", help="Where to write it; else .companion/bounces in the folder.")
@_plan_options
@json_command
def perform(folder: Path, out: Path | None, seed: int | None, seconds: int | None, split: bool, watch: Watch) -> Output:
    """Write the test performance as MIDI: load it into the host, bounce it, and have the bounce judged."""
    from companion.cli.render.performance import performed_lines

    performed = workshop(folder).perform(_asked(seed, seconds, split), out, watch)
    return Output({"performance": performed}, performed_lines(performed, folder, seconds))


@command()
@click.argument("folder", type=FOLDER)
@click.argument("bounce", type=FOLDER)
@_plan_options
@click.option("--keep", is_flag=True, help="Keep a copy of the bounce in .companion/bounces.")
@json_command
def judge(
    folder: Path, bounce: Path, seed: int | None, seconds: int | None, split: bool, keep: bool, watch: Watch
) -> Output:
    """Judge a bounce of the performance: silent, mistuned, uneven and hanging notes, clicks, clipping."""
    from companion.cli.render.performance import bounce_lines

    judged = workshop(folder).judge(bounce, _asked(seed, seconds, split), watch, keep=keep)
    return Output(
        {"bounce": judged}, bounce_lines(judged), 1 if any(finding.blocks for finding in judged.findings) else 0
    )


@command()
@click.argument("folder", type=FOLDER)
@click.argument("piece", type=FOLDER)
@json_command
def coverage(folder: Path, piece: Path, watch: Watch) -> Output:
    """Say what a piece of music, a MIDI file, uses of the instrument, and what it never touches."""
    from companion.cli.render.performance import coverage_lines

    used = workshop(folder).coverage(piece, watch)
    return Output({"coverage": used}, coverage_lines(used))
