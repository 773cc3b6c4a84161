"""The cache: whatever becomes of its file, the worst is that something is measured again."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from companion.core.cache import Cache, Table


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / ".companion" / "cache.sqlite3"


def test_what_was_put_is_there_the_next_time(path: Path) -> None:
    with Cache(path) as cache:
        assert cache.get("hashes-1", b"a") is None
        cache.put("hashes-1", [(b"a", b"1"), (b"b", b"2")])
        cache.put("hashes-1", [(b"a", b"3")])
    with Cache(path) as cache:
        assert cache.get("hashes-1", b"a") == b"3"
        assert cache.everything("hashes-1") == {b"a": b"3", b"b": b"2"}
        cache.drop("hashes-1", [b"a", b"none"])
        assert cache.everything("hashes-1") == {b"b": b"2"}
        assert cache.everything("hashes-2") == {}, "another version of the measure knows nothing of the first"


def test_a_table_may_be_called_anything(path: Path) -> None:
    with Cache(path) as cache:
        for name in ('odd"; DROP TABLE x; --', "select", "a b", ""):
            cache.put(name, [(b"k", name.encode())])
        assert cache.get('odd"; DROP TABLE x; --', b"k") == b'odd"; DROP TABLE x; --'
        assert cache.get("select", b"k") == b"select"


def test_without_a_path_it_lives_in_memory() -> None:
    with Cache(None) as cache:
        cache.put("t", [(b"k", b"v")])
        assert cache.get("t", b"k") == b"v"


@pytest.mark.parametrize(
    "damage", [b"no database at all" * 100, b"\x00" * 4096, b"SQLite format 3\x00" + b"\xff" * 4000]
)
def test_a_damaged_file_is_replaced(path: Path, damage: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(damage)
    path.with_name(path.name + "-wal").write_bytes(damage)
    with Cache(path) as cache:
        assert cache.get("t", b"k") is None
        cache.put("t", [(b"k", b"v")])
        assert cache.get("t", b"k") == b"v"
    with Cache(path) as cache:
        assert cache.get("t", b"k") == b"v"


@pytest.mark.parametrize("damage", [b"", b"no database at all" * 500])
def test_a_log_left_behind_by_a_kill_brings_back_what_was_put_or_nothing(path: Path, damage: bytes) -> None:
    killed = Cache(path)
    killed.put("t", [(b"k", b"old")])
    log = path.with_name(path.name + "-wal").read_bytes()
    assert log
    killed.close()
    path.write_bytes(damage)
    path.with_name(path.name + "-wal").write_bytes(log)
    with Cache(path) as cache:
        assert cache.get("t", b"k") in (None, b"old")
        cache.put("t", [(b"k", b"new")])
    with Cache(path) as cache:
        assert cache.everything("t") == {b"k": b"new"}


def test_damage_in_the_middle_never_raises_and_never_makes_anything_up(path: Path) -> None:
    pairs = {bytes([n]) * 20: bytes([n]) * 200 for n in range(200)}
    with Cache(path) as cache:
        cache.put("t", pairs.items())
    data = bytearray(path.read_bytes())
    data[4096 * 2 : 4096 * 3] = b"\xa5" * 4096
    path.write_bytes(data)
    with Cache(path) as cache:
        found = {key: cache.get("t", key) for key in pairs}
        assert all(value in (None, pairs[key]) for key, value in found.items())
        cache.everything("t")
        cache.put("t", [(b"k", b"v")])


@pytest.mark.parametrize("place", ["a folder lies there", "its folder is a file", "read-only"])
def test_where_no_file_can_be_kept_it_lives_in_memory(path: Path, place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if place == "a folder lies there":
        path.mkdir(parents=True)
    elif place == "its folder is a file":
        path.parent.write_bytes(b"")
    else:
        real = sqlite3.connect

        def connect(name: str, **more: object) -> sqlite3.Connection:
            connection: sqlite3.Connection = real(name, **more)  # type: ignore[call-overload]
            if name != ":memory:":
                connection.execute("PRAGMA query_only=ON")
            return connection

        with Cache(path) as cache:
            cache.put("t", [(b"k", b"v")])
        monkeypatch.setattr(sqlite3, "connect", connect)
        with Cache(path) as cache:
            cache.put("t", [(b"k", b"lost")])
            assert cache.get("t", b"k") in (b"v", b"lost")
        return
    with Cache(path) as cache:
        cache.put("t", [(b"k", b"v")])
        assert cache.get("t", b"k") == b"v"


def test_a_file_another_process_has_locked_is_left_alone(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.parent.mkdir()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("CREATE TABLE x (y)")
    other.execute("BEGIN EXCLUSIVE")
    before = path.stat().st_ino
    real = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda name, **more: real(name, **{**more, "timeout": 0.01}))
    with Cache(path) as cache:
        cache.put("t", [(b"k", b"v")])
        assert cache.get("t", b"k") == b"v", "in memory"
    other.execute("COMMIT")
    assert [row[0] for row in other.execute("SELECT name FROM sqlite_master")] == ["x"]
    other.close()
    assert path.stat().st_ino == before, "the very file, not a new one of its name"


def test_a_put_that_is_stopped_keeps_none_of_it_and_the_next_one_all(path: Path) -> None:
    def stopped() -> Iterator[tuple[bytes, bytes]]:
        yield b"a", b"1"
        raise KeyboardInterrupt

    with Cache(path) as cache:
        with pytest.raises(KeyboardInterrupt):
            cache.put("t", stopped())
        assert cache.everything("t") == {}
        cache.put("t", [(b"b", b"2")])
        assert cache.everything("t") == {b"b": b"2"}


def test_after_it_is_closed_it_only_forgets(path: Path) -> None:
    cache = Cache(path)
    cache.close()
    cache.put("t", [(b"k", b"v")])
    assert cache.get("t", b"k") is None
    cache.close()


def test_several_threads_lose_nothing(path: Path) -> None:
    with Cache(path) as cache:

        def work(number: int) -> None:
            for n in range(25):
                cache.put("t", [(b"%d-%d" % (number, n), b"v")])

        threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(cache.everything("t")) == 100


WRITER = """
import sys
from pathlib import Path
from companion.core.cache import Cache
place = Path(sys.argv[1]).parent.parent
(place / sys.argv[2]).touch()
while not ((place / "a").exists() and (place / "b").exists()):
    pass
with Cache(Path(sys.argv[1])) as cache:
    for n in range(50):
        cache.put("t", [(b"%s-%d" % (sys.argv[2].encode(), n), b"v")])
"""


def test_two_processes_lose_nothing(path: Path) -> None:
    """Nor where both make the file in the same moment."""
    path.parent.mkdir()
    both = [subprocess.Popen([sys.executable, "-c", WRITER, str(path), name]) for name in ("a", "b")]
    assert [process.wait(30) for process in both] == [0, 0]
    with Cache(path) as cache:
        assert len(cache.everything("t")) == 100


class _Row(msgspec.Struct):
    name: str
    peak: float = 0.0


def test_a_table_gives_back_what_was_put_and_only_under_its_version(tmp_path: Path) -> None:
    with Cache(tmp_path / "cache.sqlite3") as cache:
        Table(cache, "rows", 1, _Row).put([(b"a", _Row("kick", 0.5)), (b"b", _Row("slate"))])
        table = Table(cache, "rows", 1, _Row)
        assert table.get(b"a") == _Row("kick", 0.5)
        assert table.get_many([b"a", b"b", b"c"]) == {b"a": _Row("kick", 0.5), b"b": _Row("slate")}
        assert Table(cache, "rows", 2, _Row).get(b"a") is None
        table.drop([b"a"])
        assert table.get(b"a") is None
        assert table.get(b"b") == _Row("slate")


def test_a_table_reads_many_keys_like_few(tmp_path: Path) -> None:
    with Cache(tmp_path / "cache.sqlite3") as cache:
        table = Table(cache, "rows", 1, _Row)
        table.put((b"%d" % number, _Row(str(number))) for number in range(200))
        wanted = [b"%d" % number for number in range(100, 300)]
        assert table.get_many(wanted) == {b"%d" % number: _Row(str(number)) for number in range(100, 200)}


def test_a_row_that_does_not_decode_is_absent_and_a_name_that_is_not_utf_8_is_left_out(tmp_path: Path) -> None:
    with Cache(tmp_path / "cache.sqlite3") as cache:
        cache.put("rows-1", [(b"a", b"\xc1rot"), (b"b", msgspec.msgpack.encode({"name": 3}))])
        table = Table(cache, "rows", 1, _Row)
        assert table.get_many([b"a", b"b"]) == {}
        table.put([(b"c", _Row("\udcff")), (b"d", _Row("fine"))])
        assert table.get_many([b"c", b"d"]) == {b"d": _Row("fine")}
