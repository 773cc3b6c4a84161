"""A folder that a newer companion has written: looked at, in one line told, and left as it is."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from companion.core.evidence import SCHEMA
from companion.core.folder import FORMAT, Places
from companion.workshop import Workshop

LINE = "A newer companion (9.1) has written this folder, and this one opens it read-only"
POSIX = pytest.mark.skipif(os.name == "nt", reason="links and pipes among files")


def newer(folder: Path, told: object = None) -> Path:
    """Mark a folder as a newer companion does, and state what only that one knows."""
    marker = folder / ".companion" / "format.json"
    marker.parent.mkdir(exist_ok=True)
    marker.write_text(json.dumps({"format": FORMAT + 1, "companion": "9.1"} if told is None else told), "utf-8")
    facts = folder / "release.toml"
    text = facts.read_text("utf-8").replace("[instrument]\n", '[instrument]\nmood = "quiet"\n')
    facts.write_text(
        f'{text}\n[future]\nkey = 1\n\n[[layers]]\nname = "struck"\nshade = "grey"\n', "utf-8", newline="\n"
    )
    return folder


def everything(folder: Path) -> dict[str, bytes]:
    """Return every file but the cache, whose log whoever opened it last folds in when it pleases."""
    files = (path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("cache.sqlite3"))
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_it_is_looked_at_and_told_in_one_line(releasable: Path, companion: Any) -> None:
    companion("snapshot", releasable, "-m", "first")
    before = everything(newer(releasable))
    for verb, *rest in (
        ("status",),
        ("needs",),
        ("trials",),
        ("snapshots",),
        ("draft", "readme"),
        ("status", "--json"),
    ):
        told = companion(verb, releasable, *rest)
        assert told.code in (0, 1), told
        assert told.err.splitlines()[0].startswith(LINE)
        assert told.err.count(LINE) == 1
    assert "Slate Choir 1.0" in companion("status", releasable).out
    assert everything(releasable) == before


@pytest.mark.parametrize(
    "words",
    [
        ("pack",),
        ("release",),
        ("waive", "clipped", "a.wav", "-r", "so"),
        ("answer", "x", "pass"),
        ("draft", "readme", "--write"),
        ("snapshot", "-m", "more"),
        ("restore", "1"),
        ("forget", "1"),
        ("away", "--kind", "another player", "--result", "pass", "--who", "Ada", "--engine-version", "7.1"),
        ("pack", "--since", "1.0"),
    ],
    ids=" ".join,
)
def test_nothing_is_written(releasable: Path, companion: Any, words: tuple[str, ...]) -> None:
    companion("snapshot", releasable, "-m", "first")
    before = everything(newer(releasable))
    told = companion(words[0], releasable, *words[1:])
    assert told.code == 2, told
    assert told.out == ""
    assert told.err.count(LINE) <= 1
    assert len(told.err.splitlines()) <= 2, (
        "that it is newer, and what that keeps from being done if that is another line"
    )
    assert everything(releasable) == before


def test_a_check_judges_without_keeping(releasable: Path, companion: Any) -> None:
    before = everything(newer(releasable))
    told = companion("check", releasable, "contents")
    assert told.code in (0, 1)
    assert told.err.count(LINE) == 1
    assert everything(releasable) == before


@pytest.mark.parametrize(
    "told",
    [
        {"format": FORMAT, "companion": "9.1"},
        {"format": FORMAT},
        {"format": str(FORMAT + 1)},
        {"companion": "9.1"},
        [],
        "9.1",
        5,
        None,
    ],
    ids=str,
)
def test_its_own_format_and_what_is_none_are_written_to(instrument: Path, companion: Any, told: object) -> None:
    marker = instrument / ".companion" / "format.json"
    marker.parent.mkdir(exist_ok=True)
    marker.write_text(json.dumps(told), "utf-8")
    result = companion("snapshot", instrument, "-m", "first")
    assert result.code == 0, result
    assert "newer companion" not in result.err


@POSIX
@pytest.mark.parametrize("kind", ["pipe", "link", "endless", "folder", "noise"])
def test_a_marker_that_is_no_file_of_ours_keeps_nobody_waiting(instrument: Path, companion: Any, kind: str) -> None:
    marker = instrument / ".companion" / "format.json"
    marker.parent.mkdir(exist_ok=True)
    if kind == "pipe":
        os.mkfifo(marker)
    elif kind == "link":
        marker.symlink_to("/dev/zero")
    elif kind == "folder":
        marker.mkdir()
    elif kind == "noise":
        marker.write_bytes(b"[" * 4000)
    else:
        with marker.open("wb") as stream:
            stream.truncate(1 << 40)
    assert Places(instrument).newer() is None
    assert companion("status", instrument).code == 1


def test_a_key_nobody_knows_is_an_error_where_no_newer_companion_wrote_it(instrument: Path, companion: Any) -> None:
    newer(instrument, {"format": FORMAT})
    told = companion("status", instrument)
    assert told.code == 2
    assert "unknown key" in told.err
    assert "newer companion" not in told.err


def test_the_app_is_told_why_it_cannot_write(instrument: Path) -> None:
    shop = Workshop.open(newer(instrument))
    assert not shop.writable
    assert shop.refusal is not None
    assert shop.refusal.line.startswith(LINE)
    assert shop.facts.instrument.title == "Slate Choir"
    assert shop.facts.layers[0].name == "struck"
    shop.close()


def test_what_a_newer_companion_calls_itself_is_shown_inert(instrument: Path) -> None:
    newer(instrument, {"format": 2, "companion": "9\x1b[2J" + "1" * 500})
    refusal = Places(instrument).newer()
    assert refusal is not None
    assert "\x1b" not in refusal.line
    assert len(refusal.line) < 400


def test_evidence_of_a_newer_form_counts_as_none(releasable: Path, companion: Any) -> None:
    for path in (releasable / ".companion" / "evidence" / "contents").glob("*.json"):
        told = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps({**told, "schema": SCHEMA + 1}), "utf-8")
    steps = {one["id"]: one["state"] for one in companion("status", releasable, "--json").json["steps"]}
    assert steps["contents"] != "proven"
    assert companion("check", releasable, "contents").code == 0
