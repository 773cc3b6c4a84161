"""Drive the real command line in this process: arguments in; exit code, output and errors out."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from companion.cli.base import main

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
summary = "Slabs of slate, struck."
contact = "https://quay-room.example"
licence = "CC0-1.0"
rights = "Everything was recorded by Quay Room."
without = ["controls"]

[engine]
name = "Example Engine"
edition = "any"
saved_with = "7.1"
minimum = "7.1"

[contents]
patches = ["Slate.eeng"]
documents = ["*.txt"]
"""


class Result(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


Companion = Callable[..., Result]


@pytest.fixture
def companion(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Companion:
    """Run ``companion ARG ...`` and return what a shell would see."""

    def run(*args: object) -> Result:
        capsys.readouterr()
        monkeypatch.setattr("sys.argv", ["companion", *map(str, args)])
        with pytest.raises(SystemExit) as left:
            main()
        out, err = capsys.readouterr()
        code = left.value.code
        assert isinstance(code, int)
        return Result(code, out, err)

    return run


@pytest.fixture
def instrument(tmp_path: Path, demo_folder: Path) -> Path:
    """A small instrument in which nothing blocks but what nobody has done yet."""
    folder = tmp_path / "small"
    (folder / "Samples").mkdir(parents=True)
    for name in ("struck_A2_v40_rr1", "struck_C4_v40_rr1"):
        shutil.copy(demo_folder / "Samples" / "Struck" / f"{name}.wav", folder / "Samples")
    names = sorted(path.name for path in (folder / "Samples").iterdir())
    (folder / "Slate.eeng").write_bytes(b"\0".join(f"Samples/{name}".encode() for name in names) + b"\0\1\2")
    (folder / "LICENCE.txt").write_text("CC0 1.0\n", encoding="utf-8")
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    return folder
