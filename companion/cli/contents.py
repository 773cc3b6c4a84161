"""The command on what ships: contents."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from companion.cli.base import Output, command, folder_argument, json_command, workshop

if TYPE_CHECKING:
    from companion.core.progress import Watch


@command()
@folder_argument
@click.option("--ship", multiple=True, metavar="WHAT", help="Let a group, a folder or a file ship; may be repeated.")
@click.option("--stay", multiple=True, metavar="WHAT", help="Leave it at home instead; may be repeated.")
@click.option("--all", "-a", "whole", is_flag=True, help="List every file, however many there are.")
@json_command
def contents(folder: Path, ship: tuple[str, ...], stay: tuple[str, ...], whole: bool, watch: Watch) -> Output:
    """List what ships, what stays and what is asked about, each with its reason; or answer what is asked.

    An answer is kept in release.toml: a folder with whatever comes into it later, other files by their names.
    """
    from companion.cli.render.contents import contents_lines, decided_line

    shop = workshop(folder)
    lines = [decided_line(shop.decide(ship, stay, watch)), ""] if ship or stay else []
    listed = shop.contents(watch)
    lines += contents_lines(listed, shop.folder, whole=whole)
    return Output({"contents": listed}, lines, 1 if listed.groups else 0)
