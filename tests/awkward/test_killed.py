"""Ended in the middle, or not alone: kill -9, Ctrl+C, stale and live locks, two at once."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core.lock import held

POSIX = pytest.mark.skipif(os.name == "nt", reason="signals of this kind are POSIX")
POINTS = (0.0, 0.08, 0.2)
"""Seconds after the work has begun; a little chance is added to each."""


def wait_for(what: Callable[[], object], running: subprocess.Popen[str]) -> None:
    """Wait until work has begun, or is over already."""
    until = time.monotonic() + 20
    while not what() and running.poll() is None and time.monotonic() < until:
        time.sleep(0.002)


def more(folder: Path, seed: int, megabytes: int = 6) -> None:
    """Add recordings that do not pack, so that there is something to be interrupted in."""
    noise = random.Random(seed)
    for index in range(megabytes):
        with wave.open(str(folder / "Samples" / f"more_{index}.wav"), "wb") as out:
            out.setparams((1, 2, 44100, 0, "NONE", ""))
            out.writeframes(noise.randbytes(1 << 20))


@POSIX
@pytest.mark.parametrize("after", POINTS)
def test_1_kill_in_a_snapshot(
    instrument: Path, companion: Any, begin: Any, makers: Any, fsck: Any, after: float
) -> None:
    assert companion("snapshot", instrument, "-m", "first").code == 0
    first = makers(instrument)
    more(instrument, 1)
    before = makers(instrument)
    running = begin("snapshot", instrument, "-m", "second")
    wait_for((instrument / ".companion" / "history.lock").exists, running)
    time.sleep(after + random.random() / 30)
    running.kill()
    running.communicate()
    assert makers(instrument) == before
    fsck(instrument)
    labels = [shot["label"] for shot in companion("snapshots", instrument, "--json").json["snapshots"]]
    assert labels in (["first"], ["second", "first"])
    assert companion("snapshots", instrument, "--verify").code == 0
    again = companion("snapshot", instrument, "-m", "again", "--json")
    assert again.code == 0, again.err
    fsck(instrument)
    assert companion("restore", instrument, 1).code == 0
    assert makers(instrument) == first
    assert companion("restore", instrument, again.json["snapshot"]["number"]).code == 0
    assert makers(instrument) == before


@POSIX
@pytest.mark.parametrize("after", POINTS)
def test_1_kill_in_a_restore(
    instrument: Path, companion: Any, begin: Any, makers: Any, fsck: Any, after: float
) -> None:
    more(instrument, 1)
    old = makers(instrument)
    assert companion("snapshot", instrument, "-m", "old").code == 0
    more(instrument, 2)
    (instrument / "Samples" / "more_0.wav").rename(instrument / "Samples" / "moved.wav")
    new = makers(instrument)
    running = begin("restore", instrument, 1)
    wait_for((instrument / ".companion" / "history.lock").exists, running)
    time.sleep(after + random.random() / 30)
    running.kill()
    running.communicate()
    assert companion("status", instrument).code == 1, "opening the folder finishes what was begun"
    found = makers(instrument)
    assert found in (old, new), "never a mixture"
    assert not (instrument / ".companion" / "restore.json").exists()
    fsck(instrument)
    assert companion("snapshots", instrument, "--verify").code == 0
    if found == old:
        kept = companion("snapshots", instrument, "--json").json["snapshots"]
        # The first that was taken unasked; recovering keeps the folder as the kill left it as another.
        restored = companion("restore", instrument, min(shot["number"] for shot in kept if shot["kind"] != "asked"))
        assert restored.code == 0, restored.err
        assert makers(instrument) == new, "what was there before is kept"


@POSIX
@pytest.mark.parametrize("after", POINTS)
def test_1_kill_in_a_pack(
    instrument: Path, tmp_path: Path, companion: Any, begin: Any, makers: Any, after: float
) -> None:
    assert companion("pack", instrument).code == 0
    archive = instrument / "releases" / "Slate Choir 1.0.zip"
    old = archive.read_bytes()
    more(instrument, 1)
    before = makers(instrument)
    running = begin("pack", instrument)
    wait_for((instrument / ".companion" / "building.lock").exists, running)
    time.sleep(after + random.random() / 30)
    running.kill()
    running.communicate()
    assert makers(instrument) == before
    found = archive.read_bytes()
    checksum = archive.with_name(f"{archive.name}.sha256")
    if checksum.exists():
        assert checksum.read_text("ascii").split()[0] == hashlib.sha256(found).hexdigest()
    if found != old:
        assert companion("prove", archive).code == 0, "the new one, then, and whole"
    done = begin("pack", instrument)
    out, err = done.communicate(timeout=60)
    assert done.returncode == 0, out + err
    assert sorted(path.name for path in archive.parent.iterdir()) == [archive.name, checksum.name]
    assert list((tmp_path / "tmp").iterdir()) == [], "what the killed one had opened does not stay on the disk"


LOCKS = {
    "lock": ("waive", "minimum-unproven", "release.toml", "--where", "engine.minimum", "--reason", "it is"),
    "building.lock": ("pack",),
    "history.lock": ("snapshot", "-m", "x"),
}


def lock(folder: Path, name: str, pid: int, started: str) -> None:
    (folder / ".companion").mkdir(exist_ok=True)
    owner = {"pid": pid, "host": socket.gethostname(), "started": started, "doing": "rehearsing"}
    (folder / ".companion" / name).write_text(json.dumps(owner), encoding="utf-8")


@pytest.mark.parametrize("name", LOCKS)
def test_2_a_stale_lock_is_cleared(instrument: Path, companion: Any, name: str) -> None:
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    lock(instrument, name, dead.pid, "1")
    verb, *rest = LOCKS[name]
    result = companion(verb, instrument, *rest)
    assert result.code == 0, result.err
    assert not list((instrument / ".companion").glob("*lock*"))


@pytest.mark.skipif(sys.platform != "linux", reason="only there is it known when a process began")
def test_2_a_lock_whose_number_now_is_another_process(instrument: Path, companion: Any) -> None:
    lock(instrument, "history.lock", os.getpid(), "1")
    assert companion("snapshot", instrument).code == 0


@pytest.mark.parametrize("rest", ["", "{", '{"pid": "x"}', "[" * 5000, '{"pid": -1}'])
def test_2_a_lock_that_says_nothing_is_cleared_too(instrument: Path, companion: Any, rest: str) -> None:
    (instrument / ".companion").mkdir()
    damaged = instrument / ".companion" / "building.lock"
    damaged.write_text(rest, encoding="utf-8")
    os.utime(damaged, (time.time() - 60, time.time() - 60))
    assert companion("pack", instrument).code == 0
    assert not damaged.exists()


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("lock", LOCKS["lock"]),
        ("lock", ("draft", "readme", "--write")),
        ("lock", ("check", "facts")),
        ("building.lock", ("pack",)),
        ("history.lock", ("snapshot", "-m", "x")),
        ("history.lock", ("restore", 1)),
        ("history.lock", ("forget", 1, "--labelled")),
    ],
)
def test_3_a_second_instance_is_refused_and_told_who(
    instrument: Path,
    companion: Any,
    makers: Any,
    fsck: Any,
    one_line: Any,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    arguments: tuple[Any, ...],
) -> None:
    assert companion("snapshot", instrument, "-m", "first").code == 0
    before = makers(instrument)
    monkeypatch.setattr("companion.steps.deeds.folder.held", lambda path, doing, patience=0.0: held(path, doing))
    verb, *rest = arguments
    with held(instrument / ".companion" / name, "rehearsing"):
        result = companion(verb, instrument, *rest)
        assert (instrument / ".companion" / f"{name}.holder").exists()
        assert companion("status", instrument).code == 1, "looking needs no lock"
        assert companion("snapshots", instrument).code == 0
    if verb == "check":  # what it found is shown, though it cannot be kept
        assert "Facts: proven" in result.out
        result = result._replace(out="")
    one_line(result, f"process {os.getpid()}", "is rehearsing", str(instrument))
    assert makers(instrument) == before
    fsck(instrument)


@POSIX
@pytest.mark.parametrize("verb", ["check", "snapshot", "pack"])
@pytest.mark.parametrize("after", [0.0, 0.15])
def test_ctrl_c(instrument: Path, tmp_path: Path, begin: Any, makers: Any, fsck: Any, verb: str, after: float) -> None:
    more(instrument, 3, megabytes=24 if verb == "pack" else 40)
    before = makers(instrument)
    ours = instrument / ".companion"
    # To the whole group, as a terminal sends it: whatever helps is interrupted too.
    running = begin(verb, instrument, start_new_session=True)
    marks = {"check": "cache.sqlite3", "snapshot": "history.lock", "pack": "building.lock"}
    wait_for((ours / marks[verb]).exists, running)
    time.sleep(after)
    os.killpg(running.pid, signal.SIGINT)
    out, err = running.communicate(timeout=30)
    assert "Traceback" not in err, err
    assert makers(instrument) == before
    fsck(instrument)
    assert not list(instrument.rglob("*.part"))
    assert not list(ours.glob("*lock"))
    assert list((tmp_path / "tmp").iterdir()) == []
    if running.returncode == 130:
        assert out == ""
        assert len(err.splitlines()) == 1, err
        assert not list(instrument.glob("releases/*.zip"))
        assert not list(ours.glob("history.git/refs/**/snapshots/*"))
    else:
        assert running.returncode in (0, 1), "it was done before the signal came"
        assert after > 0.0, "nothing is done that soon"


def both(begin: Any, folder: Path, first: tuple[Any, ...], second: tuple[Any, ...]) -> list[tuple[int, str, str]]:
    running = [begin(verb, folder, *rest) for verb, *rest in (first, second)]
    ended = []
    for one in running:
        out, err = one.communicate(timeout=60)
        assert "Traceback" not in err, err
        ended.append((one.returncode, out, err))
    return ended


def test_two_checks_at_once(instrument: Path, companion: Any, begin: Any, makers: Any) -> None:
    before = makers(instrument)
    ended = both(begin, instrument, ("check", "--json"), ("check", "--json"))
    alone = companion("check", instrument, "--json")
    for code, out, err in ended:
        assert (code, err) == (1, "")
        assert json.loads(out)["findings"] == alone.json["findings"]
    assert makers(instrument) == before
    for path in (instrument / ".companion" / "evidence").rglob("*.json"):
        json.loads(path.read_bytes())


def test_two_snapshots_at_once(instrument: Path, companion: Any, begin: Any, makers: Any, fsck: Any) -> None:
    more(instrument, 4, megabytes=20)
    before = makers(instrument)
    ended = both(begin, instrument, ("snapshot", "-m", "left"), ("snapshot", "-m", "right"))
    kept = [code for code, _, _ in ended].count(0)
    assert kept in (1, 2)
    for code, _, err in ended:
        if code:
            assert code == 2
            assert "process " in err
            assert len(err.splitlines()) == 1
    fsck(instrument)
    assert makers(instrument) == before
    assert companion("snapshots", instrument, "--verify").code == 0
    assert companion("restore", instrument, 1).code == 0
    assert makers(instrument) == before


def test_two_packs_at_once(instrument: Path, companion: Any, begin: Any) -> None:
    more(instrument, 5, megabytes=20)
    ended = both(begin, instrument, ("pack",), ("pack",))
    assert 0 in [code for code, _, _ in ended]
    for code, _, err in ended:
        if code:
            assert code == 2
            assert "is building the archive" in err
            assert len(err.splitlines()) == 1
    assert sorted(path.suffix for path in (instrument / "releases").iterdir()) == [".sha256", ".zip"]
    assert companion("prove", instrument / "releases" / "Slate Choir 1.0.zip").code == 0


def test_four_waivers_at_once_and_none_is_lost(instrument: Path, begin: Any, companion: Any) -> None:
    facts = instrument / "release.toml"
    lines = facts.read_text("utf-8").splitlines(keepends=True)
    facts.write_text("".join(one for one in lines if not one.startswith(("contact", "summary", "rights"))), "utf-8")
    keys = [("fact-missing", "instrument.summary"), ("fact-missing", "instrument.contact")]
    keys += [("rights-unstated", "instrument.rights"), ("minimum-unproven", "engine.minimum")]
    running = [
        begin("waive", instrument, rule, "release.toml", "--where", where, "--reason", "meant") for rule, where in keys
    ]
    for one in running:
        _, err = one.communicate(timeout=60)
        assert (one.returncode, err) == (0, "")
    text = (instrument / "release.toml").read_text("utf-8")
    assert text.count("[[waivers]]") == len(keys)
    assert all(f'rule = "{rule}"' in text and f'where = "{where}"' in text for rule, where in keys)
    assert companion("status", instrument).code == 1


def test_two_starts_at_once_and_the_first_stands(instrument: Path, begin: Any) -> None:
    (instrument / "release.toml").unlink()
    titles = ("Left", "Right")
    ended = both(begin, instrument, *((("start", "--title", title)) for title in titles))
    assert sorted(code for code, _, _ in ended) == [0, 2]
    stood = titles[[code for code, _, _ in ended].index(0)]
    assert f'title = "{stood}"' in (instrument / "release.toml").read_text("utf-8")
