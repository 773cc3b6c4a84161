"""Measurements remembered by content, in one SQLite file that may be deleted at any time.

A cache is never a reason to fail: one that is damaged, locked or on a read-only disk is left aside and everything is
measured again.
"""

import contextlib
import os
import sqlite3
import stat
import threading
import time
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any, Final, Generic, Self, TypeVar

import msgspec

from companion.core.errors import CompanionError
from companion.core.hold import Hold

_MANY: Final = 64
"""Above this many keys, one query for the whole table beats one for each."""


_BUSY: Final = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_PATIENCE: Final = 1.0
"""Seconds within which another process that makes the same new file has made it."""


def _use_log(connection: sqlite3.Connection) -> None:
    """Turn to the write-ahead log. Of two processes that do so at once SQLite refuses one, and does not wait."""
    until = time.monotonic() + _PATIENCE
    while True:
        try:
            connection.execute("PRAGMA journal_mode=WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in _BUSY or time.monotonic() > until:
                raise
            time.sleep(0.005)
        else:
            return


class Cache:
    """Values by (table, key), where the table's name carries the version of what made them (``hashes-1``).

    Safe to use from several threads and processes. What was put is there for the next process at once; a power cut
    may cost the last of it, never what stood before (write-ahead log, ``synchronous=NORMAL``).
    """

    def __init__(self, path: Path | None) -> None:
        """Open ``path``, or a cache in memory for None or where ``path`` cannot be used."""
        self._lock = threading.Lock()
        self._tables: set[str] = set()
        self._connection = self._open(path) if path else self._connect(":memory:")

    def _open(self, path: Path) -> sqlite3.Connection:
        for attempt in range(2):
            try:
                with Hold(path.parent, path.parent.parent, make=True) as folder:
                    # SQLite knows paths alone. That it makes no file, whatever they lead to by then, is all that can be
                    # had; in another folder's cache it would find and leave nothing that is false there.
                    beside = [folder.look(path.name + end) for end in ("", "-wal", "-shm", "-journal")]
                    if any(one is not None and not stat.S_ISREG(one.st_mode) for one in beside):
                        break
                    os.close(folder.open(path.name, os.O_RDWR | os.O_CREAT))
                return self._connect(f"{path.absolute().as_uri()}?mode=rw")
            except (sqlite3.OperationalError, OSError, CompanionError):
                break  # locked by another process, read-only or not to be opened: it is whole, and stays
            except sqlite3.DatabaseError:
                if attempt == 0:
                    with contextlib.suppress(OSError, CompanionError), Hold(path.parent, path.parent.parent) as folder:
                        folder.remove(path.name)  # SQLite itself drops the log of a file that is gone
        return self._connect(":memory:")

    @staticmethod
    def _connect(name: str) -> sqlite3.Connection:
        connection = sqlite3.connect(name, timeout=2.0, check_same_thread=False, isolation_level=None, uri=True)
        try:
            _use_log(connection)
            connection.execute("PRAGMA synchronous=NORMAL")
            connection.execute("PRAGMA schema_version").fetchone()
        except BaseException:
            connection.close()
            raise
        return connection

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def _ensure(self, table: str) -> str:
        quoted = '"' + table.replace('"', "") + '"'
        if table not in self._tables:
            self._connection.execute(
                f"CREATE TABLE IF NOT EXISTS {quoted} (key BLOB PRIMARY KEY, value BLOB) WITHOUT ROWID"
            )
            self._tables.add(table)
        return quoted

    def get(self, table: str, key: bytes) -> bytes | None:
        """Return the value kept under ``key``, or None."""
        rows = self._selected("value", table, "WHERE key = ?", key)
        return rows[0][0] if rows else None

    def everything(self, table: str) -> dict[bytes, bytes]:
        """Return the whole of a table: one query where a look at each of 20,000 keys would be needed."""
        return dict(self._selected("key, value", table))

    def keys(self, table: str) -> set[bytes]:
        """Return the keys of a table."""
        return {key for (key,) in self._selected("key", table)}

    def put(self, table: str, pairs: Iterable[tuple[bytes, bytes]]) -> None:
        """Keep values; all of them or, when the disk refuses, none."""
        self._change("INSERT OR REPLACE INTO {table} VALUES (?, ?)", table, pairs)

    def drop(self, table: str, keys: Iterable[bytes]) -> None:
        """Forget values."""
        self._change("DELETE FROM {table} WHERE key = ?", table, ((key,) for key in keys))

    def _selected(self, columns: str, table: str, where: str = "", *values: bytes) -> list[Any]:
        with self._lock, contextlib.suppress(sqlite3.Error):
            query = f"SELECT {columns} FROM {self._ensure(table)} {where}"  # noqa: S608
            return self._connection.execute(query, values).fetchall()
        return []

    def _change(self, statement: str, table: str, rows: Iterable[tuple[bytes, ...]]) -> None:
        with self._lock, contextlib.suppress(sqlite3.Error):
            statement = statement.format(table=self._ensure(table))  # ahead, so that no rollback takes the table back
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                self._connection.executemany(statement, rows)
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
            self._connection.execute("COMMIT")

    def close(self) -> None:
        """Close the file; the cache is not used after this."""
        with self._lock, contextlib.suppress(sqlite3.Error):
            self._connection.close()


V = TypeVar("V")


class Table(Generic[V]):
    """A typed table of a :class:`Cache`: values of one type by key, as MessagePack.

    version: raised whenever the same key may stand for another value; rows of other versions are never seen. A row that
    does not decode counts as absent.
    """

    def __init__(self, cache: Cache, name: str, version: int, kind: type[V]) -> None:
        self._cache = cache
        self.name = f"{name}-{version}"
        self._decoder = msgspec.msgpack.Decoder(kind)

    def _decoded(self, row: bytes | None) -> V | None:
        try:  # for each of 20,000 rows a context manager would cost as much as the decoding
            return None if row is None else self._decoder.decode(row)
        except (msgspec.MsgspecError, UnicodeDecodeError):
            return None

    def get(self, key: bytes) -> V | None:
        """Return the value kept under ``key``, or None."""
        return self._decoded(self._cache.get(self.name, key))

    def get_many(self, keys: Collection[bytes]) -> dict[bytes, V]:
        """Return the values that are kept, by key; for many keys the table is read as a whole."""
        if len(keys) > _MANY:
            rows = self._cache.everything(self.name)
            found = ((key, self._decoded(rows.get(key))) for key in keys)
        else:
            found = ((key, self.get(key)) for key in keys)
        return {key: value for key, value in found if value is not None}

    def keys(self) -> set[bytes]:
        """Return the keys under which values are kept."""
        return self._cache.keys(self.name)

    def put(self, pairs: Iterable[tuple[bytes, V]]) -> None:
        """Keep values; those that cannot be written (names that are not UTF-8) are left out."""
        rows = []
        for key, value in pairs:
            with contextlib.suppress(UnicodeEncodeError):
                rows.append((key, msgspec.msgpack.encode(value)))
        self._cache.put(self.name, rows)

    def drop(self, keys: Iterable[bytes]) -> None:
        """Forget values."""
        self._cache.drop(self.name, keys)
