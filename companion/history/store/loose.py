"""Objects that lie each in a file of its own: another tool was here, our writer makes none."""

import contextlib
import hashlib
import zlib
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.files import read_capped

_MOST: Final = 1 << 30


def read(objects: Path, oid: bytes) -> bytes | None:
    """Return an object's content out of a repository's ``objects``; None where it is not there, or damaged."""
    name = oid.hex()
    with contextlib.suppress(CompanionError, zlib.error, MemoryError):
        path = objects / name[:2] / name[2:]
        if not path.is_file() or path.is_symlink():
            return None
        unpacker = zlib.decompressobj()
        data = unpacker.decompress(read_capped(path, _MOST), _MOST)
        if unpacker.eof and hashlib.sha1(data, usedforsecurity=False).digest() == oid:
            return data.partition(b"\0")[2]
    return None
