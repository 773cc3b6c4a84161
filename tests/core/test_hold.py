"""A folder held: no link on the way is followed, whenever it comes to be there, by handles and by paths alike."""

from __future__ import annotations

import ctypes
import errno
import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from companion.core import below
from companion.core.below import open_folders
from companion.core.errors import CompanionError
from companion.core.files import write_safely
from companion.core.hold import Hold
from companion.core.lock import held

pytestmark = pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
SECRET = b"the only copy of something of the player's\n"


@pytest.fixture(params=["by handles", "by paths"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """As the system here does it, and as one that has no calls which start from an open folder."""
    if request.param == "by paths":
        monkeypatch.setattr(below, "BY_HANDLE", False)
    return str(request.param)


@pytest.fixture
def place(tmp_path: Path) -> Path:
    folder = tmp_path / "work" / ".companion" / "evidence"
    folder.mkdir(parents=True)
    return folder


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    folder = tmp_path / "outside"
    (folder / "evidence").mkdir(parents=True)
    (folder / "letter").write_bytes(SECRET)
    (folder / "evidence" / "letter").write_bytes(SECRET)
    return folder


def state(folder: Path) -> dict[str, bytes | None]:
    return {str(one.relative_to(folder)): one.read_bytes() if one.is_file() else None for one in folder.rglob("*")}


def test_what_is_done_in_it_is_done_there(way: str, place: Path, tmp_path: Path) -> None:
    with Hold(place, tmp_path / "work") as folder:
        os.close(folder.new("a"))
        (place / "a").write_bytes(b"a")
        with pytest.raises(FileExistsError):
            folder.new("a")
        folder.move("a", "b")
        folder.link("b", "c")
        assert sorted(folder.names()) == ["b", "c"]
        assert (folder.is_file("b"), folder.is_file("a"), folder.look("a")) == (True, False, None)
        folder.remove("c")
        folder.remove("c")
        folder.make("d")
        folder.make("d")
        with pytest.raises(FileExistsError):
            folder.make("b")
        with folder.inner("d") as inner:
            os.close(inner.new("e"))
            assert inner.path == place / "d"
        with pytest.raises(OSError, match="not empty"):
            folder.remove_folder("d")
        folder.clear("d")
        folder.clear("nothing")
        folder.make("f")
        folder.remove_folder("f")
        folder.sync()
        assert folder.names() == ["b"]
        with os.fdopen(folder.open("b", os.O_RDONLY), "rb") as stream:
            assert stream.read() == b"a"
    if way == "by handles":
        with pytest.raises(OSError, match=os.strerror(errno.EBADF)):
            folder.names()
    folder.close()


def test_a_new_file_is_read_by_whoever_asks_to_and_runs_for_nobody(way: str, place: Path, tmp_path: Path) -> None:
    with Hold(place, tmp_path / "work") as folder:
        for name, read in (("written", False), ("read", True)):
            handle = folder.new(name, read=read)
            os.write(handle, b"x")
            os.lseek(handle, 0, os.SEEK_SET)
            if read:
                assert os.read(handle, 1) == b"x"
            else:
                with pytest.raises(OSError, match=os.strerror(errno.EBADF)):
                    os.read(handle, 1)
            os.close(handle)
            assert (place / name).stat().st_mode & 0o111 == 0


@pytest.mark.parametrize("link", [".companion", ".companion/evidence"])
def test_a_link_on_the_way_is_told_and_not_followed(
    way: str, place: Path, tmp_path: Path, outside: Path, link: str
) -> None:
    work = tmp_path / "work"
    before = state(outside)
    (work / link).rename(tmp_path / "real")
    (work / link).symlink_to(outside, target_is_directory=True)
    for make in (False, True):
        with pytest.raises(CompanionError, match="this folder is a link") as told:
            Hold(place, work, make=make)
        assert told.value.where == str(work / link)
    for ours in (False, True):
        with pytest.raises(CompanionError, match="this folder is a link"):
            write_safely(place / "letter", b"x", root=work, ours=ours)
    if link == ".companion":
        with pytest.raises(CompanionError, match="this folder is a link"), held(work / ".companion/lock", "writing"):
            pass
    assert state(outside) == before
    with Hold(place.parent if link.endswith("evidence") else work, work) as folder:
        name = Path(link).name
        with pytest.raises(CompanionError, match="this folder is a link"):
            folder.inner(name)
        with pytest.raises(FileExistsError):
            folder.make(name)
        folder.clear(name)
        assert folder.look(name) is None
    assert state(outside) == before


def test_the_way_of_a_person_to_their_folder_may_lead_through_links(way: str, place: Path, tmp_path: Path) -> None:
    (tmp_path / "my instrument").symlink_to(tmp_path / "work", target_is_directory=True)
    mine = tmp_path / "my instrument"
    write_safely(mine / ".companion/evidence/one", b"1", root=mine)
    write_safely(mine / ".companion/new/two", b"2", root=mine)
    write_safely(mine / "three", b"3")
    with Hold(mine) as folder:
        assert sorted(folder.names()) == [".companion", "three"]
    assert ((place / "one").read_bytes(), (place.parent / "new/two").read_bytes()) == (b"1", b"2")
    assert [one.name for one in place.iterdir()] == ["one"]


def test_folders_are_made_below_what_is_there_and_nowhere_else(way: str, place: Path, tmp_path: Path) -> None:
    work = tmp_path / "work"
    with Hold(work / "releases" / "old", work, make=True) as folder:
        folder.make("deeper")
    assert (work / "releases/old/deeper").is_dir()
    with pytest.raises(FileNotFoundError):
        Hold(work / "none", work)
    (work / "a file").write_bytes(b"")
    for make in (False, True):
        with pytest.raises(NotADirectoryError):
            Hold(work / "a file" / "x", work, make=make)
    with pytest.raises(FileNotFoundError):
        Hold(tmp_path / "gone" / "x", tmp_path / "gone", make=True)
    with pytest.raises(FileNotFoundError):
        Hold(tmp_path / "gone")
    assert not (tmp_path / "gone").exists()


@pytest.mark.parametrize("what", ["link", "pipe", "folder"])
def test_what_lies_in_a_files_place_is_neither_written_through_nor_waited_for(
    way: str, place: Path, tmp_path: Path, outside: Path, what: str
) -> None:
    target, before = place / "one", state(outside)
    if what == "link":
        target.symlink_to(outside / "letter")
    elif what == "pipe":
        os.mkfifo(target)
    else:
        target.mkdir()
    with pytest.raises(CompanionError, match="through a link" if what == "link" else "is no file"):
        write_safely(target, b"new", root=tmp_path / "work")
    if what == "folder":
        with pytest.raises(CompanionError, match="Could not write"):
            write_safely(target, b"new", root=tmp_path / "work", ours=True)
    else:
        write_safely(target, b"new", root=tmp_path / "work", ours=True)
        assert stat.S_ISREG(target.lstat().st_mode)
    assert [one.name for one in place.iterdir()] == ["one"]
    assert state(outside) == before


# --- a folder swapped for a link while it is written to -------------------------------------------------------------

CALLS = ("open", "replace", "mkdir", "unlink", "stat", "lstat", "fsync", "listdir", "link", "rmdir", "rename")


class Swap:
    """At the Nth call to the system, ``victim`` is moved away, and a link to ``outside`` lies in its place."""

    def __init__(self, victim: Path, outside: Path, at: int) -> None:
        self.victim, self.outside, self.left, self.done, self._inside = victim, outside, at, False, False

    def everywhere(self, patch: pytest.MonkeyPatch) -> None:
        for name in CALLS:
            patch.setattr(os, name, self._counting(getattr(os, name)))

    def _counting(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            if not self.done and not self._inside:
                self.left -= 1
                if self.left == 0:
                    self._inside = True
                    self.victim.rename(self.victim.with_name("moved away"))
                    self.victim.symlink_to(self.outside, target_is_directory=True)
                    self._inside, self.done = False, True
            return real(*args, **more)

        return call


def _lock(place: Path, root: Path) -> None:
    with held(root / ".companion" / "lock", "working"):
        (place / "while").exists()


ACTS: dict[str, Callable[[Path, Path], object]] = {
    "the maker's": lambda place, root: write_safely(place / "letter", b"new", root=root),
    "ours": lambda place, root: write_safely(place / "letter", b"new", root=root, ours=True),
    "a lock": _lock,
}


@pytest.mark.parametrize("act", ACTS)
@pytest.mark.parametrize("link", [".companion", ".companion/evidence"])
def test_a_folder_swapped_for_a_link_at_any_call_leads_nothing_astray(
    place: Path, tmp_path: Path, outside: Path, act: str, link: str
) -> None:
    if not below.BY_HANDLE:
        pytest.skip("this system has no calls that start from an open folder")
    work, swaps = tmp_path / "work", 0
    far = outside if link == ".companion" else outside / "evidence"
    before = state(outside)
    for at in range(1, 200):
        swap = Swap(work / link, far, at)
        (place / "letter").write_bytes(b"old")
        with pytest.MonkeyPatch.context() as patch:
            swap.everywhere(patch)
            try:
                ACTS[act](place, work)
                told = ""
            except CompanionError as error:
                told = error.line
        assert len(told.splitlines()) <= 1
        assert state(outside) == before, (at, link)
        if not swap.done:
            break
        swaps += 1
        (work / link).unlink()
        (work / link).with_name("moved away").rename(work / link)
        assert told or (place / "letter").read_bytes() in (b"old", b"new")
        left = {one.name for folder in (place, place.parent) for one in folder.iterdir()}
        assert left == {"letter", "evidence"}, "of what is moved away meanwhile nothing is left either"
    assert 5 < swaps < 199


# --- Windows ---------------------------------------------------------------------------------------------------------


class Kernel:
    """The part of Windows that is asked: folders that are held, of which some cannot be."""

    def __init__(self, refused: str = "") -> None:
        self.held: dict[int, str] = {}
        self.log: list[tuple[str, int, int, int]] = []
        self.refused = refused

    def CreateFileW(
        self, path: str, access: int, share: int, security: None, how: int, flags: int, template: None
    ) -> int | None:
        if self.refused and path.endswith(self.refused):
            return ctypes.c_void_p(-1).value
        self.log.append((path, access, share, flags))
        self.held[len(self.log)] = path
        return len(self.log)

    def CloseHandle(self, handle: Any) -> None:
        del self.held[handle.value]


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Iterator[Kernel]:
    made = Kernel()

    class Create:
        argtypes: Any = None
        restype: Any = None

        def __call__(self, *arguments: Any) -> int | None:
            return made.CreateFileW(*arguments)

    functions = SimpleNamespace(CreateFileW=Create(), CloseHandle=made.CloseHandle)
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=functions), raising=False)
    monkeypatch.setattr(below, "BY_HANDLE", False)
    monkeypatch.setattr(sys, "platform", "win32")
    yield made
    assert made.held == {}, "whatever was held is let go"


def test_on_windows_each_folder_on_the_way_is_held_before_it_is_looked_at(
    kernel: Kernel, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work, looked = tmp_path / "work", []
    real = os.lstat

    def looking(path: Any, **more: Any) -> os.stat_result:
        if str(path).startswith(str(work / ".companion")):
            looked.append((str(path), sorted(kernel.held.values())))
        return real(path, **more)

    monkeypatch.setattr(os, "lstat", looking)
    ways = [str(work / ".companion"), str(place)]
    handles = open_folders(str(work), (".companion", "evidence"))
    assert looked == [(ways[0], ways[:1]), (ways[1], ways)]
    assert [one[0] for one in kernel.log] == ways
    for _, access, share, flags in kernel.log:
        assert access & 1, "who does not ask to read does not count for what others may do"
        assert not share & 4, "FILE_SHARE_DELETE is what lets others rename and remove it"
        assert flags == 0x02000000 | 0x00200000, "a folder, and a junction as itself"
    assert len(handles) == 2
    below.let_go(handles)


def test_on_windows_a_link_lets_go_of_what_was_held(kernel: Kernel, place: Path, tmp_path: Path, outside: Path) -> None:
    place.rename(tmp_path / "real")
    place.symlink_to(outside, target_is_directory=True)
    with pytest.raises(below.Linked):
        open_folders(str(tmp_path / "work"), (".companion", "evidence"))
    assert len(kernel.log) == 2


def test_on_windows_a_disk_that_lets_no_folder_be_held_is_written_to_all_the_same(
    kernel: Kernel, place: Path, tmp_path: Path
) -> None:
    kernel.refused = "evidence"
    write_safely(place / "one", b"1", root=tmp_path / "work")
    assert (place / "one").read_bytes() == b"1"


def test_on_windows_a_restore_holds_the_folders_on_its_way(kernel: Kernel, place: Path, tmp_path: Path) -> None:
    found = below.Below(tmp_path / "work")
    assert found.name(".companion/evidence/one") == below.Located(-1, f"{tmp_path}/work/.companion/evidence/one")
    assert list(kernel.held.values()) == [str(place.parent), str(place)]
    found.name(".companion/other")
    assert list(kernel.held.values()) == [str(place.parent)]
    found.close()
