"""What is opened to be read: files, and nothing that would be waited for."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from companion.core.regular import buffered, handle_of, opened, read_whole

READERS: list[Callable[[Path], object]] = [handle_of, opened, buffered, read_whole]


def test_a_file_is_read_and_closed(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"some\r\nbytes\x1a\0")
    (tmp_path / "link").symlink_to("a") if os.name != "nt" else (tmp_path / "link").write_bytes(b"some\r\nbytes\x1a\0")
    assert read_whole(tmp_path / "a") == read_whole(tmp_path / "link") == b"some\r\nbytes\x1a\0"
    with buffered(tmp_path / "a") as stream:
        assert (stream.read(4), stream.read()) == (b"some", b"\r\nbytes\x1a\0")
    with opened(tmp_path / "a") as plain:
        handle = plain.fileno()
        assert not os.get_inheritable(handle)
    with pytest.raises(OSError, match=os.strerror(errno.EBADF)):
        os.fstat(handle)


@pytest.mark.skipif(os.name == "nt", reason="pipes and devices have no names in folders there")
@pytest.mark.parametrize("read", READERS)
def test_what_is_no_file_is_refused_and_not_waited_for(tmp_path: Path, read: Callable[[Path], object]) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("pipe")
    (tmp_path / "endless").symlink_to("/dev/zero")
    (tmp_path / "folder").mkdir()
    before = len([*Path("/proc/self/fd").iterdir()]) if Path("/proc/self/fd").is_dir() else 0
    for name in ("pipe", "link", "endless", "folder"):
        with pytest.raises(OSError, match="it is no file") as refused:
            read(tmp_path / name)
        assert refused.value.filename == str(tmp_path / name)
    assert not before or len([*Path("/proc/self/fd").iterdir()]) == before, "nothing is left open"


@pytest.mark.parametrize("read", READERS)
def test_what_is_not_there_is_not_there(tmp_path: Path, read: Callable[[Path], object]) -> None:
    with pytest.raises(FileNotFoundError):
        read(tmp_path / "nothing")
