"""The inside of a worker process: reads requests from standard input, writes answers to standard output."""

import contextlib
import os
import signal
import sys
from typing import Any, BinaryIO, Final

import msgspec

MOST_MEMORY: Final = 1 << 30
"""Bytes of data a worker may hold. Measuring needs a tenth of it; a lying header that asks for more is refused."""


def measure(path: bytes, measures: list[str]) -> bytes:
    """Return the measures of one file, as MessagePack."""
    from companion.sound.measures.analysis import measure_path

    return msgspec.msgpack.encode(measure_path(path, measures))


def bound_memory(most: int = MOST_MEMORY) -> None:
    """Keep this process from taking more than ``most`` bytes of data, as far as the system offers to."""
    if os.name == "nt":
        with contextlib.suppress(OSError, AttributeError, ValueError):
            _bound_memory_on_windows(most)
        return
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


def answer(arguments: tuple[Any, ...]) -> tuple[bytes, str]:
    """Return the result of a request and why there is none; a fault of the file must not end the worker."""
    try:
        return measure(*arguments), ""
    except MemoryError:
        return b"", "reading it asked for more memory than any sample needs"
    except Exception as error:  # whatever a decoder throws belongs to this file
        return b"", f"{type(error).__name__}: {error}"


def serve(requests: BinaryIO, answers: BinaryIO) -> None:
    """Answer requests until there are no more; each is four bytes of length and a MessagePack body."""
    while len(head := requests.read(4)) == 4:
        body = requests.read(int.from_bytes(head, "little"))
        key, arguments = msgspec.msgpack.decode(body, type=tuple[int, tuple[Any, ...]])
        value, failure = answer(arguments)
        reply = msgspec.msgpack.encode((key, value, failure.encode("utf-8", "replace").decode()))
        answers.write(len(reply).to_bytes(4, "little") + reply)
        answers.flush()


def main() -> None:
    """Run a worker. Standard output is kept for answers alone, whatever a library prints."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides when to stop
    answers = os.fdopen(os.dup(1), "wb")
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    sys.stdout = sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123
    bound_memory()
    with contextlib.suppress(OSError):
        serve(sys.stdin.buffer, answers)
