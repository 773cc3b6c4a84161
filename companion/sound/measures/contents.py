"""Files by their content: what holds the same bytes is looked at once, and what was found of it is remembered."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final, Generic, NamedTuple, TypeVar

from companion.core.cache import Table

V = TypeVar("V")
_KEEP_EVERY: Final = 256

AudioFile = tuple[str, Path, str]
"""Path relative to the folder, path on this computer, SHA-256 of the content or an empty string."""
Still = Callable[[str], bool]
"""Whether the file of a relative path, now that it was read, is the content its hash was taken of."""


class Content(NamedTuple):
    """The files that hold the same bytes, as far as hashes tell; ``path`` is that of the first of ``names``.

    key: the SHA-256, empty where it is not known.
    """

    names: list[str]
    path: Path
    key: bytes

    @property
    def size(self) -> int:
        """Bytes, 0 where the system does not tell."""
        try:
            return self.path.stat().st_size
        except OSError:
            return 0


def contents_of(files: Sequence[AudioFile]) -> list[Content]:
    """Return the contents of ``files``, in their order; a file without a hash is a content of its own."""
    contents: dict[str, Content] = {}
    for relative, path, sha in files:
        # No hash is as long as a path with a letter before it.
        content = contents.setdefault(sha or f"/{relative}", Content([], path, bytes.fromhex(sha)))
        content.names.append(relative)
    return list(contents.values())


class Memory(Generic[V]):
    """The contents of files and what a table of the cache holds of them, by key.

    What is found anew is kept in batches, the last on closing.
    """

    def __init__(self, files: Sequence[AudioFile], table: Table[V], still: Still | None) -> None:
        self.contents = contents_of(files)
        self.known = table.get_many([content.key for content in self.contents if content.key])
        self._table, self._still = table, still
        self._fresh: list[tuple[bytes, V]] = []

    def keep(self, content: Content, value: V) -> None:
        """Remember ``value``, unless the file has no hash or is no longer what it was taken of."""
        if content.key and (self._still is None or self._still(content.names[0])):
            self._fresh.append((content.key, value))
        if len(self._fresh) >= _KEEP_EVERY:
            self.close()

    def close(self) -> None:
        """Write what has not been written yet."""
        self._table.put(self._fresh)
        self._fresh = []
