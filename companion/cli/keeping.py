"""Commands that keep: start, waive, snapshots, answers, away tests."""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import click

from companion.cli.base import FOLDER, command, folder_argument, json_option, print_json, say, tell, watching, workshop
from companion.core.errors import CompanionError
from companion.core.text import plural

if TYPE_CHECKING:
    from companion.steps.account.moved import Moved
    from companion.workshop import Workshop

KINDS: Final = ("originals hidden", "another computer", "another player", "a piece of music")


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
    from companion.cli.plain import ask_lines

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
        say(list(proposal.seen))
    if not as_json and sys.stdin.isatty():
        for key, question in proposal.asks:
            if key not in answers and (told := click.prompt(question, default="", show_default=False)):
                answers[key] = told
    shop.start(answers)
    if as_json:
        print_json({"facts": str(shop.places.facts), "seen": proposal.seen, "open": [key for key, _ in proposal.asks]})
    else:
        say(ask_lines(shop.places.facts, shop.folder))
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
        tell(f"{rule}: in force again.")
    elif group:
        tell(f"{rule}: {plural(shop.waive_all(rule, reason), 'finding')} waived.")
    else:
        shop.waive(rule, path, reason, where)
        tell(f"{rule}: waived.")
    return 0


def with_history(folder: Path, *, looking: bool = False) -> Workshop:
    """Open a folder in which snapshots can be kept, or only looked at. Raises :class:`CompanionError`: why not."""
    shop = workshop(folder)
    if problem := shop.history_problem(looking=looking):
        raise CompanionError(f"No snapshots can be kept: {problem}", str(shop.folder))
    return shop


@command()
@folder_argument
@click.option("-m", "--label", default="", help="A few words you will know it by.")
@json_option
def snapshot(folder: Path, label: str, as_json: bool) -> int:
    """Keep the folder as it is now."""
    from companion.cli.plain import snapshot_lines

    with watching(quiet=as_json) as watch:
        taken = with_history(folder).snapshot(label, watch)
    if as_json:
        print_json({"snapshot": taken.as_dict()})
    else:
        say(snapshot_lines(taken))
    return 0


@command()
@folder_argument
@click.option("--verify", is_flag=True, help="Read everything back and hold it against its checksums.")
@click.option("--size", is_flag=True, help="Tell what the history weighs, and what each snapshot alone costs.")
@click.option("--changes", is_flag=True, help="Tell beside each what changed since the one before it.")
@json_option
def snapshots(folder: Path, verify: bool, size: bool, changes: bool, as_json: bool) -> int:
    """List the snapshots, newest first; or verify or weigh the history."""
    from companion.cli.keeping_lines import moved_lines, size_lines, verified_lines
    from companion.cli.plain import snapshots_lines

    shop = with_history(folder, looking=True)
    if verify or size:
        with watching(quiet=as_json) as watch, shop.history as history:
            found: Any = history.verify(watch) if verify else history.size(watch)
        if as_json:
            print_json({"verified" if verify else "size": found})
        else:
            say(verified_lines(found) if verify else size_lines(found))
        return 2 if verify and found.damaged else 0
    listed = shop.snapshots()
    moved: dict[int, Moved | None] = {}
    if changes:
        pairs = {
            shot.number: (before.tree, shot.tree) for shot, before in pairwise(listed) if before.tree and shot.tree
        }
        with watching(quiet=as_json) as watch:
            found = shop.moves(list(pairs.values()), watch)
        moved = {number: found[pair] for number, pair in pairs.items()}
    if as_json:
        print_json({"snapshots": [shot.as_dict() for shot in listed], **({"changes": moved} if changes else {})})
    else:
        say(moved_lines(listed, snapshots_lines(listed), moved) if changes else snapshots_lines(listed))
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("numbers", nargs=-1, type=int, required=True, metavar="SNAPSHOT ...")
@click.option("--labelled", is_flag=True, help="Forget it even though you gave it a label.")
@click.option("--released", is_flag=True, help="Forget it even though it was released.")
@json_option
def forget(folder: Path, numbers: tuple[int, ...], labelled: bool, released: bool, as_json: bool) -> int:
    """Forget snapshots and win back what only they hold. Never a labelled or released one unasked."""
    from companion.cli.keeping_lines import forgotten_lines

    shop = with_history(folder)
    asked = [shot for shot in shop.snapshots() if shot.number in numbers and shot.kind == "asked" and shot.label]
    if asked and not labelled:
        raise CompanionError(
            f"Snapshot {asked[0].number} has a label: {asked[0].label}", "", "add --labelled to forget it"
        )
    with watching(quiet=as_json) as watch, shop.history as history:
        gone = history.forget(numbers, released=released, watch=watch)
    if as_json:
        print_json({"forgotten": gone})
    else:
        say(forgotten_lines(gone))
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("target")
@json_option
def mirror(folder: Path, target: str, as_json: bool) -> int:
    """Bring a second copy of the history up to date: a folder on another disk, or any git repository's address."""
    from companion.cli.keeping_lines import mirrored_lines

    with watching(quiet=as_json) as watch, with_history(folder, looking=True).history as history:
        done = history.mirror(target, watch)
    if as_json:
        print_json({"mirror": done})
    else:
        say(mirrored_lines(done))
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("copy", type=FOLDER, metavar="MIRROR")
def adopt(folder: Path, copy: Path) -> int:
    """Bring a history back from its second copy on a disk, into a folder that has none."""
    shop = with_history(folder)
    with watching() as watch, shop.history as history:
        history.adopt(copy, watch)
    tell(f"{len(shop.snapshots()):,} snapshots are back. Bring the files back with: companion restore FOLDER SNAPSHOT")
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("a", type=int)
@click.argument("b", type=int, required=False)
@json_option
def compare(folder: Path, a: int, b: int | None, as_json: bool) -> int:
    """Show what changed from snapshot A to snapshot B, or to the folder as it is."""
    with watching(quiet=as_json) as watch:
        changes = with_history(folder, looking=True).compare(a, b, watch)
    if as_json:
        print_json({"changes": changes})
    else:
        say(list(changes.lines) or ["Nothing changed."])
    return 0


@command()
@click.argument("folder", type=FOLDER)
@click.argument("number", type=int, metavar="SNAPSHOT")
@click.option("--only", multiple=True, metavar="PATH", help="Bring back only this file or folder; may be repeated.")
@click.option("--into", type=FOLDER, help="Bring it back into another folder.")
@json_option
def restore(folder: Path, number: int, only: tuple[str, ...], into: Path | None, as_json: bool) -> int:
    """Bring back a snapshot. What is there now is kept as a snapshot first."""
    from companion.cli.plain import restored_json, restored_lines

    with watching(quiet=as_json) as watch:
        restored = with_history(folder, looking=into is not None).restore(number, only, into, watch)
    if as_json:
        print_json({"restored": restored_json(restored)})
    else:
        say(restored_lines(restored))
    return 2 if restored.failed else 0


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
    tell(f"Kept. {done} of {len(shop.trials())} trials answered.")
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
def away(folder: Path, as_json: bool, kind: str | None, result: str | None, **told: Any) -> int:
    """Record an away test of exactly the content there is now, or list how to run them and those recorded."""
    from companion.cli.plain import away_lines

    shop = workshop(folder)
    if kind:
        if not result:
            raise CompanionError("An away test needs its result", "", "add --result pass or --result fail")
        import msgspec

        from companion.core.evidence import AwayTest

        shop.record_away(msgspec.convert({"kind": kind, "result": result, **told}, AwayTest))
    view = shop.away()
    if as_json:
        print_json({"here": view.here, "elsewhere": view.elsewhere})
    else:
        say(away_lines(view, short=bool(kind)))
    return 0
