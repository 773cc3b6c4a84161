"""What every command shares: the group, options, errors as one line, progress."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from companion import __version__
from companion.core.errors import CompanionError

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from companion.core.progress import Watch
    from companion.workshop import Workshop

F = TypeVar("F", bound=Callable[..., Any])
FOLDER = click.Path(path_type=Path)


class _Commands(click.Group):
    """A group in which anything that is no command is a folder to open: ``companion FOLDER``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        first = args[0] if args else ""
        if not args:
            args = ["open"]
        elif first not in self.commands and not first.startswith("-"):
            args = ["open", *args]
        return super().parse_args(ctx, args)


def folder_argument(command: F) -> F:
    return click.argument("folder", type=click.Path(path_type=Path), default=Path())(command)


def json_option(command: F) -> F:
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")(command)


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]}, epilog="companion FOLDER opens the app."
)
@click.version_option(__version__, message="%(version)s")
def commands() -> None:
    """Step through the release of a sampled instrument: measure, prove, snapshot, write, pack."""


def command(name: str = "") -> Callable[[Callable[..., int | None]], click.Command]:
    """Register a command whose return value is the exit code (None: 0)."""

    def register(function: Callable[..., int | None]) -> click.Command:
        @wraps(function)
        def run(*args: Any, **kwargs: Any) -> NoReturn:
            sys.exit(function(*args, **kwargs) or 0)

        return commands.command(name or function.__name__)(run)

    return register


def main() -> NoReturn:
    """Run the command line; errors for people are one line on standard error and exit code 2."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a name or a sign the terminal's encoding lacks must not end the run
            stream.reconfigure(errors="backslashreplace")
    try:
        commands(standalone_mode=False)
    except CompanionError as error:
        _fail(error.line, error.exit_code)
    except click.UsageError as error:
        hint = f" See: {error.ctx.command_path} --help." if error.ctx else ""
        _fail(f"{error.format_message().rstrip('.')}.{hint}", 2)
    except click.ClickException as error:
        _fail(error.format_message(), 2)
    except (KeyboardInterrupt, click.Abort):
        _fail("Stopped.", 130)
    except OSError as error:
        _fail(f"The system refused: {error}. Check the disk and the permissions, and try again.", 2)
    sys.exit(0)


def print_remark(line: str) -> None:
    """Print a line beside the output, on standard error."""
    with suppress(OSError):  # nobody may be there to read it; the exit code still says it
        click.echo(line, err=True)


def _fail(line: str, code: int) -> NoReturn:
    print_remark(line)
    sys.exit(code)


def workshop(folder: Path) -> Workshop:
    from companion.workshop import Workshop

    return Workshop.open(folder)


def watching(quiet: bool = False) -> AbstractContextManager[Watch]:
    """Return a watch that shows one line of progress on a terminal, and that Ctrl+C cancels."""
    from companion.cli.render.terminal import terminal_watch

    return terminal_watch(quiet=quiet)


def print_json(data: object) -> None:
    from companion.cli.render.terminal import to_json

    print_text(to_json(data))


def print_lines(lines: Sequence[str]) -> None:
    print_text("\n".join(lines))


def print_result(as_json: bool, data: object, lines: Sequence[str]) -> None:
    """Print what a command found: for a program, or for a person."""
    if as_json:
        print_json(data)
    else:
        print_lines(lines)


def print_text(text: str, nl: bool = True) -> None:
    """Print ``text``. A reader that has gone, as ``head`` does, changes nothing about how the command ends.

    Handled here, since click would call it a failure; and a check that blocks must not read as one that passed.
    """
    try:
        click.echo(text, nl=nl)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # what is still buffered goes there too
