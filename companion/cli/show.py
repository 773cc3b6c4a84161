"""The command that draws: show."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from companion.cli.base import Output, command, folder_argument, json_command, workshop
from companion.core.errors import CompanionError

if TYPE_CHECKING:
    from companion.core.progress import Watch

KINDS: Final = (
    *("waveform", "seam", "pitch", "map", "levels", "noise"),
    *("decay", "spectrum", "weight", "bounce", "history", "bytes"),
)
"""The pictures there are; a test holds them to those that are drawn."""


@command()
@folder_argument
@click.argument("path", default="")
@click.option("--as", "kind", type=click.Choice(KINDS), help="Which picture; else that of what was found first.")
@click.option("--rule", default="", help="Of what this rule found there.")
@click.option(
    "--at", "place", default="", metavar="WHERE", help="From near: 0.3s, 300ms, 6615 (a frame or byte), line 7, A..B."
)
@click.option("--width", type=click.IntRange(20, 400), help="Columns to draw in; else those of the terminal.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw in ASCII alone.")
@click.option("--svg", type=click.Path(path_type=Path, dir_okay=False), help="Write the picture there, as SVG.")
@json_command
def show(
    folder: Path,
    path: str,
    kind: str | None,
    rule: str,
    place: str,
    width: int | None,
    ascii_only: bool,
    svg: Path | None,
    watch: Watch,
) -> Output:
    """Draw a picture of a file, of what was found in it, or (without PATH) of the whole instrument.

    Sound files: waveform, seam, pitch, spectrum, decay. The whole: map, levels, noise, weight, history. Patches and
    scripts: bytes. A bounce of the performance: bounce.
    """
    from companion.cli.render.show import show_lines, terminal_width
    from companion.drawing.text import needs_ascii
    from companion.steps.drawn.asked import asked_sight

    columns = width or terminal_width()
    with workshop(folder).sights(watch) as sights:
        sight = asked_sight(sights, path, kind, rule, place, 4 * columns)
        drawing = sights.draw(sight, watch)
        others = [one for one in sights.kinds(sight) if one != drawing.kind]
    plain = ascii_only or needs_ascii(sys.stdout.encoding, os.environ.get("TERM", ""))
    lines = show_lines(drawing, columns, others, ascii_only=plain)
    if svg:
        _write(svg, drawing)
        lines = [f"Written: {svg}"]
    return Output({"drawing": drawing}, lines)


def _write(target: Path, drawing: object) -> None:
    from companion.core.files import write_safely
    from companion.drawing.shapes import Drawing
    from companion.drawing.svg import svg_text

    assert isinstance(drawing, Drawing)
    if not target.parent.is_dir():
        raise CompanionError("There is no such folder", str(target.parent), "make it first, or name another")
    write_safely(target, svg_text(drawing).encode())
