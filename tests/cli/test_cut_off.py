"""A restore that was cut off: what the next command says of it, whatever command that is."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.history import restore
from companion.history.history import History
from companion.steps.deeds.folder import OpenFolder

Companion = Callable[..., Any]


@pytest.fixture
def cut(companion: Companion, instrument: Path) -> Path:
    """Snapshot 1 was about to be restored over another text and another sample; nothing of it is in place."""
    (instrument / "notes.txt").write_text("first words", "utf-8")
    (instrument / "more.txt").write_text("more", "utf-8")
    companion("snapshot", instrument, "-m", "first")
    (instrument / "notes.txt").write_text("other words", "utf-8")
    (instrument / "more.txt").write_text("less", "utf-8")

    class Killed(BaseException):
        pass

    def dying(*_given: Any) -> None:
        raise Killed

    with pytest.MonkeyPatch.context() as patch, History(instrument) as history:
        patch.setattr(restore, "_carry_out", dying)
        with pytest.raises(Killed):
            history.restore(1)
    assert (instrument / ".companion/restore.json").exists()
    return instrument


def test_finishing_it_is_told_beside_the_output(companion: Companion, cut: Path) -> None:
    done = companion("snapshots", cut, "--json")
    assert done.code == 0
    assert json.loads(done.out)["schema"] == 1
    assert done.err == (
        "Restoring snapshot 1 had been cut off, and is finished now: 2 written, 0 taken away; "
        "what was there before is kept as snapshot 2.\n"
    )
    assert (cut / "notes.txt").read_text("utf-8") == "first words"
    assert companion("snapshots", cut).err == ""


def test_what_was_changed_since_is_left_alone_and_told(companion: Companion, cut: Path) -> None:
    (cut / "notes.txt").write_text("words of this morning", "utf-8")
    done = companion("status", cut)
    told = done.err.splitlines()
    assert "1 written" in told[0]
    assert told[1] == (
        "notes.txt was changed since, and left alone. Bring back what you do not need with: "
        "companion restore FOLDER 1 --only PATH"
    )
    assert (cut / "notes.txt").read_text("utf-8") == "words of this morning"
    assert (cut / "more.txt").read_text("utf-8") == "more"
    assert companion("restore", cut, "1", "--only", "notes.txt").code == 0
    assert (cut / "notes.txt").read_text("utf-8") == "first words"


def test_one_that_cannot_be_finished_is_told_and_tried_again(
    companion: Companion, cut: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(OpenFolder, "history_problem", lambda *_given, **_named: "git was not found")
        done = companion("explain", "clipped")
        assert done.err == ""  # opens no folder
        done = companion("check", cut, "facts", "--json")
        assert done.code in (0, 1)
        assert "A restore was cut off and is not finished: git was not found" in done.err
    assert (cut / "notes.txt").read_text("utf-8") == "other words"
    assert "is finished now" in companion("snapshots", cut).err


def test_damage_that_stands_in_the_way_of_it_lets_the_folder_be_opened(companion: Companion, cut: Path) -> None:
    for pack in (cut / ".companion/history.git/objects/pack").iterdir():
        pack.chmod(0o644)
        pack.write_bytes(b"damaged")
    done = companion("check", cut, "facts", "--json")
    assert done.code in (0, 1)
    assert "had been cut off, and what could be done of it is done now: 0 written" in done.err
    assert "  not restored: . (the history is damaged there: " in done.err
    assert (cut / "notes.txt").read_text("utf-8") == "other words"
