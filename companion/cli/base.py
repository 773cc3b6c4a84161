"""What every command shares: the group, options, errors as one line, progress."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import wraps
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple, NoReturn

import click

from companion import __version__
from companion.cli.modules import MODULES, NAMES
from companion.core import plain
from companion.core.errors import MOST, CompanionError
from companion.core.text import shorten, visible

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

    from companion.core.progress import Progress, Watch
    from companion.workshop import Workshop

FOLDER: Final = click.Path(path_type=Path)

folder_argument: Final = click.argument("folder", type=FOLDER, default=Path())
json_option: Final = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


class Command(click.Command):
    """A command whose help can be read on any terminal."""

    def get_help(self, ctx: click.Context) -> str:
        """Return the help."""
        return plain.charset_of(sys.stdout).shown(super().get_help(ctx))


class Group(click.Group):
    """A group of such commands."""

    command_class = Command

    def get_help(self, ctx: click.Context) -> str:
        """Return the help."""
        return plain.charset_of(sys.stdout).shown(super().get_help(ctx))


Group.group_class = Group


class _Commands(Group):
    """A group in which anything that is no command is a folder to open: ``companion FOLDER``.

    A command's module is imported when the command is asked for.
    """

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return sorted(NAMES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a command by its name, or None."""
        if cmd_name in NAMES:
            import_module(NAMES[cmd_name])  # which registers it
        return self.commands.get(cmd_name)

    def everything(self) -> dict[str, click.Command]:
        """Return all commands by their names, in that order."""
        for module in MODULES:
            import_module(f"companion.cli.{module}")
        return dict(sorted(self.commands.items()))

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        first = args[0] if args else ""
        if ctx.resilient_parsing:  # a shell asks what may stand here
            pass
        elif not args:
            args = ["open"]
        elif first not in NAMES and not first.startswith("-"):
            self._refuse_unknown(first, alone=len(args) == 1)
            args = ["open", *args]
        return super().parse_args(ctx, args)

    def _refuse_unknown(self, first: str, *, alone: bool) -> None:
        """Raise :class:`CompanionError` for what can only be a command that there is not."""
        from companion.cli.render.verbs import meant

        if "/" in first or os.sep in first or Path(first).exists():
            return
        other = meant(first, NAMES)
        if other or not alone:
            advice = f"you may have meant: companion {other}" if other else "see: companion --help"
            raise CompanionError("There is no such command, and no folder of that name", first, advice)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Return what may stand here; where a command may, so may a folder."""
        from click.shell_completion import CompletionItem

        found = super().shell_complete(ctx, incomplete)
        return found if incomplete.startswith("-") else [*found, CompletionItem(incomplete, type="dir")]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands by the work they belong to, each with its first sentence in full."""
        from companion.cli.render.verbs import grouped

        commands = self.everything()
        width = max(map(len, commands), default=0)
        for title, names in grouped(name for name, one in commands.items() if not one.hidden):
            with formatter.section(title):
                formatter.write_dl([(name.ljust(width), commands[name].get_short_help_str(300)) for name in names])


def _print_licences(context: click.Context, _: click.Parameter, value: str | None) -> None:
    if value is None or context.resilient_parsing:
        return
    from companion.cli.render.reference import licence_lines
    from companion.core.licences import parts

    print_text("\n".join(licence_lines(parts(), texts=value == "texts")))
    context.exit()


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]}, epilog="companion FOLDER opens the app."
)
@click.version_option(__version__, message="%(version)s")
@click.option(
    "--licences", type=click.Choice(["list", "texts"]), is_flag=False, flag_value="list", expose_value=False,
    is_eager=True, callback=_print_licences,
    help="List all that the companion is made of with its licence (texts: and each licence's text), and exit.",
)  # fmt: skip
def commands() -> None:
    """Step through the release of a sampled instrument: measure, prove, snapshot, write, pack."""


command: Final = commands.command
_said: Final[list[str]] = []
"""Remarks of this run that are not to be made twice."""


def main() -> NoReturn:
    """Run the command line; what a command returns is its exit code (None: 0).

    Errors for people are one line on standard error and exit code 2.
    """
    _said.clear()
    for stream in (sys.stdout, sys.stderr):
        plain.prepare(stream)
    try:
        sys.exit(commands(standalone_mode=False) or 0)
    except CompanionError as error:
        _fail(error.line, error.exit_code)
    except click.UsageError as error:
        hint = f" See: {error.ctx.command_path} --help." if error.ctx else ""
        _fail(f"{shorten(error.format_message(), MOST).rstrip('.')}.{hint}", 2)
    except click.ClickException as error:
        _fail(shorten(error.format_message(), MOST), 2)
    except (KeyboardInterrupt, click.Abort):
        _fail("Stopped.", 130)
    except OSError as error:
        _fail(f"The system refused: {error}. Check the disk and the permissions, and try again.", 2)


def print_remark(line: str) -> None:
    """Print a line beside the output, on standard error; what was said of the whole run is not said again."""
    if any(what in line for what in _said):
        return
    with suppress(OSError):  # nobody may be there to read it; the exit code still says it
        click.echo(plain.charset_of(sys.stderr).shown(line), err=True)


def _fail(line: str, code: int) -> NoReturn:
    from companion.core.one_file import closes_with_us

    print_remark(line)
    if closes_with_us():
        with suppress(EOFError, OSError):
            click.prompt(
                "Press Enter to close this window", default="", show_default=False, prompt_suffix=". ", err=True
            )
    sys.exit(code)


def workshop(folder: Path) -> Workshop:
    from companion.workshop import Workshop

    shop = Workshop.open(folder)
    if shop.brought_back and shop.brought_back.names:
        from companion.steps.deeds.hidden import BACK_IN_PLACE

        print_remark(BACK_IN_PLACE)
    for line in shop.recovery:
        print_remark(line)
    if shop.newer and shop.newer.what not in _said:
        print_remark(shop.newer.line)
        _said.append(shop.newer.what)
    return shop


@contextmanager
def watching(quiet: bool = False) -> Iterator[Watch]:
    """Give a watch that writes one line of progress to a terminal, and that Ctrl+C cancels cleanly.

    A second Ctrl+C interrupts at once.
    """
    from companion.core.progress import Watch

    visible_line = not quiet and sys.stderr.isatty()
    watch = Watch(_show_progress if visible_line else None)

    def stop(number: int, frame: object) -> None:
        if watch.cancelled:
            raise KeyboardInterrupt
        watch.cancel()

    try:
        before = signal.signal(signal.SIGINT, stop)
    except ValueError:  # not in the main thread: whoever runs us there handles the signal
        before = None
    try:
        yield watch
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
        if visible_line:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def _show_progress(progress: Progress) -> None:
    import shutil  # which brings three compressors along

    width = shutil.get_terminal_size().columns - 1
    line = plain.charset_of(sys.stderr).shown(visible(progress.line))
    sys.stderr.write(f"\r\x1b[K{line if len(line) <= width else line[:width]}")
    sys.stderr.flush()


class Output(NamedTuple):
    """What a command found: for a program, for a person, and the exit code."""

    data: Any
    lines: Sequence[str]
    code: int = 0


def json_command(function: Callable[..., Output]) -> Callable[..., int]:
    """Give a command ``--json`` and a watch, print what it returns, and hand on its exit code."""

    @json_option
    @wraps(function)
    def run(*, as_json: bool, **given: Any) -> int:
        with watching(quiet=as_json) as watch:
            output = function(**given, watch=watch)
        print_result(as_json, output.data, output.lines)
        return output.code

    return run


def print_result(as_json: bool, data: Any, lines: Sequence[str]) -> None:
    """Print lines, or one JSON object with ``schema`` first. Non-UTF-8 names stand as escaped lone surrogates."""
    if not as_json:
        print_text("\n".join(lines))
        return
    import json

    import msgspec

    plain = msgspec.to_builtins(data, enc_hook=str)
    print_text(json.dumps({"schema": 1, **plain}, ensure_ascii=True, indent=1))


def print_text(text: str, nl: bool = True, *, exactly: bool = False) -> None:
    """Print ``text``; exactly: without twins for what only a terminal has no picture of.

    A reader that has gone, as ``head`` does, changes nothing about how the command ends.

    Handled here, since click would call it a failure; and a check that blocks must not read as one that passed.
    """
    try:
        click.echo(plain.charset_of(sys.stdout, font=not exactly).shown(text), nl=nl)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is still buffered goes there too
