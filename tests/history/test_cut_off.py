"""A restore that was cut off is finished, but never over what somebody did since."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.history import restore_files
from companion.history.history import History
from companion.history.model import KeptFile
from companion.history.restore_plan import edited_since, plan
from companion.history.store.objects import FILE, PROGRAM

NAMES = [f"Samples/struck/slate_{number}.wav" for number in range(3)]


class Killed(BaseException):
    """Ends a restore where a kill would."""


def cut_off(history: History, number: int, after: int) -> None:
    """Begin restoring a snapshot and die when ``after`` files are in place."""
    real, calls = restore_files.Placer._put, [0]

    def dying(*arguments: Any) -> None:
        if calls[0] == after:
            raise Killed
        calls[0] += 1
        real(*arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(restore_files.Placer, "_put", dying)
        patch.setattr("companion.core.crew.processors", lambda: 1)
        with pytest.raises(Killed):
            history.restore(number)


@pytest.fixture
def old(folder: Path, history: History) -> dict[str, bytes]:
    """Snapshot 1 holds this; since then everything is other, and a restore of it was cut off after two files."""
    (folder / "Samples/gone since.wav").write_bytes(b"was there once")
    found = {path: (folder / path).read_bytes() for path in [*NAMES, "CHANGELOG.md", "Samples/gone since.wav"]}
    history.take("good")
    for number, path in enumerate(found):
        (folder / path).write_bytes(f"other {number}".encode())
    (folder / "Samples/gone since.wav").unlink()
    (folder / "Samples/added.wav").write_bytes(b"added")
    cut_off(history, 1, 2)
    return found


def there(folder: Path, paths: dict[str, bytes]) -> dict[str, bytes]:
    return {path: (folder / path).read_bytes() for path in paths if (folder / path).exists()}


def test_it_is_finished_where_nobody_touched_anything(folder: Path, history: History, old: dict[str, bytes]) -> None:
    assert there(folder, old) != old
    done = history.recover()
    assert done is not None
    assert (done.number, done.edited, done.failed) == (1, (), ())
    assert there(folder, old) == old
    assert not (folder / "Samples/added.wav").exists()
    assert history.recover() is None


def test_what_was_edited_added_or_taken_away_since_stays(folder: Path, history: History, old: dict[str, bytes]) -> None:
    edited = next(path for path in NAMES if (folder / path).read_bytes() != old[path])
    restored = next(path for path in old if (folder / path).exists() and (folder / path).read_bytes() == old[path])
    gone = "CHANGELOG.md" if "CHANGELOG.md" not in (edited, restored) else NAMES[2]
    (folder / edited).write_bytes(b"a new take")
    (folder / restored).write_bytes(b"mended by hand")
    (folder / gone).unlink()
    (folder / "Samples/new.wav").write_bytes(b"recorded since")
    done = history.recover()
    assert done is not None
    expected = {edited, restored, "Samples/new.wav", gone}
    assert set(done.edited) == expected
    assert (folder / edited).read_bytes() == b"a new take"
    assert (folder / restored).read_bytes() == b"mended by hand"
    assert not (folder / gone).exists()
    assert (folder / "Samples/new.wav").read_bytes() == b"recorded since"
    untouched = set(old) - expected
    assert {path: (folder / path).read_bytes() for path in untouched} == {path: old[path] for path in untouched}
    assert history.recover() is None, "it is told once"
    history.restore(1, only=[edited])
    assert (folder / edited).read_bytes() == old[edited]


def test_a_second_kill_forgets_no_edit(folder: Path, history: History, old: dict[str, bytes]) -> None:
    edited = next(path for path in NAMES if (folder / path).read_bytes() != old[path])
    (folder / edited).write_bytes(b"a new take")

    def dying(*_arguments: Any) -> None:
        raise Killed

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(restore_files.Placer, "_put", dying)
        with pytest.raises(Killed):
            history.recover()
    done = history.recover()
    assert done is not None
    assert done.edited == (edited,)
    assert (folder / edited).read_bytes() == b"a new take"


def rewrite_journal(folder: Path, before: str | None) -> None:
    """Name another snapshot of what was there in the journal; None: name none, as an older companion did."""
    journal = folder / ".companion/restore.json"
    text = json.loads(journal.read_text("utf-8"))
    assert len(text["before"]) == 40
    if before is None:
        del text["before"]
    else:
        text["before"] = before
    journal.write_text(json.dumps(text), "utf-8")


@pytest.mark.parametrize("before", ["", None])
def test_a_journal_of_an_older_companion_is_finished_over_no_edit(
    folder: Path, history: History, old: dict[str, bytes], before: str | None
) -> None:
    rewrite_journal(folder, before)
    edited = next(path for path in NAMES if (folder / path).read_bytes() != old[path])
    (folder / edited).write_bytes(b"a new take")
    done = history.recover()
    assert done is not None
    assert done.edited == (edited,)
    assert there(folder, old) == {**old, edited: b"a new take"}


def test_where_what_was_there_is_not_known_nothing_is_replaced(
    folder: Path, history: History, old: dict[str, bytes]
) -> None:
    rewrite_journal(folder, "0" * 40)
    now = there(folder, old)
    done = history.recover()
    assert done is not None
    assert {**now, "Samples/gone since.wav": old["Samples/gone since.wav"]} == there(folder, old)
    assert set(done.edited) == {path for path in now if now[path] != old[path]}


def test_a_plan_without_what_was_edited_keeps_the_folders_of_it() -> None:
    one, two, three = (KeptFile(char * 40, 3, FILE) for char in "123")
    todo = plan({"a": one, "b": one}, {"a": two, "b": two, "x/y/c": two, "z/d": two})
    before = {"a": two, "b": three, "x/y/c": three, "z/d": two}
    edited = edited_since(todo, {"a": two, "b": two, "x/y/c": two, "z/d": two}, before)
    assert edited == ("b", "x/y/c")
    rest = todo.without(edited)
    assert (set(rest.write), set(rest.remove), rest.drop) == ({"a"}, {"z/d"}, ("z",))
    assert todo.without(()) is todo
    mode = plan({"a": one}, {"a": KeptFile(one.blob, 3, PROGRAM)})
    assert edited_since(mode, {"a": KeptFile(one.blob, 3, PROGRAM)}, {"a": one}) == ("a",)
    assert edited_since(mode, {"a": KeptFile(one.blob, 3, PROGRAM)}, {"a": KeptFile(one.blob, 3, PROGRAM)}) == ()


def test_what_failed_on_finishing_is_told(
    folder: Path, history: History, old: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    real: Callable[..., Any] = restore_files.Placer._write

    def failing(self: Any, path: str, wanted: KeptFile) -> None:
        if path.endswith("gone since.wav"):
            raise OSError(5, "Input/output error")
        real(self, path, wanted)

    monkeypatch.setattr(restore_files.Placer, "_write", failing)
    done = history.recover()
    assert done is not None
    assert done.failed == (("Samples/gone since.wav", "Input/output error"),)
    with pytest.raises(CompanionError):
        history.restore(99)
