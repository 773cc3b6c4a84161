"""Terminals, pipes, encodings, and folders of any name."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

POSIX = pytest.mark.skipif(os.name == "nt", reason="pipes and names of this kind are POSIX")


@POSIX
@pytest.mark.parametrize("arguments", [("explain",), ("explain", "--json"), ("check", "FOLDER"), ("status", "FOLDER")])
def test_a_pipe_that_closes(instrument: Path, begin: Any, arguments: tuple[str, ...]) -> None:
    """As ``companion explain | head -1``: no complaint, the same end, and what was found is kept."""
    outer, inner = os.pipe()
    os.close(outer)
    running = begin(*(instrument if word == "FOLDER" else word for word in arguments), stdout=inner)
    os.close(inner)
    _, err = running.communicate(timeout=60)
    assert (running.returncode, err) == (0 if arguments[0] == "explain" else 1, "")
    if arguments[0] == "check":
        assert list((instrument / ".companion" / "evidence").rglob("*.json"))


@POSIX
def test_a_pipe_for_errors_that_closes(begin: Any) -> None:
    outer, inner = os.pipe()
    os.close(outer)
    running = begin("explain", "nonsense", stderr=inner)
    os.close(inner)
    assert running.communicate(timeout=60)[0] == ""
    assert running.returncode == 2


@POSIX
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
def test_an_output_that_is_full(instrument: Path, begin: Any) -> None:
    with Path("/dev/full").open("w") as full:
        running = begin("status", instrument, stdout=full)
        _, err = running.communicate(timeout=60)
    assert running.returncode == 2
    assert len(err.splitlines()) == 1
    assert "No space left" in err


@POSIX
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", "<&- >&- 2>&-"])
def test_streams_that_are_closed(instrument: Path, closed: str) -> None:
    script = f"exec '{sys.executable}' -m companion status '{instrument}' {closed}"
    done = subprocess.run(["sh", "-c", script], capture_output=True, text=True)
    assert done.returncode == 1, done
    assert done.stderr == ""


@pytest.mark.parametrize(
    "environment",
    [
        {"PYTHONIOENCODING": "ascii"},
        {"PYTHONIOENCODING": "cp1252"},
        {"LC_ALL": "C", "LANG": "C"},
    ],
    ids=["ascii", "cp1252", "C"],
)
def test_an_output_without_utf8(instrument: Path, shell: Any, environment: dict[str, str]) -> None:
    (instrument / "Samples" / "höhle 洞.wav").write_bytes(b"RIFF")
    for verb, *rest in (
        ("check", "contents"),
        ("snapshot", "-m", "größe"),
        ("snapshots",),
        ("draft", "page"),
        ("pack",),
    ):
        result = shell(verb, instrument, *rest, env=environment, errors="replace")
        assert result.code == int(verb in ("check", "pack")), result  # what blocks is no recording
        assert "Traceback" not in result.err
        assert "hle " in result.out or verb not in ("check", "pack")
    asked = shell("check", instrument, "contents", "--json", env=environment)
    assert any(f["path"] == "Samples/höhle 洞.wav" for f in asked.json["findings"]), "JSON is the same everywhere"
    (instrument / "Samples" / "höhle 洞.wav").unlink()
    packed = shell("pack", instrument, env=environment, errors="replace")
    assert (packed.code, packed.err) == (0, "")
    assert "Slate Choir 1.0.zip" in packed.out
    refused = shell("explain", "größe", env=environment, errors="replace")
    assert (refused.code, len(refused.err.splitlines())) == (2, 1)


NAMES = (
    "with space",
    'it\'s "quoted"',
    "$HOME",
    "%TEMP%",
    "-m",
    "--json",
    "größe 洞",
    "~",
    "~root",
    "a;b & c|d",
    "new\nline",
    "*",
    "[x]",
    "status",
    ".hidden",
    "tail. ",
    os.fsdecode(b"caf\xe9"),
)
ROAD: tuple[tuple[Any, ...], ...] = (("status",), ("snapshot", "-m", "x"), ("compare", 1), ("restore", 1), ("pack",))


@pytest.mark.skipif(sys.platform != "linux", reason="other systems hold no such names")
@pytest.mark.parametrize("name", NAMES)
def test_a_folder_of_any_name(
    instrument: Path,
    tmp_path: Path,
    companion: Any,
    makers: Any,
    fsck: Any,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.chdir(tmp_path)
    instrument.rename(tmp_path / name)
    before = makers(tmp_path / name)
    for verb, *rest in ROAD:  # named as an argument that could be an option, a verb, a pattern or a variable
        result = companion(verb, *rest[:0], "--", name, *(word for word in rest if word not in ("-m", "x")))
        assert result.code == int(verb == "status"), result
    monkeypatch.chdir(tmp_path / name)  # and as the folder one stands in
    for verb, *rest in ROAD:
        result = companion(verb, ".", *rest)
        assert result.code == int(verb == "status"), result
    assert "Slate Choir" in companion().out
    assert companion().out == companion("status").out
    assert makers(Path.cwd()) == before
    fsck(Path.cwd())
    assert list(home.iterdir()) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(["home", name])


@pytest.mark.parametrize("place", ["Samples", "Slate.eeng", "release.toml"])
def test_a_folder_that_is_none(instrument: Path, companion: Any, makers: Any, place: str) -> None:
    """A file, or a folder inside the work: said, or looked at, and nothing is written there by looking."""
    before = makers(instrument)
    for verb in ("status", "check", "needs"):
        result = companion(verb, instrument / place)
        if (instrument / place).is_dir():
            assert result.code == (0 if verb == "needs" else 1)
        else:
            assert (result.code, len(result.err.splitlines())) == (2, 1)
            assert "a file, not a folder" in result.err
    assert makers(instrument) == before or place == "Samples"


@POSIX
def test_a_folder_named_through_a_link(instrument: Path, tmp_path: Path, companion: Any) -> None:
    (tmp_path / "link").symlink_to(instrument)
    (tmp_path / "loop").symlink_to("loop")
    assert companion("snapshot", tmp_path / "link", "-m", "x").code == 0
    assert (instrument / ".companion").is_dir()
    looped = companion("status", tmp_path / "loop")
    assert (looped.code, len(looped.err.splitlines())) == (2, 1)
