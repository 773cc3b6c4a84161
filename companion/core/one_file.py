"""The companion built as one file, which brings its own Python along: what is otherwise in it."""

import os
import signal
import sys
from importlib import import_module
from typing import Final

CHILD: Final = "--as-child"
"""The first word with which the one file starts itself as a child; the second is the module to run."""
CHILDREN: Final = (
    "companion.sound.measures.worker",
    "companion.sound.drawing.worker",
    "companion.sound.hearing.worker",
    "companion.words.stranger",
)
"""What it may be started as: nothing else is run for whoever gives these words."""
_LIBRARIES: Final = ("LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH", "LIBPATH")


def is_one_file() -> bool:
    """Tell whether this process runs out of the one file."""
    return bool(getattr(sys, "frozen", False))


def begin() -> None:
    """Be the child this process was started as, if it was; else leave the environment as a person has it.

    The one file's loader lets programs find libraries inside it first. Ours are found by then, and what we start of the
    system's (git, unzip) wants the system's own.
    """
    if sys.argv[1:2] == [CHILD]:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when to stop
        if len(sys.argv) != 3 or sys.argv[2] not in CHILDREN:
            raise SystemExit(2)
        import_module(sys.argv[2]).main()
        raise SystemExit(0)
    for name in _LIBRARIES:
        before = os.environ.pop(f"{name}_ORIG", None)
        if before is not None:
            os.environ[name] = before
        else:
            os.environ.pop(name, None)
