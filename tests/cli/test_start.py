"""``start``: the patches are named, or seen, and never mistaken."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]


@pytest.fixture
def bare(instrument: Path) -> Path:
    """The instrument without facts, its patch in a folder, and a second one beside it."""
    (instrument / "release.toml").unlink()
    (instrument / "Patches").mkdir()
    (instrument / "Slate.eeng").rename(instrument / "Patches" / "Slate.eeng")
    (instrument / "Patches" / "Soft.eeng").write_bytes(b"\x7f\x01\x02")
    (instrument / "crash.log").write_text("no\n", encoding="utf-8")
    return instrument


def patches(folder: Path) -> list[str]:
    return tomllib.loads((folder / "release.toml").read_text("utf-8"))["contents"]["patches"]  # type: ignore[no-any-return]


def test_patches_in_a_folder_are_seen_and_logs_are_not_taken_for_them(companion: Companion, bare: Path) -> None:
    started = companion("start", bare, "--json")
    assert started.code == 0
    assert patches(bare) == ["Patches/Slate.eeng", "Patches/Soft.eeng"]
    assert "Patches: Patches/Slate.eeng and Patches/Soft.eeng." in started.json["seen"]
    assert "Not taken for patches: crash.log." in started.json["seen"]


def test_patches_are_named_one_by_one(companion: Companion, bare: Path) -> None:
    assert companion("start", bare, "--patch", "Patches/Soft.eeng", "--patch", "crash.log").code == 0
    assert patches(bare) == ["Patches/Soft.eeng", "crash.log"], "who names them knows"


def test_a_patch_there_is_none_of_is_refused_and_nothing_is_written(companion: Companion, bare: Path) -> None:
    refused = companion("start", bare, "--patch", "Slate.eeng")
    assert refused.code == 2
    assert refused.err == ("There is no such patch in the folder (Slate.eeng). Name it by its path in the folder.\n")
    assert not (bare / "release.toml").exists()
