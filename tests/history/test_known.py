"""When a blob id that was remembered may be taken for the file's own."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.cache import Cache
from companion.history.known import Known
from companion.history.walk import Seen

NOW = 1_800_000_000_000_000_000
BLOB = bytes(range(20))


def seen(age_ns: int, **more: int) -> Seen:
    values = {"size": 9, "mtime_ns": NOW - age_ns, "ctime_ns": NOW - age_ns, "inode": 2**64 - 1, **more}
    return Seen("Samples/a.wav", **values, executable=False, link=False)


@pytest.mark.parametrize(("age", "trusted"), [(1, False), (1_999_999_999, False), (2_000_000_001, True)])
def test_a_snapshot_trusts_no_file_written_within_two_seconds_of_being_read(age: int, trusted: bool) -> None:
    known = Known(Cache(None))
    known.remember([(seen(age), BLOB, NOW)])
    assert known.blob(seen(age)) == (BLOB if trusted else None)
    assert known.hint(seen(age)) == BLOB, "good enough for a line on a screen"


@pytest.mark.parametrize("more", [{"size": 8}, {"mtime_ns": NOW - 1}, {"ctime_ns": NOW - 1}, {"inode": 7}])
def test_neither_is_given_of_a_file_that_looks_otherwise(more: dict[str, int], tmp_path: Path) -> None:
    with Cache(tmp_path / "cache") as cache:
        Known(cache).remember([(seen(10**10), BLOB, NOW)])
        known = Known(cache)
        assert (known.blob(seen(10**10)), known.hint(seen(10**10))) == (BLOB, BLOB)
        assert (known.blob(seen(10**10, **more)), known.hint(seen(10**10, **more))) == (None, None)
