"""What Windows refuses and only Windows does, played here: files held open elsewhere, its names, its separators."""

from __future__ import annotations

import ctypes
import os
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from companion.archive import external
from companion.core import below, census, files, lock, patience, walk
from companion.core.below import Located
from companion.core.errors import CompanionError
from companion.history import mirror, names, reader, restore
from companion.workshop import Workshop
from tests.core.windows import Sharing, on_windows, refusal

pytestmark = pytest.mark.skipif(os.name == "nt", reason="plays another system on this one")


@pytest.fixture
def sharing(monkeypatch: pytest.MonkeyPatch) -> Sharing:
    return Sharing(monkeypatch)


def test_a_file_held_for_moments_is_written_all_the_same(tmp_path: Path, sharing: Sharing) -> None:
    target = tmp_path / "release.toml"
    target.write_text("old")
    sharing.held["release.toml"] = 3
    files.write_safely(target, b"new")
    assert target.read_text() == "new"
    assert sharing.slept == list(patience.PAUSES[:3])
    assert sum(patience.PAUSES) < 2


@pytest.mark.parametrize("code", [32, 33])
def test_a_file_held_for_good_is_told_and_stays_what_it_was(tmp_path: Path, sharing: Sharing, code: int) -> None:
    target = tmp_path / "release.toml"
    target.write_text("old")
    sharing.held["release.toml"], sharing.code = 999, code
    with pytest.raises(CompanionError, match="another program has it open") as caught:
        files.write_safely(target, b"new")
    assert str(target) in caught.value.line
    assert "\n" not in caught.value.line
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["release.toml"]
    assert sharing.slept == list(patience.PAUSES), "and no longer than that"


def test_what_a_scanner_holds_half_written_is_cleared_the_next_time(
    tmp_path: Path, sharing: Sharing, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "release.toml"
    sharing.held[".release.toml"] = 999
    with pytest.raises(CompanionError, match="another program has it open"):
        files.write_safely(target, b"new")
    assert len(list(tmp_path.iterdir())) == 1
    sharing.held.clear()
    monkeypatch.setattr(files, "process_alive", lambda pid: False)
    files.write_safely(target, b"new")
    assert [path.name for path in tmp_path.iterdir()] == ["release.toml"]


def test_what_is_denied_may_be_held_and_what_else_is_refused_is_not_waited_for(sharing: Sharing) -> None:
    def call(code: int | None, times: int) -> str:
        left = [times]

        def run() -> str:
            if left[0]:
                left[0] -= 1
                raise refusal(code) if code else PermissionError(13, "no")
            return "done"

        return patience.patiently(run)

    assert call(5, 2) == "done"
    assert len(sharing.slept) == 2
    for code in (None, 1314):
        with pytest.raises(PermissionError):
            call(code, 1)
    assert len(sharing.slept) == 2
    with pytest.raises(FileNotFoundError):
        patience.patiently(lambda: Path("/nowhere/at/all").stat())


def test_other_systems_wait_for_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sharing = Sharing(monkeypatch, windows=False)
    sharing.held["a"] = 1
    (tmp_path / "b").write_text("")
    with pytest.raises(PermissionError):
        below.move(Located(-1, str(tmp_path / "b")), Located(-1, str(tmp_path / "a")))
    assert sharing.slept == []


def test_a_rename_to_where_nothing_lies_replaces_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sharing: Sharing
) -> None:
    """There the plain rename refuses by itself; on others it would replace."""
    one, two = (tmp_path / name for name in "ab")
    renamed = os.rename

    def rename(source: str, target: str) -> None:
        if os.path.lexists(target):
            raise FileExistsError(17, "Cannot create a file when that file already exists", target)
        renamed(source, target)

    monkeypatch.setattr(os, "rename", rename)
    on_windows(monkeypatch, below)
    monkeypatch.setattr(below, "_newer_rename", lambda: None)
    one.write_text("1")
    below.move_new(Located(-1, str(one)), Located(-1, str(two)))
    assert two.read_text() == "1"
    one.write_text("2")
    with pytest.raises(FileExistsError):
        below.move_new(Located(-1, str(one)), Located(-1, str(two)))
    assert (one.read_text(), two.read_text()) == ("2", "1")


@pytest.mark.parametrize("held", [0, 2, 999])
def test_a_swap_is_one_call_that_keeps_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sharing: Sharing, held: int
) -> None:
    left = [held]

    def replace_file(target: str, source: str, old: str, flags: int, *rest: object) -> int:
        if left[0]:
            left[0] -= 1
            return 0
        assert flags == 2
        os.link(target, old)
        Path(source).replace(target)
        return 1

    kernel = SimpleNamespace(kernel32=SimpleNamespace(ReplaceFileW=replace_file))
    monkeypatch.setattr(ctypes, "windll", kernel, raising=False)
    monkeypatch.setattr(ctypes, "WinError", lambda: refusal(32), raising=False)
    on_windows(monkeypatch, below)
    monkeypatch.setattr(below, "_newer_rename", lambda: None)
    new, target, spare = (Located(-1, str(tmp_path / name)) for name in ("new", "target", "spare"))
    Path(new.name).write_text("new")
    Path(target.name).write_text("old")
    if held == 999:
        with pytest.raises(PermissionError):
            below.swap(new, target, spare)
        assert (Path(new.name).read_text(), Path(target.name).read_text()) == ("new", "old")
        return
    assert below.swap(new, target, spare) == spare
    assert (Path(target.name).read_text(), Path(spare.name).read_text()) == ("new", "old")


def test_a_recording_another_program_holds_is_told_so_and_the_rest_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "held.wav").write_bytes(b"held")
    (tmp_path / "free.wav").write_bytes(b"free")
    opened = os.open

    def open_(path: Any, *given: Any, **more: Any) -> int:
        if str(path).endswith("held.wav"):
            raise refusal(32, path)
        return opened(path, *given, **more)

    monkeypatch.setattr(os, "open", open_)
    assert census.read_file(tmp_path, "held.wav", lambda size: None).problem == "another program has it open"
    taken = Workshop(tmp_path).snapshot("while the host plays")
    assert taken.files == 1
    assert "another program has it open" in str(taken.left_out)


@pytest.mark.parametrize(
    ("path", "long"), [("C:\\" + "x" * 257, True), ("C:\\" + "x" * 256, False), ("\\\\?\\C:\\" + "x" * 300, False)]
)
def test_a_path_that_is_too_long_is_told_so(sharing: Sharing, path: str, long: bool) -> None:
    error = FileNotFoundError(2, "The system cannot find the path specified", path)
    assert patience.is_too_long(error) is long
    assert ("over 259 characters" in patience.why(error)) is long
    assert ("long paths" in files.explain_os_error(error, "read it", Path(path)).line) is long
    assert not patience.is_too_long(PermissionError(13, "no", path))


def test_elsewhere_a_file_that_is_not_there_is_just_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    assert not patience.is_too_long(FileNotFoundError(2, "No such file or directory", "/" + "x" * 300))


def test_what_is_too_long_for_a_snapshot_was_not_removed(sharing: Sharing) -> None:
    long = FileNotFoundError(2, "The system cannot find the path specified", "C:\\" + "x" * 300)
    assert "over 259 characters" in reader._reason(long)
    assert "removed" in reader._reason(FileNotFoundError(2, "No such file or directory", "C:\\x"))


# -- names -------------------------------------------------------------------------------------------------------------

NO_NAMES_THERE = ("CON.wav", "nul", "aux.tar.gz", "Lpt1", "com¹.txt", "a:b.wav", "a\\b.wav", "dot.", "space ", "x/CON")
NAMES_THERE = ("console.wav", "nullify", "COM10.wav", "a b.wav", "höhle.wav", ".hidden", "x/icon")


@pytest.mark.parametrize("path", NO_NAMES_THERE)
def test_names_windows_cannot_hold_are_not_written_there(monkeypatch: pytest.MonkeyPatch, path: str) -> None:
    assert names.unsafe_to_write(path) == ""
    on_windows(monkeypatch, names)
    assert "Windows cannot hold" in names.unsafe_to_write(path)


@pytest.mark.parametrize("path", NAMES_THERE)
def test_names_that_only_look_so_are_written(monkeypatch: pytest.MonkeyPatch, path: str) -> None:
    on_windows(monkeypatch, names)
    assert names.unsafe_to_write(path) == ""


def test_paths_may_be_given_with_its_separators(monkeypatch: pytest.MonkeyPatch) -> None:
    assert restore.normal(["Samples\\a.wav"]) == ("Samples\\a.wav",), "elsewhere that is a letter of a name"
    on_windows(monkeypatch, restore)
    assert restore.normal(["Samples\\a.wav", ".\\b\\"]) == ("Samples/a.wav", "b")
    for path in ("..\\x", "\\x", "a\\..\\..\\x", "\\\\server\\share\\x"):
        with pytest.raises(CompanionError, match="inside the folder"):
            restore.normal([path])


def test_a_mirror_may_be_an_address_of_a_drive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def path(text: str) -> Path:
        asked.append(text)
        return tmp_path / "there" if ":" in text else Path(text)

    (tmp_path / "there").mkdir()
    monkeypatch.setattr(mirror, "Path", path)
    mirror._local("file:///C:/my%20mirror")
    on_windows(monkeypatch, mirror)
    mirror._local("file:///C:/my%20mirror")
    assert [text for text in asked if ":" in text] == ["/C:/my mirror", "C:/my mirror"]


def test_a_junction_leads_elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def item(attributes: int) -> Any:
        return SimpleNamespace(
            is_symlink=lambda: False, stat=lambda follow_symlinks: SimpleNamespace(st_file_attributes=attributes)
        )

    assert not walk.leads_elsewhere(item(0x400)), "elsewhere no file has such attributes"
    on_windows(monkeypatch, walk)
    assert walk.leads_elsewhere(item(0x410))
    assert not walk.leads_elsewhere(item(0x10))


def test_a_name_is_no_pattern_there(monkeypatch: pytest.MonkeyPatch) -> None:
    assert external._as_pattern("/a[1].zip") == "/a[[]1].zip"
    on_windows(monkeypatch, external)
    assert external._as_pattern("C:\\a[1].zip") == "C:\\a[1].zip"


# -- locks -------------------------------------------------------------------------------------------------------------


def test_a_lock_is_taken_and_refused_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int, int]] = []

    def locking(handle: int, mode: int, count: int) -> None:
        asked.append((mode, count))
        if len(asked) > 1:
            raise OSError(13, "Permission denied")

    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(LK_NBLCK=2, locking=locking))
    monkeypatch.setattr(lock, "sys", SimpleNamespace(platform="win32"))
    with (tmp_path / "lock").open("wb") as stream:
        lock._lock(stream.fileno())
        with pytest.raises(OSError, match="Permission denied"):
            lock._lock(stream.fileno())
    assert asked == [(2, 1), (2, 1)]
    assert lock._host(), "by the call that is there"


def test_its_lock_is_removed_once_it_is_closed_and_lives_as_long_as_it_is_held(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from companion.core.hold import Hold

    order: list[str] = []
    closed = os.close
    with Hold(tmp_path) as folder:
        handle = os.open(tmp_path / "x.lock", os.O_RDWR | os.O_CREAT)
        on_windows(monkeypatch, lock)
        assert lock._is_there(folder, "gone.lock", handle), "an open file cannot have been removed"

        def close(handle: int) -> None:
            order.append("close")
            closed(handle)

        monkeypatch.setattr(os, "close", close)
        monkeypatch.setattr(type(folder), "remove", lambda self, name: order.append(f"remove {name}"))
        lock._release(folder, "x.lock", handle)
        monkeypatch.undo()
    assert order[:2] == ["close", "remove x.lock"]


def test_no_terminal_is_asked_there(monkeypatch: pytest.MonkeyPatch) -> None:
    from companion.tui.frame import terminal

    stream = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr(terminal, "sys", SimpleNamespace(platform="win32", stdin=stream, stdout=stream))
    monkeypatch.setattr(terminal, "_answer", lambda: pytest.fail("it was asked"))
    monkeypatch.setenv("COLORFGBG", "0;15")
    assert terminal.background_is_light() is True
    monkeypatch.delenv("COLORFGBG")
    assert terminal.background_is_light() is None
