"""The inside of a worker process: reads requests from standard input, writes answers to standard output."""

from typing import Any, Final

import msgspec

from companion.core import children

MOST_MEMORY: Final = 1 << 30
"""Bytes of data a worker may hold. Measuring needs a tenth of it; a lying header that asks for more is refused."""


def measure(path: bytes, measures: list[str]) -> bytes:
    """Return the measures of one file, as MessagePack."""
    from companion.sound.measures.analysis import measure_path

    return msgspec.msgpack.encode(measure_path(path, measures))


def answer(arguments: tuple[Any, ...]) -> tuple[bytes, str]:
    """Return the result of a request and why there is none; a fault of the file must not end the worker."""
    try:
        return measure(*arguments), ""
    except MemoryError:
        return b"", "reading it asked for more memory than any sample needs"
    except Exception as error:  # whatever a decoder throws belongs to this file
        return b"", f"{type(error).__name__}: {error}"


def reply(body: bytes) -> bytes:
    """Return the reply to one request, both as MessagePack."""
    key, arguments = msgspec.msgpack.decode(body, type=tuple[int, tuple[Any, ...]])
    value, failure = answer(arguments)
    return msgspec.msgpack.encode((key, value, failure.encode("utf-8", "replace").decode()))


def main() -> None:
    """Run a worker."""
    children.serve(reply, MOST_MEMORY, "companion.sound.measures.analysis")
