"""Every call that exists on some systems only is listed here, with its twin and the test of both.

The table is held to the code: a new call of this kind, and one that has gone, fails.
"""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from pathlib import Path
from typing import Final, NamedTuple

import pytest

import companion

ROOT: Final = Path(companion.__file__).parent
TESTS: Final = Path(__file__).parents[1]
_CALLS: Final = """
chown chroot fchdir fchmod fchown fdatasync fork getegid geteuid getgid getuid getpgid getloadavg killpg lchown lockf
mkfifo mknod nice openpty pipe2 posix_fadvise posix_fallocate pread preadv pwrite pwritev readv writev setsid sync uname
sched_getaffinity sched_setaffinity sendfile statvfs fstatvfs sysconf getxattr setxattr listxattr startfile
O_NOFOLLOW O_DIRECTORY O_PATH O_NONBLOCK O_CLOEXEC O_BINARY O_NOATIME O_NOCTTY O_NOINHERIT O_TMPFILE
"""
SOME: Final = frozenset(_CALLS.split())
"""What :mod:`os` offers on some systems only, by its documentation."""
MODULES: Final = frozenset(
    ["fcntl", "termios", "tty", "pty", "resource", "msvcrt", "winreg", "winsound", "pwd", "grp", "syslog"]
)
WINDOWS_ONLY: Final = frozenset(["windll", "WinDLL", "WinError", "CDLL"])
SIGNALS: Final = frozenset(["SIGHUP", "SIGKILL", "SIGTSTP", "SIGCONT", "SIGWINCH", "SIGUSR1", "CTRL_C_EVENT", "alarm"])
_SPOKEN_OF: Final = re.compile(rf"\b(?:{'|'.join((*SOME, *MODULES, *WINDOWS_ONLY, *SIGNALS))}|MADV_\w+|AF_UNIX)\b")


class Twin(NamedTuple):
    """What is done where a call is missing, and the file and name of the test of both."""

    instead: str
    file: str
    test: str


THREE, HOLD, WINDOWS = "core/test_three_systems.py", "core/test_hold.py", "core/test_windows.py"
TABLE: Final = {
    "fcntl": Twin("msvcrt.locking for a lock; fsync alone", WINDOWS, "test_a_lock_is_taken_and_refused_there"),
    "msvcrt": Twin("fcntl.flock", WINDOWS, "test_a_lock_is_taken_and_refused_there"),
    "os.uname": Twin("socket.gethostname", WINDOWS, "test_a_lock_is_taken_and_refused_there"),
    "resource": Twin("a job object", THREE, "test_memory_is_bounded_by_a_job_on_windows"),
    "ctypes.WinDLL": Twin("setrlimit", THREE, "test_memory_is_bounded_by_a_job_on_windows"),
    "ctypes.windll": Twin("kill with signal 0; renameat2, link", THREE, "test_a_process_is_known_on_windows"),
    "ctypes.WinError": Twin("errno", WINDOWS, "test_a_swap_is_one_call_that_keeps_the_other"),
    "ctypes.CDLL": Twin("link and rename; sync", THREE, "test_a_disk_is_synced_by_itself_or_with_all_others"),
    "termios": Twin("COLORFGBG, else dark", WINDOWS, "test_no_terminal_is_asked_there"),
    "tty": Twin("COLORFGBG, else dark", WINDOWS, "test_no_terminal_is_asked_there"),
    "os.O_BINARY": Twin("nothing: every file is", THREE, "test_a_pack_is_written_and_read_with_the_calls_there_are"),
    "os.O_CLOEXEC": Twin("nothing: Python does so itself", HOLD, "test_on_windows_a_link_lets_go_of_what_was_held"),
    "os.O_NOINHERIT": Twin("nothing: Python does so itself", HOLD, "test_on_windows_a_link_lets_go_of_what_was_held"),
    "os.O_DIRECTORY": Twin("CreateFileW holds it", HOLD, "test_on_windows_a_restore_holds_the_folders_on_its_way"),
    "os.O_PATH": Twin("open for reading", HOLD, "test_on_windows_a_restore_holds_the_folders_on_its_way"),
    "os.O_NOFOLLOW": Twin("a look at what is held", HOLD, "test_on_windows_a_link_lets_go_of_what_was_held"),
    "os.O_NONBLOCK": Twin(
        "nothing: no pipe lies on such a disk", THREE, "test_no_flag_of_one_system_is_needed_to_read"
    ),
    "os.O_NOCTTY": Twin(
        "nothing: no terminal lies on such a disk", THREE, "test_no_flag_of_one_system_is_needed_to_read"
    ),
    "os.fchmod": Twin("chmod by path", THREE, "test_permissions_are_set_with_the_call_there_is"),
    "os.fdatasync": Twin("fsync", THREE, "test_bytes_are_made_durable_by_the_narrowest_call_there_is"),
    "os.pread": Twin("seek and read", THREE, "test_a_pack_is_written_and_read_with_the_calls_there_are"),
    "os.preadv": Twin("pread", THREE, "test_a_pack_is_written_and_read_with_the_calls_there_are"),
    "os.sync": Twin("each file by itself", THREE, "test_only_linux_syncs_a_disk_as_a_whole"),
    "os.sched_getaffinity": Twin("cpu_count", THREE, "test_there_is_always_a_worker"),
    "os.readv": Twin("read", THREE, "test_memory_is_filled_with_the_call_there_is"),
    "mmap.MADV_DONTNEED": Twin("nothing", THREE, "test_what_is_mapped_reads_the_same_once_let_go"),
}


def found() -> dict[str, set[str]]:
    """Every such call in the package, with the modules it stands in."""
    places: dict[str, set[str]] = defaultdict(set)
    for path in ROOT.rglob("*.py"):
        text = path.read_text("utf-8")
        for node in ast.walk(ast.parse(text)) if _SPOKEN_OF.search(text) else ():
            for name in _named(node):
                places[name].add(path.relative_to(ROOT).as_posix())
    return places


def _named(node: ast.AST) -> list[str]:
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names if alias.name in MODULES]
    if isinstance(node, ast.ImportFrom):
        return [node.module] if node.module in MODULES else []
    whose, what = "", ""
    if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
        whose, what = node.value.id, node.attr
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("getattr", "hasattr"):
        of, name = node.args[:2]
        if isinstance(of, ast.Name) and isinstance(name, ast.Constant):
            whose, what = of.id, str(name.value)
    some = {
        "os": what in SOME,
        "ctypes": what in WINDOWS_ONLY,
        "mmap": what.startswith("MADV"),
        "signal": what in SIGNALS,
        "socket": what == "AF_UNIX",
    }
    return [f"{whose}.{what}"] if some.get(whose) else []


def test_every_call_of_some_systems_is_in_the_table() -> None:
    places = found()
    assert {name: sorted(where) for name, where in places.items() if name not in TABLE} == {}
    assert {name for name in TABLE if name not in places} == set(), "it has gone"


@pytest.mark.parametrize("file", sorted({twin.file for twin in TABLE.values()}))
def test_the_tests_of_the_table_are_there(file: str) -> None:
    text = (TESTS / file).read_text("utf-8")
    assert {twin.test for twin in TABLE.values() if twin.file == file and f"def {twin.test}(" not in text} == set()
