"""Which copies of which objects did not read back: remembered beside the history, so that they are kept anew.

A doubt that is wrong, or forged, costs a second copy of one object and nothing else.
"""

import contextlib
import re
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.files import read_capped, write_safely

_LINE: Final = re.compile(r"([0-9a-f]{40}) ([0-9a-z-]{1,80}\.idx)")
_MOST: Final = 4 << 20


class Doubts:
    """Pairs of an index's name and an object's id."""

    def __init__(self, folder: Path) -> None:
        """``folder``: the ``objects/pack`` of the history."""
        self._folder = folder
        self._path = folder.parent / "info" / "doubted"
        self._kept: frozenset[tuple[str, bytes]] = frozenset()
        self._new: frozenset[tuple[str, bytes]] = frozenset()

    @property
    def all(self) -> frozenset[tuple[str, bytes]]:
        """Those remembered and those met since."""
        return self._kept | self._new

    def read(self) -> bool:
        """Read what is remembered; tell whether that is something else than before."""
        before, text = self._kept, ""
        with contextlib.suppress(CompanionError):
            if self._path.is_file():
                text = read_capped(self._path, _MOST).decode("ascii", "replace")
        found = map(_LINE.fullmatch, text.splitlines())
        self._kept = frozenset((match[2], bytes.fromhex(match[1])) for match in found if match)
        return self._kept != before

    def add(self, name: str, oid: bytes) -> None:
        """Doubt one copy."""
        self._new |= {(name, oid)}

    def keep(self) -> None:
        """Remember them, but those of packs that are gone. A disk that refuses costs no more than the memory."""
        there = {(name, oid) for name, oid in self.all if (self._folder / name).exists()}
        if there == self._kept:
            return
        text = "".join(sorted(f"{oid.hex()} {name}\n" for name, oid in there))
        from companion.history.store.place import root_of

        with contextlib.suppress(CompanionError, OSError):
            write_safely(self._path, text.encode("ascii"), root=root_of(self._folder.parent.parent), ours=True)
