"""The companion built as one file, which brings its own Python along: what is otherwise in it."""

import contextlib
import os
import re
import signal
import sys
import time
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
_UNPACKED: Final = re.compile(r"_MEI([0-9a-f]{8})\w{6}")
"""The folder that the loader of one run unpacks into, with its number (PyInstaller 6, POSIX; on Windows another)."""
_DAY: Final = 86_400
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
    clear_left_behind()
    for name in _LIBRARIES:
        before = os.environ.pop(f"{name}_ORIG", None)
        if before is not None:
            os.environ[name] = before
        else:
            os.environ.pop(name, None)


def clear_left_behind() -> None:
    """Remove what an earlier run unpacked and, killed together with its loader, left in the temporary folder.

    It is ours by what is in it, nobody's by the number of its loader in its name, and a day old: in a temporary folder
    that several computers share such numbers say nothing of those that run now.
    """
    mine = getattr(sys, "_MEIPASS", "")
    with contextlib.suppress(OSError):
        for one in os.scandir(os.path.dirname(mine)) if mine else ():  # noqa: PTH120
            match = _UNPACKED.fullmatch(one.name)
            if not match or one.path == mine or not one.is_dir(follow_symlinks=False):
                continue
            from companion.core.files import process_alive

            old = time.time() - one.stat(follow_symlinks=False).st_mtime > _DAY
            ours = os.path.isfile(os.path.join(one.path, "companion", "_licences.json"))  # noqa: PTH113, PTH118
            if old and ours and not process_alive(int(match[1], 16)):
                import shutil

                shutil.rmtree(one.path, ignore_errors=True)


def closes_with_us() -> bool:
    """Tell whether the window goes once this process ends: it was opened on Windows by a double click."""
    if not is_one_file() or os.name != "nt":
        return False
    import ctypes

    room = (ctypes.c_uint32 * 4)()
    kernel = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
    return 0 < int(kernel.GetConsoleProcessList(room, len(room))) <= len(("the loader", "this process"))
