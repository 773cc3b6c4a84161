"""Nothing in a maker's folder, account or environment runs or changes what git does; and git may be missing."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from companion.history.history import History
from companion.history.store import hermetic


def _hostile(folder: Path, canary: Path, git: Any) -> None:
    """A maker's repository in which every hook, filter and monitor leaves a mark that it ran."""
    script = folder.parent / "canary.sh"
    script.write_text(f"#!/bin/sh\necho ran >> '{canary}'\ncat\n", "utf-8")
    script.chmod(0o755)
    git(folder, "init", "-q")
    hooks = ("pre-commit", "post-commit", "reference-transaction", "post-index-change", "pre-push", "post-checkout")
    for hook in (*hooks, "fsmonitor-watchman", "update", "pre-receive", "post-update"):
        target = folder / ".git/hooks" / hook
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(script.read_bytes())
        target.chmod(0o755)
    for key, value in {
        "core.fsmonitor": str(script),
        "filter.bad.clean": str(script),
        "filter.bad.smudge": str(script),
        "filter.bad.process": str(script),
        "diff.external": str(script),
        "core.sshCommand": str(script),
        "core.pager": str(script),
        "gpg.program": str(script),
        "commit.gpgSign": "true",
        "core.editor": str(script),
        "core.autocrlf": "true",
    }.items():
        git(folder, "config", key, value)
    (folder / ".gitattributes").write_text("* filter=bad text eol=crlf\n", "utf-8")
    (folder / ".gitignore").write_text("*.wav\n", "utf-8")


def test_hooks_filters_and_monitors_never_run(
    folder: Path, history: History, git: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    canary, home = tmp_path / "canary", tmp_path / "home"
    home.mkdir()
    _hostile(folder, canary, git)
    config = (folder / ".git/config").read_text("utf-8")
    (home / ".gitconfig").write_text(config + "[alias]\n\tlog = !false\n", "utf-8")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("GIT_DIR", str(folder / ".git"))
    monkeypatch.setenv("GIT_INDEX_FILE", str(folder / ".git/index"))
    monkeypatch.setenv("GIT_OBJECT_DIRECTORY", str(folder / ".git/objects"))
    monkeypatch.setenv("GIT_EXTERNAL_DIFF", str(tmp_path / "canary.sh"))
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", str(home / ".gitconfig"))
    monkeypatch.setenv("GIT_NAMESPACE", "elsewhere")
    lines = b"one\ntwo\n"
    (folder / "lines.txt").write_bytes(lines)
    history.take("first")
    assert "Samples/struck/slate_0.wav" in history.files(1), "what git ignores is kept all the same"
    (folder / "lines.txt").write_bytes(b"other\n")
    history.compare(1).text_diff("lines.txt")
    history.restore(1)
    assert (folder / "lines.txt").read_bytes() == lines
    history.snapshots()
    history.verify()
    history.mirror(tmp_path / "mirror.git")
    remote = tmp_path / "remote.git"
    subprocess.run(["git", "init", "-q", "--bare", str(remote)], check=True, env={"PATH": os.environ["PATH"]})
    history.mirror(f"file://{remote}")
    with hermetic.repository(folder / ".companion/history.git") as repository:
        assert repository.git.log("--all", "--format=%an <%ae>").splitlines()[0] == "companion <companion@localhost>"
        assert repository.git.config("core.fsmonitor") == "false"
    assert not canary.exists()


def test_hooks_put_into_the_history_itself_do_not_run(folder: Path, history: History, tmp_path: Path) -> None:
    history.take("first")
    canary, place = tmp_path / "canary", folder / ".companion/history.git"
    (place / "hooks").mkdir()
    for hook in ("reference-transaction", "pre-push", "post-index-change"):
        (place / "hooks" / hook).write_text(f"#!/bin/sh\necho ran >> '{canary}'\n", "utf-8")
        (place / "hooks" / hook).chmod(0o755)
    with (place / "config").open("a", encoding="utf-8") as stream:
        stream.write(f'[core]\n\tfsmonitor = "echo ran >> {canary}"\n\thooksPath = hooks\n')
    remote = tmp_path / "remote.git"
    subprocess.run(["git", "init", "-q", "--bare", str(remote)], check=True, env={"PATH": os.environ["PATH"]})
    history.mirror(f"file://{remote}")
    (folder / "x").write_text("x", "utf-8")
    history.take("second")
    with hermetic.repository(place) as repository:
        repository.git.update_ref("refs/heads/try", history.snapshots()[0].id)
    assert not canary.exists()


def test_the_environment_holds_nothing_of_the_makers_git(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("GIT_INDEX_FILE", "GIT_SSH_COMMAND", "GIT_TRACE", "git_dir", "GIT_CONFIG_PARAMETERS"):
        monkeypatch.setenv(name, "bad")
    found = hermetic.environment(tmp_path)
    assert "bad" not in found.values()
    for name in ("GIT_DIR", "GIT_WORK_TREE", "GIT_CONFIG_NOSYSTEM", "GIT_CONFIG_GLOBAL", "GIT_ATTR_NOSYSTEM"):
        assert found[name]
    assert found["GIT_LITERAL_PATHSPECS"] == found["GIT_NO_REPLACE_OBJECTS"] == "1"
    assert found["GIT_OPTIONAL_LOCKS"] == "0"


def test_a_folder_s_own_git_program_is_not_taken(folder: Path) -> None:
    fake = folder / "git"
    fake.write_text("#!/bin/sh\nexit 0\n", "utf-8")
    fake.chmod(fake.stat().st_mode | stat.S_IXUSR)
    assert Path(hermetic.git_program()).parent != folder


def test_importing_the_room_is_light() -> None:
    script = (
        "import sys, companion.history, companion.history.history\n"
        "print([name for name in ('git', 'isal', 'deflate', 'numpy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def _partial_clone(place: Path, script: Path) -> None:
    """Have git fetch what is missing from a remote that names its own program."""
    with (place / "config").open("a", encoding="utf-8") as stream:
        stream.write(
            f"[core]\n\trepositoryformatversion = 1\n[extensions]\n\tpartialClone = it\n"
            f'[remote "it"]\n\tpromisor = true\n\turl = file://{place}\n\tuploadpack = "{script}"\n'
        )


def _common_folder(place: Path, script: Path) -> None:
    other = place.parent / "common"
    other.mkdir()
    (other / "config").write_bytes((place / "config").read_bytes())
    _partial_clone(other, script)
    for name in ("objects", "refs"):
        (other / name).symlink_to(place / name)
    (place / "commondir").write_text(str(other), "utf-8")


@pytest.mark.parametrize("prepare", [_partial_clone, _common_folder])
def test_looking_at_a_strangers_history_starts_no_program(folder: Path, history: History, prepare: Any) -> None:
    """Twelve commits are read by one call of git; of those that are gone it would ask the remote."""
    for number in range(12):
        (folder / "n.txt").write_text(str(number), "utf-8")
        history.take(f"n{number}")
    place, canary = folder / ".companion/history.git", folder.parent / "canary"
    script = folder.parent / "canary.sh"
    script.write_text(f"#!/bin/sh\necho ran >> '{canary}'\n", "utf-8")
    script.chmod(0o755)
    (place / "listing").unlink()
    missing = history._store.packs.places[bytes.fromhex(history.snapshot(3).id)].pack.path
    missing.unlink()
    missing.with_suffix(".idx").unlink()
    prepare(place, script)
    with History(folder) as again:
        assert [one.label for one in again.snapshots()].count("(this snapshot cannot be read)") >= 1
        (folder / "n.txt").write_text("next", "utf-8")
        again.take("next")
        again.verify()
        again.snapshots()
    assert not canary.exists()


def test_a_mirror_is_reached_by_git_s_own_programs(folder: Path, history: History, git: Any, tmp_path: Path) -> None:
    history.take("first")
    remote, canary = tmp_path / "remote.git", tmp_path / "canary"
    git(tmp_path, "init", "-q", "--bare", str(remote))
    config = folder / ".companion/history.git/config"
    with config.open("a", encoding="utf-8") as stream:
        for name in ("receivepack", "uploadpack"):
            stream.write(f'[remote "file://{remote}"]\n\turl = file://{remote}\n\t{name} = "touch {canary}; git x"\n')
    assert history.mirror(f"file://{remote}").new == 1
    assert not canary.exists()


def test_a_link_in_place_of_our_files_is_not_written_through(folder: Path, history: History, tmp_path: Path) -> None:
    history.take("first")
    precious = tmp_path / "precious"
    for name in ("config", "packed-refs", "last-number"):
        precious.write_text("precious", "utf-8")
        (folder / ".companion/history.git" / name).unlink(missing_ok=True)
        (folder / ".companion/history.git" / name).symlink_to(precious)
        (folder / "n.txt").write_text(name, "utf-8")
        taken = history.take(name)
        history.forget([taken.number])
        assert precious.read_text("utf-8") == "precious"
