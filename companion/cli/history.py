"""Commands on the history: snapshot, snapshots, compare, restore, forget, mirror, adopt."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import click

from companion.cli.base import FOLDER, Output, command, folder_argument, json_command, workshop
from companion.core.errors import CompanionError

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.workshop import Workshop


def with_history(folder: Path, *, looking: bool = False) -> Workshop:
    """Open a folder in which snapshots can be kept, or only looked at. Raises :class:`CompanionError`: why not."""
    shop = workshop(folder)
    if problem := shop.history_problem(looking=looking):
        raise CompanionError(f"No snapshots can be kept: {problem}", str(shop.folder))
    return shop


@command()
@folder_argument
@click.option("-m", "--label", default="", help="A few words you will know it by.")
@json_command
def snapshot(folder: Path, label: str, watch: Watch) -> Output:
    """Keep the folder as it is now. What could not be kept is told, and gives 1."""
    from companion.cli.render.history import snapshot_lines

    taken = with_history(folder).snapshot(label, watch)
    return Output({"snapshot": taken.as_dict()}, snapshot_lines(taken), 0 if taken.whole else 1)


@command()
@folder_argument
@click.option("--verify", is_flag=True, help="Read everything back and hold it against its checksums.")
@click.option("--size", is_flag=True, help="Say what the history weighs, and what each snapshot alone costs.")
@click.option("--changes", is_flag=True, help="Say beside each what changed since the one before it.")
@json_command
def snapshots(folder: Path, verify: bool, size: bool, changes: bool, watch: Watch) -> Output:
    """List the snapshots, newest first; or verify the history, or say what it weighs."""
    from companion.cli.render.history import size_lines, snapshots_lines, verified_lines

    shop = with_history(folder, looking=True)
    if verify:
        verified = shop.verify_history(watch)
        return Output({"verified": verified}, verified_lines(verified), 0 if verified.whole else 2)
    if size:
        weighed = shop.history_size(watch)
        return Output({"size": weighed}, size_lines(weighed))
    listed = shop.snapshots()
    data = {"snapshots": [shot.as_dict() for shot in listed]}
    if not changes:
        return Output(data, snapshots_lines(listed))
    pairs = {shot.number: (before.tree, shot.tree) for shot, before in pairwise(listed) if before.tree and shot.tree}
    found = shop.moves(list(pairs.values()), watch)
    moved = {number: found[pair] for number, pair in pairs.items()}
    return Output({**data, "changes": moved}, snapshots_lines(listed, moved))


@command()
@click.argument("folder", type=FOLDER)
@click.argument("a", type=int)
@click.argument("b", type=int, required=False)
@json_command
def compare(folder: Path, a: int, b: int | None, watch: Watch) -> Output:
    """Show what changed from snapshot A to snapshot B, or to the folder as it is."""
    changes = with_history(folder, looking=True).compare(a, b, watch)
    return Output({"changes": changes}, changes.lines or ["Nothing changed."], 1 if changes.unread else 0)


@command()
@click.argument("folder", type=FOLDER)
@click.argument("number", type=int, metavar="SNAPSHOT")
@click.option("--only", multiple=True, metavar="PATH", help="Bring back only this file or folder; may be repeated.")
@click.option("--into", type=FOLDER, help="Bring it back into another folder.")
@json_command
def restore(folder: Path, number: int, only: tuple[str, ...], into: Path | None, watch: Watch) -> Output:
    """Bring back a snapshot. What is there now is kept as a snapshot first."""
    from companion.cli.render.history import restored_json, restored_lines

    restored = with_history(folder, looking=into is not None).restore(number, only, into, watch)
    return Output({"restored": restored_json(restored)}, restored_lines(restored), 2 if restored.failed else 0)


@command()
@click.argument("folder", type=FOLDER)
@click.argument("numbers", nargs=-1, type=int, required=True, metavar="SNAPSHOT ...")
@click.option("--labelled", is_flag=True, help="Forget it even though you gave it a label.")
@click.option("--released", is_flag=True, help="Forget it even though it was released.")
@json_command
def forget(folder: Path, numbers: tuple[int, ...], labelled: bool, released: bool, watch: Watch) -> Output:
    """Forget snapshots and win back what only they hold. Never a labelled or released one unasked."""
    from companion.cli.render.history import forgotten_lines

    gone = with_history(folder).forget(numbers, labelled=labelled, released=released, watch=watch)
    return Output({"forgotten": gone}, forgotten_lines(gone))


@command()
@click.argument("folder", type=FOLDER)
@click.argument("target")
@json_command
def mirror(folder: Path, target: str, watch: Watch) -> Output:
    """Bring a second copy of the history up to date: a folder on another disk, or any git repository's address."""
    from companion.cli.render.history import mirrored_lines

    done = with_history(folder, looking=True).mirror(target, watch)
    return Output({"mirror": done}, mirrored_lines(done), 1 if done.broken else 0)


@command()
@click.argument("folder", type=FOLDER)
@click.argument("copy", type=FOLDER, metavar="MIRROR")
@json_command
def adopt(folder: Path, copy: Path, watch: Watch) -> Output:
    """Bring a history back from its second copy on a disk, into a folder that has none."""
    from companion.cli.render.history import adopted_lines

    adopted = with_history(folder).adopt(copy, watch)
    return Output({"adopted": adopted}, adopted_lines(adopted), 1 if adopted.broken else 0)
