"""What each command says can be written in the poorest encodings, and no mark of ours comes out as a number."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from companion.cli.base import commands, main
from companion.core import plain

READ: tuple[tuple[str, ...], ...] = (
    ("status", "F"),
    ("check", "F", "facts", "contents"),
    ("contents", "F"),
    ("needs", "F"),
    ("trials", "F"),
    ("away", "F"),
    ("show", "F", "Samples/Struck/struck_A2_v40_rr1.wav"),
    ("explain",),
    ("explain", "facts"),
    ("explain", "json"),
    ("snapshots", "F"),
    ("compare", "F", "1"),
    ("draft", "F", "page"),
    ("releases", "F"),
    ("report", "list", "F"),
    ("shelf", "F"),
    ("fact", "F", "instrument.title"),
    ("--licences",),
    ("--help",),
    ("nonsense",),
    ("explain", "größe"),
)
NAMED = "höhle 洞.wav"


class Streams:
    """Standard output and error in one encoding, and what was written to both."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, encoding: str) -> None:
        self.encoding, self.raw = encoding, io.BytesIO()
        for name in ("stdout", "stderr"):
            monkeypatch.setattr(f"sys.{name}", io.TextIOWrapper(self.raw, encoding=encoding, write_through=True))

    def take(self) -> str:
        said = self.raw.getvalue().decode(self.encoding)
        self.raw.seek(0)
        self.raw.truncate()
        return said


@pytest.fixture
def asked(demo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    def run(*words: str) -> int:
        monkeypatch.setattr("sys.argv", ["companion", *(str(demo_folder) if word == "F" else word for word in words)])
        with pytest.raises(SystemExit) as left:
            main()
        assert isinstance(left.value.code, int)
        return left.value.code

    return run


def numbers(said: str) -> list[str]:
    """The characters that came out as numbers."""
    found = re.findall(r"\\x[0-9a-f]{2}|\\u[0-9a-f]{4}|\\U[0-9a-f]{8}", said)
    return [chr(int(f"0x{one[2:]}", 0)) for one in found]


def test_every_command_can_be_read_in_ascii(asked: Any, demo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (demo_folder / "Samples" / NAMED).write_bytes(b"RIFF")
    streams = Streams(monkeypatch, "ascii")
    assert asked("snapshot", "F", "-m", "größe ✓") == 0
    for words in READ:
        assert asked(*words) in (0, 1, 2)
        said = streams.take()
        assert said, words
        assert set(numbers(said)) <= set("höhle 洞größe\u0308"), words
        assert "Traceback" not in said
    assert asked("contents", "F") == 1
    assert "h\\xf6hle \\u6d1e.wav" in streams.take()


def everyone(group: click.Group, *before: str) -> Iterator[tuple[str, ...]]:
    for name in group.list_commands(click.Context(group)):
        one = group.get_command(click.Context(group), name)
        yield (*before, name)
        if isinstance(one, click.Group):
            yield from everyone(one, *before, name)


def test_every_help_can_be_read_in_ascii(asked: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    streams = Streams(monkeypatch, "ascii")
    names = list(everyone(commands))
    assert ("report", "add") in names
    for name in names:
        assert asked(*name, "--help") == 0
        said = streams.take()
        assert said.startswith("Usage: "), name
        assert numbers(said) == [], name


def test_a_dumb_terminal_is_spared_our_marks_and_no_letter(
    asked: Any, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (demo_folder / "Samples" / NAMED).write_bytes(b"RIFF")
    monkeypatch.setenv("TERM", "dumb")
    streams = Streams(monkeypatch, "utf-8")
    for words in (("status", "F"), ("contents", "F"), ("--help",), ("nonsense",), ("snapshots", "F")):
        asked(*words)
        said = streams.take()
        assert not [sign for sign in said if plain.twin(sign) and sign > "\xff"], words
        assert words[0] != "contents" or NAMED in said


def test_data_is_the_same_everywhere(asked: Any, demo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = []
    for encoding, terminal in (("utf-8", "xterm"), ("ascii", "dumb"), ("cp437", "xterm")):
        with monkeypatch.context() as patch:
            patch.setenv("TERM", terminal)
            streams = Streams(patch, encoding)
            asked("explain", "clipped", "--json")
            asked("contents", "F", "--json")
            said.append(streams.take())
    assert said[0] == said[1] == said[2]
