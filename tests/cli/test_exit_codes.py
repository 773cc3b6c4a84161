"""Exit codes on both sides: what says 0 of a good folder says so of no bad one; and how a run is stopped."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]


def damaged(folder: Path) -> None:
    """Change one byte in the middle of the largest file of the history: a recording that no longer reads back."""
    largest = max((folder / ".companion" / "history.git" / "objects").rglob("*.pack"), key=lambda p: p.stat().st_size)
    data = bytearray(largest.read_bytes())
    data[len(data) // 2] ^= 0xFF
    largest.chmod(0o644)
    largest.write_bytes(data)


def test_verify_tells_a_damaged_history_from_a_whole_one(companion: Companion, instrument: Path) -> None:
    companion("snapshot", instrument, "-m", "first")
    whole = companion("snapshots", instrument, "--verify", "--json")
    assert (whole.code, whole.json["verified"]["damaged"]) == (0, [])
    damaged(instrument)
    found = companion("snapshots", instrument, "--verify", "--json")
    assert found.code == 2
    assert [one["snapshots"] for one in found.json["verified"]["damaged"]] == [[1]]
    text = companion("snapshots", instrument, "--verify")
    assert text.code == 2
    assert "damaged: Samples/struck_" in text.out
    assert "Whole." not in text.out


def test_a_restore_that_could_not_do_it_all_says_so(companion: Companion, instrument: Path, tmp_path: Path) -> None:
    companion("snapshot", instrument, "-m", "first")
    for place in ("good", "bad", "worse"):
        (tmp_path / place).mkdir()
    assert companion("restore", instrument, 1, "--into", tmp_path / "good").code == 0
    damaged(instrument)
    restored = companion("restore", instrument, 1, "--into", tmp_path / "bad", "--json")
    assert restored.code == 2
    ((path, reason),) = restored.json["restored"]["failed"]
    assert path.startswith("Samples/struck_")
    assert "damaged" in reason
    assert not (tmp_path / "bad" / path).exists()
    text = companion("restore", instrument, 1, "--into", tmp_path / "worse")
    assert text.code == 2
    assert f"not restored: {path}" in text.out


def test_a_pack_that_blocks_is_no_success(companion: Companion, instrument: Path) -> None:
    assert companion("pack", instrument).code == 0
    (archive,) = (instrument / "releases").glob("*.zip")
    good = archive.read_bytes()
    patch = instrument / "Slate.eeng"
    patch.write_bytes(b"\x10\0Samples/none.wav\0" + patch.read_bytes())
    packed = companion("pack", instrument)
    assert packed.code == 1
    assert "reference-missing (blocks)" in packed.out
    assert packed.out.startswith("Not built: ")
    assert archive.read_bytes() == good
    assert companion("pack", instrument, "--json").code == 1


def test_an_archive_that_is_not_whole_is_not_proven(companion: Companion, instrument: Path, tmp_path: Path) -> None:
    archive = Path(companion("pack", instrument, "--json").json["archive"]["path"])
    assert companion("prove", archive).code == 0
    assert companion("prove", archive, "--checksum", "0" * 64).code == 1
    copy = tmp_path / "copy.zip"
    copy.write_bytes(archive.read_bytes()[:-40])
    for as_json in ((), ("--json",)):
        assert companion("prove", copy, *as_json).code == 1


def test_a_draft_with_gaps_is_no_success(companion: Companion, instrument: Path) -> None:
    facts = instrument / "release.toml"
    whole = companion("draft", instrument, "page", "--json")
    assert (whole.code, whole.json["draft"]["missing"], whole.json["draft"]["conflicts"]) == (0, [], [])
    facts.write_text(facts.read_text("utf-8").replace('contact = "https://quay-room.example"\n', ""), encoding="utf-8")
    gaps = companion("draft", instrument, "page", "--json")
    assert (gaps.code, gaps.json["draft"]["missing"]) == (1, ["contact"])
    text = companion("draft", instrument, "page")
    assert (text.code, text.err) == (1, "Missing: contact\n")
    assert companion("draft", instrument, "page", "--write").code == 1


def test_a_draft_that_gives_way_to_the_maker_is_no_success(companion: Companion, instrument: Path) -> None:
    assert companion("draft", instrument, "readme", "--write").code == 0
    for path, text in ((instrument / "README.md", "My own words."), (instrument / "release.toml", "Slate, bowed.")):
        path.write_text(path.read_text("utf-8").replace("Slabs of slate, struck.", text), encoding="utf-8")
    drafted = companion("draft", instrument, "readme", "--json")
    assert (drafted.code, drafted.json["draft"]["conflicts"]) == (1, ["Slate, bowed."])
    text = companion("draft", instrument, "readme")
    assert text.code == 1
    assert "My own words." in text.out
    assert text.err == "Yours and the draft differ, yours stands: Slate, bowed.\n"


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are POSIX")
@pytest.mark.parametrize("times", [1, 2])
def test_ctrl_c_ends_with_130_and_one_line(
    companion: Companion, instrument: Path, monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    """Once, and the work is asked to stop; twice, and it is stopped."""

    def status(_: Any, watch: Any) -> None:
        for _time in range(times):
            os.kill(os.getpid(), signal.SIGINT)
        watch.check()

    monkeypatch.setattr("companion.workshop.Workshop.status", status)
    stopped = companion("status", instrument, "--json")
    assert (stopped.code, stopped.out) == (130, "")
    assert stopped.err.strip().startswith("Stopped")
    assert len(stopped.err.strip().splitlines()) == 1


def test_ctrl_c_where_nothing_watches_ends_with_130(
    companion: Companion, instrument: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def trials(_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("companion.workshop.Workshop.trials", trials)
    stopped = companion("trials", instrument)
    assert (stopped.code, stopped.out, stopped.err.strip()) == (130, "", "Stopped.")


def test_what_cannot_start_of_ours_is_no_fault_of_a_file(
    companion: Companion, instrument: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from companion.core import children

    with monkeypatch.context() as patch:
        patch.setattr(children, "command", lambda module: children.isolated("raise SystemExit(3)"))
        found = companion("check", instrument, "sound")
    assert found.code == 2
    assert "does not start" in found.err
    assert found.err.count("\n") == 1
    assert not found.out
    after = companion("check", instrument, "sound", "--json")
    assert after.code == 0, "and nothing of it is kept as what was found in the recordings"
