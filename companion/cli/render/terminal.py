"""What goes to a terminal: JSON, progress, and words of a command line."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from companion.core.progress import Progress, Watch
from companion.core.text import shorten, visible

if TYPE_CHECKING:
    from types import FrameType


def to_json(data: Any) -> str:
    """Return one JSON object with ``schema`` first. Non-UTF-8 names stand as escaped lone surrogates."""
    import json

    plain = msgspec.to_builtins(data, enc_hook=str)
    return json.dumps({"schema": 1, **plain}, ensure_ascii=True, indent=1)


@contextlib.contextmanager
def terminal_watch(*, quiet: bool) -> Iterator[Watch]:
    """Give a watch that writes one line of progress to a terminal, and that Ctrl+C cancels cleanly.

    A second Ctrl+C interrupts at once.
    """
    visible_line = not quiet and sys.stderr.isatty()
    watch = Watch(_show_progress if visible_line else None)

    def stop(number: int, frame: FrameType | None) -> None:
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
    sys.stderr.write(f"\r\x1b[K{shorten(visible(progress.line), width)}")
    sys.stderr.flush()


def typed(path: Path) -> str:
    """Return a path as one word of a command line, so that what is offered can be copied and run."""
    import shlex
    import subprocess

    return subprocess.list2cmdline([str(path)]) if os.name == "nt" else shlex.quote(str(path))
