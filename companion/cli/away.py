"""Away: tests recorded and listed, originals hidden and brought back, kits sent and received."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from companion.cli.base import (
    FOLDER,
    Group,
    Output,
    command,
    commands,
    folder_argument,
    json_command,
    json_option,
    print_result,
    workshop,
)
from companion.core.errors import CompanionError
from companion.core.text import listed

if TYPE_CHECKING:
    from companion.core.progress import Watch

KINDS: Final = ("originals hidden", "another computer", "another player", "a piece of music")


class _OnFolder(Group):
    """A group in which anything that is no command of its own is a folder, which the command ``meant`` is for."""

    meant = ""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        first = args[0] if args else ""
        if first not in self.commands and first not in ("--help", "-h"):
            args = [self.meant, *args]
        return super().parse_args(ctx, args)


class _AwayGroup(_OnFolder):
    meant = "record"


class _KitGroup(_OnFolder):
    meant = "make"


@commands.group(cls=_AwayGroup)
def away() -> None:
    """Record an away test or list them (companion away FOLDER …), and hide the originals for one."""


@away.command("record")
@folder_argument
@click.option("--kind", type=click.Choice(KINDS), help="Which away test it was; without it, the tests are listed.")
@click.option("--result", type=click.Choice(["pass", "fail"]), help="Whether it opened and played.")
@click.option("--engine-version", default="", help="The engine version it was opened in, as the engine shows it.")
@click.option("--system", default="", help="The system, such as Windows 11.")
@click.option("--played", default="", help="What was opened and played, in a few words.")
@click.option("--who", default="", help="A first name or initials, never more.")
@click.option("--edition", default="", help="The edition of the engine.")
@click.option("--notes", default="", help="What was heard or seen.")
@click.option("--reached-originals", is_flag=True, help="The host opened files outside the copy.")
@click.option("--unused", multiple=True, help="A control or range a piece of music never used; may be repeated.")
@click.option("--piece", type=FOLDER, metavar="FILE.mid", help="The piece as MIDI: what it never used is read from it.")
@json_option
def record(folder: Path, as_json: bool, kind: str | None, result: str | None, piece: Path | None, **given: Any) -> None:
    """Record an away test of exactly the content there is now, or list how to run them and those recorded.

    A test is recorded with its kind, its result, the engine's version, the system, and what was played.
    """
    from companion.cli.render.away import away_lines

    if not kind and (result or piece or any(given.values())):
        raise CompanionError(
            "Nothing is recorded without the kind of test", "", f"add --kind, one of: {listed(KINDS, 4)}"
        )
    shop = workshop(folder)
    if kind:
        if not result:
            raise CompanionError("An away test needs its result", "", "add --result pass or --result fail")
        import msgspec

        from companion.core.evidence import AwayTest

        if piece is not None:
            if kind != "a piece of music":
                raise CompanionError("Only a piece of music is read from a MIDI file", str(piece), "leave --piece out")
            given["unused"] = (*given["unused"], *shop.coverage(piece).unused)
            given["played"] = given["played"] or piece.stem
        shop.record_away(msgspec.convert({"kind": kind, "result": result, **given}, AwayTest))
    view = shop.away()
    print_result(
        as_json, {"here": view.here, "elsewhere": view.elsewhere, "next": view.next}, away_lines(view, short=bool(kind))
    )


@away.command()
@click.argument("folder", type=FOLDER)
@click.option("--to", type=FOLDER, metavar="DIR", help="Where the copy is opened: a new folder; else a temporary one.")
@json_command
def hide(folder: Path, to: Path | None, watch: Watch) -> Output:
    """Open a copy of what ships elsewhere, and move the originals of FOLDER out of the way until “away back”.

    Any later start of the companion on FOLDER brings them back as well.
    """
    from companion.cli.render.away import hidden_lines
    from companion.workshop import now

    shop = workshop(folder)
    done = shop.hide(now(), to, watch)
    return Output(done, hidden_lines(done, shop.folder))


@away.command()
@folder_argument
@json_command
def back(folder: Path, watch: Watch) -> Output:
    """Bring back the originals that “away hide” moved out of the way."""
    from companion.cli.render.away import back_lines
    from companion.workshop import Workshop

    done = Workshop.open(folder).bring_back()
    kept = done.kept if done else ()
    return Output({"names": done.names if done else (), "kept": kept}, back_lines(done), 1 if kept else 0)


@away.command("watch")
@folder_argument
@click.option("--process", default="", metavar="NAME", help="Part of the host's name; else whichever opens the copy.")
@click.option("--for", "seconds", type=click.FloatRange(0, 86_400), help="Seconds to watch; else until Ctrl+C.")
@json_command
def watch_(folder: Path, process: str, seconds: float | None, watch: Watch) -> Output:
    """Tell which files the host opens while the originals of FOLDER are hidden, and whether it reached for others.

    What was not seen open may have been opened between two looks: it is never said not to be.
    """
    from companion.cli.render.away import host_lines
    from companion.core.folder import Places
    from companion.steps.deeds.host_files import watch_host

    # A workshop would bring the originals back.
    found = watch_host(Places(folder.resolve()), process, seconds, watch)
    return Output({"host": found}, host_lines(found, folder), 1 if found.outside else 0)


@commands.group(cls=_KitGroup)
def kit() -> None:
    """Make one file for a helper (companion kit FOLDER …), list those sent, or try one that was sent to you."""


@kit.command()
@click.argument("folder", type=FOLDER, default=Path())
@click.option("--for", "who", default="", metavar="NAME", help="Whom it is for: a first name or initials, never more.")
@click.option("--out", type=FOLDER, metavar="DIR", help="Where the kit is put; else .companion/kits.")
@json_command
def make(folder: Path, who: str, out: Path | None, watch: Watch) -> Output:
    """Make one file for a helper: the proven archive, a form, and the test performance."""
    from companion.cli.render.away import kit_lines
    from companion.workshop import now

    shop = workshop(folder)
    made = shop.make_kit(now(), who, out.absolute() if out else None, watch)
    return Output({"kit": made}, kit_lines(made, shop.folder))


@kit.command("list")
@folder_argument
@json_command
def list_(folder: Path, watch: Watch) -> Output:
    """List the kits that were sent: which wait, what came of the others, and what each settles."""
    from companion.cli.render.away import sent_lines

    found = workshop(folder).sent_kits(watch)
    return Output({"kits": found.kits, "next": found.next}, sent_lines(found))


@kit.command()
@click.argument("file", type=FOLDER, metavar="KIT")
@click.option("--to", type=FOLDER, metavar="DIR", help="Where it is opened: a new folder; else a temporary one.")
@click.option("--out", type=FOLDER, metavar="DIR", help="Where the file to send back is put; else beside the kit.")
@click.option("--form", type=FOLDER, metavar="FILE", help="The form of this kit, filled in an editor.")
@click.option("--bounce", "sounds", type=FOLDER, multiple=True, metavar="SOUND", help="A bounce; may be repeated.")
@json_option
def run(
    file: Path, to: Path | None, out: Path | None, form: Path | None, sounds: tuple[Path, ...], as_json: bool
) -> int:
    """Try an instrument that somebody sent you as a test kit, and make the one file to send back.

    Opens it away from everything else, tells what to play, and asks the questions of its form. Without a terminal it
    says where the form lies, to be filled in any editor and given with --form.
    """
    from companion.cli.kit_run import answered, asked, told

    if form is None and sounds:
        raise CompanionError("A bounce goes with a form", str(sounds[0]), "fill in the form, and add --form FILE")
    place = (out or file.absolute().parent).absolute()
    if form is not None:
        output = answered(file, form, sounds, place, quiet=as_json)
    elif not as_json and sys.stdin.isatty() and sys.stdout.isatty():
        output = asked(file, to, place)
    else:
        output = told(file, to, quiet=as_json)
    print_result(as_json, output.data, output.lines)
    return output.code


@command()
@click.argument("folder", type=FOLDER)
@click.argument("files", type=FOLDER, nargs=-1, required=True, metavar="FILE ...")
@json_command
def receive(folder: Path, files: tuple[Path, ...], watch: Watch) -> Output:
    """Take in what a helper sent back: the form, with the bounces beside it if there are any, or a zip of all."""
    from companion.cli.render.away import received_lines
    from companion.workshop import now

    came = workshop(folder).receive(files, now(), watch)
    return Output({"received": came}, received_lines(came), 0 if came.result == "pass" else 1)
