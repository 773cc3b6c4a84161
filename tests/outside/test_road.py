"""The whole road, by plain commands, on an instrument of real recordings, judged by other people's tools.

The recordings come from the bank that the PyPI package ``pretty_midi`` carries (see ``conftest.py`` for its licence).
Info-ZIP's unzip, GNU sha256sum and git's own fsck tell whether what we made is what we say it is.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

PASSED = ["--result", "pass", "--system", "Windows 11", "--edition", "any", "--played", "all keys"]


def companion(*args: object, expect: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "companion", *map(str, args)],
        capture_output=True,
        text=True,
        check=False,
        encoding="utf-8",
    )
    assert done.returncode == expect, f"{args}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def told(*args: object, expect: int = 0) -> Any:
    answer = json.loads(companion(*args, "--json", expect=expect))
    assert answer["schema"] == 1
    return answer


def status(folder: Path) -> Any:
    done = subprocess.run(
        [sys.executable, "-m", "companion", "status", str(folder), "--json"], check=False, capture_output=True
    )
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


def states(folder: Path) -> dict[str, str]:
    return {step["id"]: step["state"] for step in status(folder)["steps"]}


def content(folder: Path) -> dict[str, bytes]:
    ours = (".companion", "releases")
    files = (path for path in folder.rglob("*") if path.is_file() and path.relative_to(folder).parts[0] not in ours)
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def prove_by_hand(folder: Path) -> None:
    """What only a person can do: answer the trials, have it opened elsewhere."""
    for view in told("trials", folder)["trials"]:
        companion("answer", folder, view["trial"]["id"], "pass")
    facts = (folder / "release.toml").read_text("utf-8")
    saved = next(line.split('"')[1] for line in facts.splitlines() if line.startswith("saved_with"))
    companion("away", folder, "--kind", "another player", "--who", "Ada", "--engine-version", saved, *PASSED)


def release(folder: Path) -> Path:
    for text in ("changelog", "readme", "page"):
        companion("draft", folder, text, "--write")
    companion("check", folder)
    archive = Path(told("pack", folder)["archive"]["path"])
    companion("release", folder)
    return archive


def test_from_a_folder_of_recordings_to_a_proven_archive(real_instrument: Path, tmp_path: Path) -> None:
    before = content(real_instrument)
    found = told("check", real_instrument, "facts", "contents", "paths", "sound")["findings"]
    assert [f for f in found if f["severity"] == "blocks"] == [], "nothing may block on clean recordings"

    prove_by_hand(real_instrument)
    archive = release(real_instrument)
    now = states(real_instrument)
    assert set(now.values()) <= {"proven", "waived"}, now
    after = content(real_instrument)
    assert {path: after[path] for path in before} == before, "no file of the maker's is rewritten"

    # GNU coreutils sha256sum reads the checksum that lies beside the archive.
    sums = subprocess.run(
        ["sha256sum", "-c", f"{archive.name}.sha256"], cwd=archive.parent, capture_output=True, text=True, check=False
    )
    assert sums.returncode == 0, sums.stdout + sums.stderr
    # Info-ZIP unzip opens it, and every byte is there.
    subprocess.run(["unzip", "-q", str(archive), "-d", str(tmp_path / "player")], check=True)
    (top,) = (tmp_path / "player").iterdir()
    expected = {path: data for path, data in after.items() if path != "release.toml"}
    assert content(top) == expected
    # git's own check of the history.
    fsck = subprocess.run(
        ["git", "--git-dir", str(real_instrument / ".companion" / "history.git"), "fsck", "--full", "--strict"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert fsck.returncode == 0, fsck.stdout + fsck.stderr

    copy = shutil.copy(archive, tmp_path / "downloaded.zip")
    companion("upload", real_instrument, copy)
    checksum = told("prove", copy)["proof"]["sha256"]
    companion("prove", copy, "--checksum", checksum)
    damaged = bytearray(Path(copy).read_bytes())
    damaged[len(damaged) // 2] ^= 1
    Path(copy).write_bytes(damaged)
    companion("upload", real_instrument, copy, expect=1)
    companion("prove", copy, "--checksum", checksum, expect=1)


def test_an_experiment_is_undone_and_its_proof_comes_back(real_instrument: Path) -> None:
    companion("check", real_instrument, "contents", "paths", "sound")
    before, good = states(real_instrument), content(real_instrument)
    number = told("snapshot", real_instrument, "-m", "before the experiment")["snapshot"]["number"]

    sample = min(real_instrument.glob("Samples/*/*.wav"))
    data = bytearray(sample.read_bytes())
    data[-200:] = bytes(200)
    sample.write_bytes(data)
    assert states(real_instrument)["sound"] == "stale"
    changes = told("compare", real_instrument, number)["changes"]
    assert changes["changed"] == [sample.relative_to(real_instrument).as_posix()]

    restored = told("restore", real_instrument, number)["restored"]
    assert content(real_instrument) == good
    assert states(real_instrument) == before, "with nothing to reset"
    companion("restore", real_instrument, restored["safety"]["number"])
    assert sample.read_bytes() == bytes(data), "the experiment was kept too"


def test_the_next_version_says_what_changed(real_instrument: Path) -> None:
    prove_by_hand(real_instrument)
    release(real_instrument)
    gone = max(real_instrument.glob("Samples/*/*.wav"))
    relative = gone.relative_to(real_instrument).as_posix()
    patch = real_instrument / next(p.name for p in real_instrument.iterdir() if relative.encode() in _bytes(p))
    moved = gone.with_name(gone.name.replace(".wav", "x.wav"))
    gone.rename(moved)
    patch.write_bytes(patch.read_bytes().replace(relative.encode() + b"\0", relative[:-4].encode() + b"x.wav\0"))

    found = told("check", real_instrument, "facts", expect=1)["findings"]
    assert "version-not-raised" in {f["rule"] for f in found if f["severity"] == "blocks"}
    facts = real_instrument / "release.toml"
    version = status(real_instrument)["version"]
    facts.write_text(facts.read_text("utf-8").replace(f'version = "{version}"', 'version = "99.1"'), encoding="utf-8")
    companion("draft", real_instrument, "changelog", "--write")
    changelog = (real_instrument / "CHANGELOG.md").read_text("utf-8")
    new, old = changelog.index("[99.1]"), changelog.index(f"[{version}]")
    assert new < old
    assert moved.stem in changelog[new:old] or "renamed" in changelog[new:old].lower()
    assert states(real_instrument)["away"] == "stale" or states(real_instrument)["away"] == "open"


def _bytes(path: Path) -> bytes:
    return path.read_bytes() if path.is_file() and path.suffix != ".toml" else b""


@pytest.mark.parametrize("tool", ["unzip", "7z", "bsdtar", "sha256sum", "git"])
def test_the_tools_we_are_held_against_are_here(tool: str) -> None:
    assert shutil.which(tool), f"install {tool}: a reference that is missing fails the check"
