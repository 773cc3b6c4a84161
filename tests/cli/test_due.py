"""Status tells whether a snapshot is due; the list of snapshots tells what changed in each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]


def spoil(folder: Path, count: int) -> None:
    for path in sorted((folder / "Samples" / "Struck").glob("*.wav"))[:count]:
        path.write_bytes(path.read_bytes() + b"\0\0")


def test_status_tells_what_is_due_and_the_command(companion: Companion, demo_folder: Path) -> None:
    first = "Snapshot due: no snapshot of this folder yet. Take it: companion snapshot FOLDER -m LABEL"
    assert companion("status", demo_folder).out.splitlines()[-1] == first
    companion("snapshot", demo_folder, "-m", "as it came")
    assert "Snapshot due" not in companion("status", demo_folder).out
    spoil(demo_folder, 2)
    assert "Snapshot due" not in companion("status", demo_folder).out
    spoil(demo_folder, 3)
    assert "Snapshot due: 3 samples changed since snapshot 1 (20" in companion("status", demo_folder).out


def test_status_json_only_adds(companion: Companion, demo_folder: Path) -> None:
    told = companion("status", demo_folder, "--json").json
    assert list(told) == ["schema", "title", "version", "proven", "waived", "steps", "snapshot"]
    assert told["snapshot"]["due"] is True
    assert told["snapshot"]["newest"] is None
    companion("snapshot", demo_folder, "-m", "as it came")
    spoil(demo_folder, 2)
    (demo_folder / "Slate Choir.eeng").write_bytes(b"patch")
    snapshot = companion("status", demo_folder, "--json").json["snapshot"]
    taken = snapshot.pop("taken")
    assert taken.endswith("Z")
    assert snapshot == {
        "due": False,
        "because": "",
        "label": "",
        "newest": 1,
        "not_kept": {"samples": 2, "patches": 1, "scripts": 0, "facts": False, "others": 0},
    }


def test_without_git_as_much_is_known(companion: Companion, demo_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_git = companion("status", demo_folder, "--json").json["snapshot"]
    monkeypatch.setenv("PATH", str(demo_folder))
    assert with_git["due"]
    assert companion("status", demo_folder, "--json").json["snapshot"] == with_git


def test_the_list_tells_what_changed_in_each(companion: Companion, demo_folder: Path) -> None:
    assert companion("snapshots", demo_folder, "--changes").out.startswith("No snapshots yet.")
    companion("snapshot", demo_folder, "-m", "as it came")
    spoil(demo_folder, 2)
    companion("snapshot", demo_folder, "-m", "longer")
    plain = companion("snapshots", demo_folder).out.splitlines()
    told = companion("snapshots", demo_folder, "--changes").out.splitlines()
    assert told == [plain[0], "       2 samples changed", plain[1], "       the first"]
    changes = companion("snapshots", demo_folder, "--changes", "--json").json["changes"]
    assert list(changes) == ["2"]
    assert changes["2"]["samples"] == {"added": 0, "removed": 0, "changed": 2, "renamed": 0}
    assert "changes" not in companion("snapshots", demo_folder, "--json").json
