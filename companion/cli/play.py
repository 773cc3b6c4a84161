"""The command that plays: play."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from companion.cli.base import FOLDER, Output, command, json_command, print_remark, workshop
from companion.core.errors import CompanionError

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.sound.hearing.ear import Ear
    from companion.sound.hearing.values import PlayState, PlayTold

_LOOK_S: Final = 0.05


@command()
@click.argument("folder", type=FOLDER)
@click.argument("path")
@click.option("--at", "start", type=click.FloatRange(min=0), metavar="SECONDS", help="From there on.")
@click.option("--for", "seconds", type=click.FloatRange(min=0, min_open=True), metavar="SECONDS", help="No longer.")
@click.option("--rule", default="", help="A second around what this rule found there.")
@click.option("--loop", is_flag=True, help="Over and over, until Ctrl+C; of a file with a loop, the way over its seam.")
@click.option("--snapshot", type=click.IntRange(min=0), metavar="N", help="The file as this snapshot has it.")
@click.option("--level", type=click.FloatRange(-60, 0), metavar="DB", help="Level against the file; else −24 dB.")
@json_command
def play(
    folder: Path,
    path: str,
    start: float | None,
    seconds: float | None,
    rule: str,
    loop: bool,
    snapshot: int | None,
    level: float | None,
    watch: Watch,
) -> Output:
    """Play a sound file of the folder: all of it, a part, or the way over the seam of its loop.

    It needs the extra “play”. COMPANION_SOUND names another device than the computer's own (none: plays into nothing).
    """
    from companion.cli.render.play import PlayedPart, played_line
    from companion.core.own import first_time
    from companion.sound.hearing.values import CAUTION, QUIET_DB, PlayTold
    from companion.steps.drawn.asked import asked_hearing

    if not all(math.isfinite(one) for one in (start, seconds, level) if one is not None):
        raise CompanionError("That is no number of seconds or dB", "", "write it as 0.5")
    shop = workshop(folder)
    try:
        with shop.sights(watch) as sights:
            wanted = asked_hearing(sights, path, rule, start, seconds, loop=loop, snapshot=snapshot, watch=watch)
            if first_time("caution"):
                print_remark(CAUTION)
            told = PlayTold(takes=wanted.takes, level_db=QUIET_DB if level is None else level, again=wanted.again)
            heard = _until_its_end(shop.ear(), told, watch)
    finally:
        shop.close()
    take = wanted.takes[0].name
    played = PlayedPart(
        path=path,
        take=take if take != path else "",
        start_s=heard.start_s,
        end_s=heard.end_s,
        rate=heard.rate,
        channels=heard.channels,
        device=heard.device,
        device_rate=heard.device_rate,
        level_db=told.level_db,
        again=told.again,
    )
    return Output({"played": played}, [played_line(take, heard, told.level_db)])


def _until_its_end(ear: Ear, told: PlayTold, watch: Watch) -> PlayState:
    """Play to the end; stopped, it fades out."""
    from companion.core.errors import Cancelled
    from companion.sound.hearing.values import AskTold, StopTold

    first = heard = ear.tell(told, watch)
    watch.stage(f"Playing {told.takes[0].name}", 0, "seconds")
    while heard.playing:
        try:
            watch.check()
            time.sleep(_LOOK_S)
            heard = ear.tell(AskTold(), watch)
        except Cancelled:
            heard = ear.tell(StopTold())
            while heard.playing:
                time.sleep(_LOOK_S)
                heard = ear.tell(AskTold())
            raise Cancelled("Stopped") from None
    return first
