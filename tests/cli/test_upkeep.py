"""History and archive upkeep by plain commands: verify, size, forget, mirror, updates."""

from __future__ import annotations

import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

Companion = Callable[..., Any]


def released(companion: Companion, folder: Path) -> Path:
    companion(
        *("away", folder, "--kind", "another player", "--result", "pass", "--who", "Ada", "--engine-version", "7.1"),
        *("--system", "Windows 11", "--played", "all keys"),
    )
    for text in ("changelog", "readme", "page"):
        assert companion("draft", folder, text, "--write").code == 0
    assert companion("check", folder).code == 0
    archive = Path(companion("pack", folder, "--json").json["archive"]["path"])
    assert companion("release", folder).code == 0
    return archive


def test_history_is_verified_weighed_and_mirrored(companion: Companion, instrument: Path, tmp_path: Path) -> None:
    companion("snapshot", instrument, "-m", "first")
    (instrument / "LICENCE.txt").write_text("CC0 1.0, whole text\n", encoding="utf-8")
    companion("snapshot", instrument, "-m", "second")
    assert companion("snapshots", instrument, "--verify").code == 0
    weighed = companion("snapshots", instrument, "--size", "--json").json["size"]
    assert set(weighed["alone"]) == {"1", "2"}
    done = companion("mirror", instrument, tmp_path / "other disk" / "copy.git")
    assert done.code == 0
    fsck = subprocess.run(
        ["git", "--git-dir", str(tmp_path / "other disk" / "copy.git"), "fsck", "--full"],
        capture_output=True,
        check=False,
    )
    assert fsck.returncode == 0, fsck.stderr

    new = tmp_path / "new disk"
    new.mkdir()
    assert companion("adopt", new, tmp_path / "other disk" / "copy.git").code == 0
    assert companion("restore", new, 2).code == 0
    assert (new / "LICENCE.txt").read_text("utf-8") == "CC0 1.0, whole text\n"


def test_only_the_paths_asked_for_are_brought_back(companion: Companion, instrument: Path) -> None:
    companion("snapshot", instrument, "-m", "first")
    first, second = sorted((instrument / "Samples").iterdir())
    was = first.read_bytes()
    for path in (first, second, instrument / "LICENCE.txt"):
        path.write_bytes(b"worse")
    done = companion("restore", instrument, 1, "--only", f"Samples/{first.name}", "--json")
    assert (done.code, done.json["restored"]["written"]) == (0, [f"Samples/{first.name}"])
    assert (first.read_bytes(), second.read_bytes()) == (was, b"worse")
    assert (instrument / "LICENCE.txt").read_bytes() == b"worse"
    assert companion("restore", instrument, 1, "--only", "LICENCE.txt", "--only", "Samples").code == 0
    assert (instrument / "LICENCE.txt").read_bytes() == b"CC0 1.0\n"
    assert second.read_bytes() != b"worse"


def test_a_labelled_snapshot_is_never_forgotten_unasked(companion: Companion, instrument: Path) -> None:
    companion("snapshot", instrument, "-m", "mine")
    (instrument / "Samples" / "more.wav").write_bytes(bytes(1000))
    companion("snapshot", instrument, "-m", "later")
    refused = companion("forget", instrument, 1)
    assert refused.code == 2
    assert "mine" in refused.err
    assert companion("forget", instrument, 1, "--labelled").code == 0
    assert [shot["number"] for shot in companion("snapshots", instrument, "--json").json["snapshots"]] == [2]


def test_an_update_holds_what_changed_and_makes_the_new_version(
    companion: Companion, instrument: Path, tmp_path: Path
) -> None:
    old = released(companion, instrument)
    (instrument / "LICENCE.txt").write_text("CC0 1.0, whole text\n", encoding="utf-8")
    facts = instrument / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('version = "1.0"', 'version = "1.1"'), encoding="utf-8")
    told = companion("pack", instrument, "--since", "1.0", "--json").json["update"]
    assert told["findings"] == []
    assert "LICENCE.txt" in told["changed"]
    assert not any("wav" in path for path in told["changed"] + told["added"])

    # By hand, with the standard library: old archive, then the update over it, is what is in the folder now.
    for archive in (old, Path(told["path"])):
        with zipfile.ZipFile(archive) as opened:
            opened.extractall(tmp_path / "player")
    for path in ("LICENCE.txt", "Slate.eeng", "Samples/struck_A2_v40_rr1.wav"):
        assert (tmp_path / "player" / "Slate Choir" / path).read_bytes() == (instrument / path).read_bytes()
    note = (tmp_path / "player" / "Slate Choir" / "UPDATE.txt").read_text("utf-8")
    assert "need not be downloaded again" in note


def test_an_update_needs_a_recorded_release(companion: Companion, instrument: Path) -> None:
    refused = companion("pack", instrument, "--since", "0.9")
    assert refused.code == 2
    assert "0.9" in refused.err
