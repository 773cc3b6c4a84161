"""Child processes of our own, for work on strangers' files that may take all memory, crash or never end.

A child is this interpreter started anew, isolated (``-I``) and with pipes, never by forking or by importing the
caller's main module again: so it works from a thread of a terminal app, whose standard streams are not real files, and
a working folder full of oddly named modules cannot reach it. Built as one file the companion has no interpreter to
start, and starts itself; see :mod:`companion.core.one_file`. A child reads requests from standard input and writes
answers to standard output, each as four bytes of length (little-endian) and a body; its first answer is to nobody, and
says that it has begun. One that ends before is a fault of ours or of the computer, never of a file.
"""

import contextlib
import json
import os
import platform
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import IO, Final

from companion.core.errors import CompanionError
from companion.core.one_file import CHILD, is_one_file
from companion.core.progress import QUIET, Watch

HELLO: Final = b"companion child"
"""What a child says once it can do its work."""
START_SECONDS: Final = 60.0
"""What a child may take to begin on a busy computer."""
_LOOK_SECONDS: Final = 0.05
_TICK: Final = 0.05


def command(module: str) -> list[str]:
    """Return the command that starts a child in which ``main`` of ``module`` runs."""
    if is_one_file():
        return [sys.executable, CHILD, module]
    return isolated(f"from {module} import main;main()")


def isolated(text: str) -> list[str]:
    """Return the command that runs a program text in an interpreter that searches where this one does."""
    home = str(Path(__file__).resolve().parents[2])
    entries = [entry for entry in sys.path if entry]  # without the current folder
    paths = json.dumps(entries if home in entries else [*entries, home])
    return [sys.executable, "-I", "-c", f"import sys,json;sys.path[:]=json.loads(sys.argv[1]);{text}", paths]


def begun(command: list[str], env: dict[str, str] | None = None) -> subprocess.Popen[bytes]:
    """Start a child. Raises :class:`CompanionError` where the system will not have it."""
    try:
        # The standard error of a decoder is no place for anything a person should read.
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=env
        )
    except OSError as error:
        raise not_begun(error.strerror or type(error).__name__) from error


def not_begun(why: str = "") -> CompanionError:
    """Return what is told where a child cannot begin: it is no fault of any file."""
    return CompanionError(
        f"A part of the companion that reads files does not start{f': {why}' if why else ''}",
        sys.executable,
        "no file of yours is to blame: start the companion again; if that does not help, install it anew",
    )


def framed(body: bytes) -> bytes:
    """Return ``body`` behind its length."""
    return len(body).to_bytes(4, "little") + body


def read_frame(stream: IO[bytes]) -> bytes | None:
    """Return the next body of ``stream``, None at its end."""
    head = stream.read(4)
    return stream.read(int.from_bytes(head, "little")) if len(head) == 4 else None


def serve(answer: Callable[[bytes], bytes], most: int, *needed: str) -> None:
    """Answer requests until there are no more, with at most ``most`` bytes of memory: the inside of a child.

    needed: modules to be imported before it says that it has begun: that one cannot be is no fault of a file.
    Standard output is kept for answers alone, whatever a library prints.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when to stop
    answers = os.fdopen(os.dup(1), "wb")
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    sys.stdout = sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    bound_memory(most)
    watch_memory(most)
    for module in needed:
        import_module(module)
    with contextlib.suppress(OSError):
        answers.write(framed(HELLO))
        answers.flush()
        while (body := read_frame(sys.stdin.buffer)) is not None:
            answers.write(framed(answer(body)))
            answers.flush()


def bound_memory(most: int) -> None:
    """Keep this process from taking more than ``most`` bytes of data, as far as the system offers to."""
    if os.name == "nt":
        with contextlib.suppress(OSError, AttributeError, ValueError):
            _bound_memory_on_windows(most)
        return
    if sys.platform != "win32":  # said once more, for the type checker
        import resource

        for name, value in (("RLIMIT_DATA", most), ("RLIMIT_CORE", 0)):
            with contextlib.suppress(OSError, ValueError, AttributeError):
                resource.setrlimit(getattr(resource, name), (value, value))


def _bound_memory_on_windows(most: int) -> None:
    """Put this process into a job object with a memory limit (JOB_OBJECT_LIMIT_PROCESS_MEMORY, 0x100)."""
    import ctypes

    kernel = getattr(ctypes, "WinDLL")("kernel32", use_last_error=True)  # noqa: B009  (absent elsewhere)
    kernel.CreateJobObjectW.restype = ctypes.c_void_p
    kernel.GetCurrentProcess.restype = ctypes.c_void_p
    job = ctypes.c_void_p(kernel.CreateJobObjectW(None, None))
    # JOBOBJECT_EXTENDED_LIMIT_INFORMATION as machine words: the limit flags lie at byte 16 of the basic part,
    # ProcessMemoryLimit behind the basic part and the I/O counters.
    word = ctypes.sizeof(ctypes.c_void_p)
    basic, counters = (64, 48) if word == 8 else (48, 48)
    information = (ctypes.c_byte * (basic + counters + 4 * word))()
    ctypes.c_uint32.from_buffer(information, 16).value = 0x100
    ctypes.c_size_t.from_buffer(information, basic + counters).value = most
    kernel.SetInformationJobObject(job, 9, ctypes.byref(information), ctypes.sizeof(information))
    kernel.AssignProcessToJobObject(job, ctypes.c_void_p(kernel.GetCurrentProcess()))


def watch_memory(most: int) -> None:
    """End this process once it holds more than ``most`` bytes, on systems that take the bound and do not keep it."""
    if platform.system() != "Darwin":
        return
    if sys.platform != "win32":
        import resource

        def look() -> None:
            while resource.getrusage(resource.RUSAGE_SELF).ru_maxrss <= most:  # bytes on this system
                time.sleep(_LOOK_SECONDS)
            os._exit(1)

        threading.Thread(target=look, name="memory watch", daemon=True).start()


class Child:
    """One child process that answers one request after the other; started when it is first asked."""

    def __init__(self, module: str) -> None:
        self._module = module
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._lock = threading.Lock()

    def ask(self, body: bytes, seconds: float, watch: Watch = QUIET) -> bytes | None:
        """Return the answer to ``body``; None where the child ended over it. TimeoutError after ``seconds``.

        Raises :class:`CompanionError` where no child begins, ``Cancelled`` within a tenth of a second of being asked to
        stop. After any of these the next request has a new child.
        """
        with self._lock:
            answer = None
            try:
                process = self._process or self._begin(watch)
                assert process.stdin is not None
                with contextlib.suppress(OSError, ValueError):
                    process.stdin.write(framed(body))
                    process.stdin.flush()
                answer = self._await(time.monotonic() + seconds, watch)
            finally:
                if answer is None:
                    self._end()
            return answer

    def _await(self, due: float, watch: Watch) -> bytes | None:
        while (left := due - time.monotonic()) > 0:
            watch.check()
            with contextlib.suppress(queue.Empty):
                return self._answers.get(timeout=min(left, _TICK))
        raise TimeoutError

    def close(self) -> None:
        """End the child, if one runs."""
        with self._lock:
            self._end()

    def _begin(self, watch: Watch) -> subprocess.Popen[bytes]:
        process = begun(command(self._module))
        answers: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()

        def listen() -> None:
            assert process.stdout is not None
            with contextlib.suppress(OSError, ValueError):
                while (body := read_frame(process.stdout)) is not None:
                    answers.put(body)
            answers.put(None)

        threading.Thread(target=listen, name="child", daemon=True).start()
        self._process, self._answers = process, answers
        try:
            hello = self._await(time.monotonic() + START_SECONDS, watch)
        except TimeoutError:
            raise not_begun(f"it takes longer than {START_SECONDS:.0f} s") from None
        if hello != HELLO:
            raise not_begun()
        return process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        with contextlib.suppress(OSError):
            process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5.0)
        assert process.stdin is not None
        with contextlib.suppress(OSError):
            process.stdin.close()  # what it says is read to its end by the thread that listens
