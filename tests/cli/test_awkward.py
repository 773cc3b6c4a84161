"""Awkward inputs, met through the real commands as a maker would meet them."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]
POSIX = pytest.mark.skipif(os.name == "nt", reason="this system cannot hold such a name or file")

HOSTILE = (
    "esc\x1b[31m.wav",
    "osc\x1b]0;x\x07.wav",
    "[@click=app.quit]x[0].wav",
    "bidi\u202egnp.wav",
    "line\nfeed.wav",
    "<script>alert(1)<script>.wav",
)


def content(folder: Path) -> dict[str, bytes]:
    """Everything of the maker's: not what the companion keeps."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] not in (".companion", "releases")
    }


def whole(folder: Path) -> None:
    git = ["git", "--git-dir", str(folder / ".companion" / "history.git"), "fsck", "--full", "--strict"]
    done = subprocess.run(git, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def command(*arguments: object, **more: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "companion", *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **more,
    )


@POSIX
@pytest.mark.parametrize("arguments", [("check",), ("check", "--json"), ("status", "--json"), ("compare", 1)])
def test_hostile_names_are_shown_inert(companion: Companion, demo_folder: Path, arguments: tuple[Any, ...]) -> None:
    companion("snapshot", demo_folder, "-m", "before\x1b[2J")
    sample = (demo_folder / "Samples" / "Struck" / "struck_C4_v40_rr1.wav").read_bytes()
    for index, name in enumerate(HOSTILE):
        (demo_folder / "Samples" / name).write_bytes(sample + bytes(index))
    verb, *rest = arguments
    result = companion(verb, demo_folder, *rest)
    assert result.code in (0, 1)
    for text in (result.out, result.err):
        assert not any(char in text for char in ("\x1b", "\x07", "\u202e")), text
    if verb == "check" and not rest:
        assert "[@click=app.quit]x[0].wav" in result.out


@POSIX
def test_a_name_that_is_not_utf8_is_listed_and_reported(companion: Companion, demo_folder: Path) -> None:
    target = demo_folder / "Samples" / os.fsdecode(b"odd\xff.wav")
    try:
        shutil.copyfile(demo_folder / "Samples" / "Struck" / "struck_C4_v40_rr1.wav", target)
    except OSError:
        pytest.skip("this disk takes UTF-8 names only")
    found = companion("check", demo_folder, "contents", "--json").json["findings"]
    assert any(f["rule"] == "name-forbidden" and f["path"] == "Samples/odd\udcff.wav" for f in found)
    assert companion("snapshot", demo_folder, "-m", "odd").code == 0
    target.unlink()
    assert companion("restore", demo_folder, 1).code == 0
    assert target.exists()
    refused = companion("pack", demo_folder)
    assert refused.code == 2
    assert "odd\\udcff.wav" in refused.err


@POSIX
def test_a_pipe_is_reported_and_never_opened(companion: Companion, demo_folder: Path) -> None:
    os.mkfifo(demo_folder / "Samples" / "pipe.wav")
    found = companion("check", demo_folder, "contents", "paths", "sound", "--json").json["findings"]
    assert any(f["path"] == "Samples/pipe.wav" and f["rule"] == "file-unreadable" for f in found)


def test_names_that_some_systems_refuse_block_and_get_a_new_name(companion: Companion, demo_folder: Path) -> None:
    if os.name == "nt" or sys.platform == "darwin":
        pytest.skip("these names cannot be made here")
    sample = (demo_folder / "Samples" / "Struck" / "struck_C4_v40_rr1.wav").read_bytes()
    for index, name in enumerate(("CON.wav", "tail.", "A.wav", "a.wav", "e\u0301.wav", "\u00e9.wav")):
        (demo_folder / "Samples" / name).write_bytes(sample + bytes(index))
    found = companion("check", demo_folder, "contents", "--json").json["findings"]
    blocking = {(f["rule"], f["path"]): f["mend"] for f in found if f["severity"] == "blocks"}
    assert "CON_.wav" in blocking["name-reserved", "Samples/CON.wav"]
    assert "“tail”" in blocking["name-ends-badly", "Samples/tail."]
    twins = {path for rule, path in blocking if rule == "name-twins"}
    assert len(twins) == 2


@POSIX
def test_a_link_out_of_the_folder_is_not_followed(companion: Companion, demo_folder: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text("not for players", encoding="utf-8")
    (demo_folder / "Reading" / "link.txt").symlink_to(secret)
    found = companion("check", demo_folder, "contents", "--json").json["findings"]
    assert any(f["rule"] == "symlink-outside" and f["severity"] == "blocks" for f in found)
    companion("snapshot", demo_folder, "-m", "with a link")
    into = tmp_path / "elsewhere"
    companion("restore", demo_folder, 1, "--into", into)
    assert (into / "Reading" / "link.txt").is_symlink()
    kept = subprocess.run(
        ["git", "--git-dir", str(demo_folder / ".companion" / "history.git"), "grep", "-q", "not for players", "--all"],
        capture_output=True,
        check=False,
    )
    assert kept.returncode != 0, "the content behind a link is nobody's to keep"


def test_a_makers_own_repository_is_never_touched_and_its_hooks_never_run(
    companion: Companion, demo_folder: Path, tmp_path: Path
) -> None:
    canary = tmp_path / "canary"
    subprocess.run(["git", "init", "-q", str(demo_folder)], check=True)
    hooks = demo_folder / ".git" / "hooks"
    hooks.mkdir(exist_ok=True)
    for hook in ("pre-commit", "post-checkout", "post-commit", "reference-transaction", "fsmonitor"):
        (hooks / hook).write_text(f"#!/bin/sh\ntouch '{canary}'\n", encoding="utf-8")
        (hooks / hook).chmod(0o755)
    with (demo_folder / ".git" / "config").open("a", encoding="utf-8") as config:
        config.write(f"[core]\n\tfsmonitor = {hooks / 'fsmonitor'}\n\thooksPath = {hooks}\n")
    before = content(demo_folder)
    companion("snapshot", demo_folder, "-m", "one")
    (demo_folder / "Licence.txt").write_text("changed", encoding="utf-8")
    companion("snapshot", demo_folder, "-m", "two")
    companion("compare", demo_folder, 1)
    companion("restore", demo_folder, 1)
    assert content(demo_folder) == before
    assert not canary.exists()


def test_without_git_everything_but_snapshots_works(demo_folder: Path, mend_demo: Callable[..., None]) -> None:
    mend_demo(demo_folder)
    bare = {name: value for name, value in os.environ.items() if name.upper() != "PATH"} | {"PATH": str(demo_folder)}
    for arguments, expected in ((("check", "facts", "contents", "paths"), 0), (("needs",), 0), (("pack",), 0)):
        verb, *rest = arguments
        done = command(verb, demo_folder, *rest, env=bare)
        out, err = done.communicate(timeout=120)
        assert done.returncode == expected, out + err
    done = command("snapshot", demo_folder, "-m", "x", env=bare)
    _, err = done.communicate(timeout=60)
    assert done.returncode == 2
    assert len(err.splitlines()) == 1
    assert "git" in err


@pytest.mark.parametrize(
    "text",
    [
        "[" * 500,
        "a = " + "[" * 500,
        ".".join(["a"] * 20_000) + " = 1",
        "\n".join(f"[t{index}]" for index in range(2_000_000)),
        'title = "\x00"',
    ],
    ids=["brackets", "arrays", "dotted", "tables", "nul"],
)
def test_a_bomb_in_the_facts_is_refused_at_once(companion: Companion, tmp_path: Path, text: str) -> None:
    (tmp_path / "release.toml").write_text(text, encoding="utf-8")
    began = time.monotonic()
    result = companion("status", tmp_path)
    assert result.code == 2
    assert len(result.err.splitlines()) == 1
    assert time.monotonic() - began < 3


def test_texts_of_any_size_and_damaged_evidence_stop_nothing(companion: Companion, demo_folder: Path) -> None:
    companion("check", demo_folder, "contents")
    for path in (demo_folder / ".companion" / "evidence" / "contents").glob("*.json"):
        path.write_bytes(b"\xff{" * 1000)
    with (demo_folder / "README.md").open("wb") as stream:
        stream.truncate(500 << 20)
    (demo_folder / "releases").mkdir()
    (demo_folder / "releases" / "x.release.json").write_text('{"title": 3}', encoding="utf-8")
    result = companion("status", demo_folder, "--json")
    assert result.code in (0, 1)
    assert {step["id"]: step["state"] for step in result.json["steps"]}["contents"] == "stale"


def test_a_strangers_zip_is_refused_before_anything_is_written(companion: Companion, tmp_path: Path) -> None:
    hostile = tmp_path / "in" / "hostile.zip"
    hostile.parent.mkdir()
    with zipfile.ZipFile(hostile, "w") as archive:
        archive.writestr("Slate/ok.txt", "fine")
        archive.writestr("../outside.txt", "escaped")
    before = sorted(tmp_path.rglob("*"))
    result = companion("prove", hostile)
    assert result.code == 1
    assert "member-escapes" in result.out
    assert sorted(tmp_path.rglob("*")) == before
    bogus = tmp_path / "in" / "bogus.zip"
    bogus.write_bytes(b"PK\x03\x04" + bytes(100))
    assert companion("prove", bogus).code in (1, 2)


def test_notes_and_facts_are_inert_in_every_format(companion: Companion, demo_folder: Path) -> None:
    facts = demo_folder / "release.toml"
    text = facts.read_text("utf-8")
    evil = "<script>alert(1)</script> \\u001b]0;x\\u0007 [link](javascript:alert(1)) {{ 7*7 }}"
    assert 'summary = "' in text
    head, _, rest = text.partition('summary = "')
    facts.write_text(head + f'summary = "{evil}" #' + rest, encoding="utf-8")
    for fmt in ("md", "txt", "html"):
        out = companion("draft", demo_folder, "page", "--format", fmt).out
        assert "\x1b" not in out
        assert "49" not in out.split("Version")[0]
        if fmt == "html":
            assert "<script" not in out
            assert 'href="javascript' not in out


@POSIX
@pytest.mark.parametrize("verb", ["check", "snapshot", "pack"])
def test_ctrl_c_ends_in_one_line_and_130(demo_folder: Path, verb: str) -> None:
    noise = os.urandom(1 << 20)
    for index in range(150):
        (demo_folder / "Samples" / f"noise_{index}.wav").write_bytes(noise + bytes([index]))
    before = content(demo_folder)
    done = command(verb, demo_folder)
    time.sleep(0.45)
    done.send_signal(signal.SIGINT)
    _, err = done.communicate(timeout=30)
    assert "Traceback" not in err, err
    if done.returncode == 130:  # else it was done before the signal came
        assert len(err.strip().splitlines()) == 1, err
    assert content(demo_folder) == before
    assert not list(demo_folder.rglob("*.part"))
    if (demo_folder / ".companion" / "history.git" / "HEAD").exists():
        whole(demo_folder)


@POSIX
@pytest.mark.parametrize("delay", [0.2, 0.35, 0.5])
def test_a_killed_snapshot_leaves_the_old_history_and_no_lock_in_the_way(
    companion: Companion, demo_folder: Path, delay: float
) -> None:
    companion("snapshot", demo_folder, "-m", "first")
    (demo_folder / "Samples" / "more.wav").write_bytes(os.urandom(8 << 20))
    done = command("snapshot", demo_folder, "-m", "killed")
    time.sleep(delay)
    done.kill()
    done.communicate()
    whole(demo_folder)
    after = companion("snapshot", demo_folder, "-m", "after")
    assert after.code == 0, after.err
    listed = companion("snapshots", demo_folder, "--json").json["snapshots"]
    assert {"first"} <= {shot["label"] for shot in listed}


def test_two_at_once_lose_nothing(companion: Companion, demo_folder: Path) -> None:
    companion("check", demo_folder, "contents")
    pairs = [("file-truncated", "Samples/Struck/struck_G3_v110_rr2.wav"), ("file-empty", "Reading/How to play.txt")]
    running = [command("waive", demo_folder, rule, path, "--reason", "meant") for rule, path in pairs]
    for done in running:
        _, err = done.communicate(timeout=60)
        assert done.returncode == 0, err
    text = (demo_folder / "release.toml").read_text("utf-8")
    assert all(rule in text for rule, _ in pairs)


def test_a_live_holder_is_named(companion: Companion, demo_folder: Path) -> None:
    from companion.core.folder import Places
    from companion.core.lock import held

    with held(Places(demo_folder).building, "building the archive"):
        refused = companion("pack", demo_folder)
    assert refused.code == 2
    assert str(os.getpid()) in refused.err
    assert "building the archive" in refused.err


@POSIX
def test_a_reader_that_goes_away_is_no_error(demo_folder: Path) -> None:
    done = subprocess.run(
        f'"{sys.executable}" -m companion explain | head -1', shell=True, capture_output=True, text=True, check=False
    )
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 1


def test_a_terminal_without_utf8_gets_escapes_not_a_traceback(demo_folder: Path) -> None:
    done = command("status", demo_folder, env={**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C"})
    out, err = done.communicate(timeout=60)
    assert done.returncode == 1
    assert "Facts" in out
    assert err == ""


@pytest.mark.parametrize("name", ["with space", "it's", "$HOME %TEMP%", "-dash", "größe", ".hidden"])
def test_a_folder_of_any_name_is_opened(companion: Companion, tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    assert companion("demo", folder).code == 0
    assert companion("snapshot", folder, "-m", "x").code == 0
    assert companion("status", folder).code == 1


def test_the_folder_one_stands_in_is_the_default(
    companion: Companion, demo_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(demo_folder)
    assert "Slate Choir" in companion("status").out
    assert "Slate Choir" in companion().out


def test_same_size_and_time_is_seen_before_a_release(
    companion: Companion, demo_folder: Path, mend_demo: Callable[..., None]
) -> None:
    mend_demo(demo_folder)
    companion("pack", demo_folder)
    sample = demo_folder / "Samples" / "Struck" / "struck_C4_v40_rr1.wav"
    before = sample.stat()
    data = bytearray(sample.read_bytes())
    data[1000] ^= 1
    sample.write_bytes(data)
    os.utime(sample, ns=(before.st_atime_ns, before.st_mtime_ns))
    packed = companion("pack", demo_folder, "--json").json["archive"]
    with zipfile.ZipFile(packed["path"]) as archive:
        assert archive.read("Slate Choir/Samples/Struck/struck_C4_v40_rr1.wav") == bytes(data)
