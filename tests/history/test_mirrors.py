"""Second copies: damage there is found and mended, and nothing that a repository or the environment names is run."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.history.history import History
from companion.history.model import Adopted
from companion.history.store import hermetic, refs
from tests.history.test_names import SAMPLE, emptied, flipped, gone, held, three

HOOKS = ("pre-receive", "update", "post-receive", "post-update", "reference-transaction", "pre-push", "proc-receive")


def packs(target: Path) -> list[Path]:
    return sorted((target / "objects/pack").glob("*.pack"))


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])


def in_the_middle(path: Path) -> None:
    flipped(path, path.stat().st_size // 2)


def in_the_sum(path: Path) -> None:
    flipped(path, path.stat().st_size - 3)


def no_index(path: Path) -> None:
    path.with_suffix(".idx").unlink()


def bad_index(path: Path) -> None:
    flipped(path.with_suffix(".idx"), 1100)


def other_index(path: Path) -> None:
    """The index of another pack: whole in itself."""
    others = [one for one in packs(path.parents[2]) if one != path]
    path.with_suffix(".idx").write_bytes(others[0].with_suffix(".idx").read_bytes())


DAMAGE = (cut, in_the_middle, in_the_sum, no_index, bad_index, other_index, emptied, gone)


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("every", [True, False], ids=["every pack", "one pack"])
def test_a_damaged_mirror_is_mended_from_the_folder(
    folder: Path, history: History, tmp_path: Path, git: Any, damage: Callable[[Path], None], every: bool
) -> None:
    contents, target = three(folder, history), tmp_path / "copy.git"
    history.mirror(target)
    for pack in packs(target)[: None if every else 1]:
        damage(pack)
    with History(target) as found:
        assert not found.verify().whole or damage is other_index
    done = history.mirror(target)
    assert (done.snapshots, done.new, done.broken) == (3, 0, ())
    assert bool(done.repaired) is (damage in (cut, in_the_middle))
    with History(target) as found:
        assert found.verify().whole
    assert git(target, "fsck", "--full", "--strict", "--no-dangling") == ""
    other = tmp_path / "other"
    other.mkdir()
    with History(other) as found:
        assert found.adopt(target) == Adopted(snapshots=3)
    held(other, contents)


def test_a_mirror_that_is_whole_is_left_as_it_is(folder: Path, history: History, tmp_path: Path) -> None:
    three(folder, history)
    target = tmp_path / "copy.git"
    history.mirror(target)
    before = {path: path.read_bytes() for path in target.rglob("*") if path.is_file()}
    done = history.mirror(target)
    assert (done.bytes, done.repaired) == (0, 0)
    assert {path: path.read_bytes() for path in target.rglob("*") if path.is_file()} == before


@pytest.mark.parametrize("names", [(refs.FILE,), (refs.COPY,), (refs.FILE, refs.COPY)], ids=["first", "copy", "both"])
def test_a_mirror_whose_list_is_damaged_loses_no_snapshot(
    folder: Path, history: History, tmp_path: Path, names: tuple[str, ...]
) -> None:
    contents, target = three(folder, history), tmp_path / "copy.git"
    history.mirror(target)
    history.forget([1])
    for name in names:
        emptied(target / name)
    other = tmp_path / "other"
    other.mkdir()
    with History(other) as found:
        back = found.adopt(target)
        assert (back.snapshots, back.broken) == (3, ())
        assert "list of snapshots" in back.problem
    held(other, contents)
    assert history.mirror(target).snapshots == 3, "what was forgotten here stays there"
    with History(target) as found:
        assert found.verify().whole
    held_by_mirror = History(target)
    assert held_by_mirror.read(1, SAMPLE) == contents[0]
    held_by_mirror.close()


def test_adopting_says_what_did_not_come_back(
    folder: Path, history: History, tmp_path: Path, companion_main: Callable[..., Any]
) -> None:
    three(folder, history)
    target = tmp_path / "copy.git"
    history.mirror(target)
    in_the_middle(max(packs(target), key=lambda path: path.stat().st_size))
    (tmp_path / "one").mkdir()
    code, out = companion_main("adopt", tmp_path / "one", target)
    assert code == 1
    assert "Of 3 snapshots, 2 came back whole." in out
    assert "Damaged in the mirror: snapshot " in out
    for pack in packs(target):
        cut(pack)
    (tmp_path / "two").mkdir()
    code, out = companion_main("adopt", tmp_path / "two", target)
    assert code == 1
    assert "Of 3 snapshots, 0 came back whole." in out
    code, out = companion_main("mirror", folder, target)
    assert code == 0
    assert "copied anew" in out
    (tmp_path / "three").mkdir()
    code, out = companion_main("adopt", tmp_path / "three", target)
    assert (code, out.startswith("3 snapshots are back, whole.")) == (0, True)


def test_what_is_damaged_on_both_sides_is_told(
    folder: Path, history: History, tmp_path: Path, companion_main: Callable[..., Any]
) -> None:
    three(folder, history)
    target = tmp_path / "copy.git"
    history.mirror(target)
    largest = max(packs(target), key=lambda path: path.stat().st_size)
    in_the_middle(largest)
    in_the_middle(folder / ".companion/history.git/objects/pack" / largest.name)
    (folder / SAMPLE).write_bytes(b"something else")
    code, out = companion_main("mirror", folder, target)
    assert code == 1
    assert "Not whole there, since the history here is damaged too: snapshot " in out


def test_only_the_mirror_still_has_it_and_a_rotten_neighbour_costs_it_nothing(
    folder: Path, history: History, tmp_path: Path
) -> None:
    """What was forgotten here is in no other place: a damaged pack of the mirror is not dropped with it inside."""
    contents, target = three(folder, history), tmp_path / "copy.git"
    history.mirror(target)
    history.forget([1, 3])
    for pack in packs(target):
        in_the_sum(pack)
    assert history.mirror(target).broken == ()
    with History(target) as found:
        assert [found.read(number, SAMPLE) for number in (1, 2, 3)] == contents
        assert found.verify().whole


def test_a_mirror_that_may_not_be_looked_into_is_told_as_that(
    folder: Path, history: History, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    three(folder, history)
    target, real = tmp_path / "copy.git", os.listdir
    history.mirror(target)
    pack_folder = target / "objects/pack"

    def refusing(path: Any = ".") -> list[str]:
        if str(path) == str(pack_folder) or (
            isinstance(path, int) and os.fstat(path).st_ino == pack_folder.stat().st_ino
        ):
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "listdir", refusing)
    (tmp_path / "other").mkdir()
    with History(tmp_path / "other") as found, pytest.raises(CompanionError, match="read the mirror: Permission"):
        found.adopt(target)
    with pytest.raises(CompanionError, match="write the mirror: Permission"):
        history.mirror(target)
    monkeypatch.undo()
    with History(tmp_path / "other") as found:
        assert found.snapshots() == []
        assert found.adopt(target).broken == ()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no such pipes there")
@pytest.mark.timeout(60)
@pytest.mark.parametrize("ending", [".pack", ".idx"])
def test_a_pipe_in_place_of_a_pack_or_an_index_keeps_nobody_waiting(
    folder: Path, history: History, tmp_path: Path, ending: str
) -> None:
    contents, target = three(folder, history), tmp_path / "copy.git"
    history.mirror(target)
    other = tmp_path / "other"
    other.mkdir()
    for place in (target, folder / ".companion/history.git"):
        victim = max(place.glob("objects/pack/*.pack"), key=lambda path: path.stat().st_size).with_suffix(ending)
        victim.unlink()
        os.mkfifo(victim)
        with History(target if place == target else folder) as found:
            assert not found.verify().whole
        if place == target:
            with History(other) as found:
                assert bool(found.adopt(target).broken) is (ending == ".pack")
            assert history.mirror(target).broken == ()
            with History(target) as found:
                assert found.verify().whole
    with History(folder) as again:
        (folder / "more.txt").write_text("more", "utf-8")
        again.take("next")
        assert again.read(3, SAMPLE) == contents[2]


# -- nothing is run ---------------------------------------------------------------------------------------------------


def script(path: Path, canary: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!/bin/sh\necho {path.name} >> '{canary}'\nexec /usr/bin/git \"$@\"\n", "utf-8")
    path.chmod(0o755)
    return path


def hostile_repository(where: Path, canary: Path, git: Any, *, used: bool) -> Path:
    """A bare repository with every hook there is, in its own place and in one that its configuration names."""
    git(where.parent, "init", "-q", "--bare", str(where))
    for hook in HOOKS:
        script(where / "hooks" / hook, canary)
        script(where / "other-hooks" / hook, canary)
    with (where / "config").open("a", encoding="utf-8") as stream:
        stream.write(f"[core]\n\thooksPath = {where}/other-hooks\n\tfsmonitor = {where}/hooks/update\n")
        stream.write(f"[uploadpack]\n\tpackObjectsHook = {where}/hooks/update\n[gc]\n\tauto = 1\n")
    if used:
        (where / "refs/heads/main").write_text("1" * 40 + "\n", "utf-8")
    return where


@pytest.mark.parametrize("used", [True, False])
@pytest.mark.parametrize("address", ["{}", "file:{}", "file://{}", "FILE://localhost{}"])
def test_mirroring_to_a_repository_runs_nothing_that_it_names(
    folder: Path, history: History, git: Any, tmp_path: Path, used: bool, address: str
) -> None:
    contents, canary = three(folder, history), tmp_path / "canary"
    bare = hostile_repository(tmp_path / "theirs.git", canary, git, used=used)
    config = (bare / "config").read_bytes()
    name = address.format(bare if address == "{}" else bare.as_uri().removeprefix("file://"))
    done = history.mirror(name)
    assert (done.snapshots, done.new, done.target) == (3, 3, str(bare))
    assert history.mirror(name).new == 0
    assert not canary.exists()
    assert (bare / "config").read_bytes() == config, "it stays theirs"
    other = tmp_path / "other"
    other.mkdir()
    with History(other) as found:
        assert found.adopt(bare).broken == ()
    held(other, contents)
    assert not canary.exists()
    listed = git(bare, "-c", "core.hooksPath=/dev/null", "-c", "core.fsmonitor=false", "ls-remote", ".")
    assert listed.count("refs/snapshots/") == 3


@pytest.mark.parametrize("address", ["file://host.example{}", "file://{}/nothing", "file:nothing", "file://"])
def test_an_address_of_no_folder_here_is_told(folder: Path, history: History, tmp_path: Path, address: str) -> None:
    three(folder, history)
    with pytest.raises(CompanionError, match="There is no repository there"):
        history.mirror(address.format(tmp_path))


def test_a_repository_planted_on_a_stick_runs_nothing(folder: Path, history: History, git: Any, tmp_path: Path) -> None:
    three(folder, history)
    stick, canary = tmp_path / "stick", tmp_path / "canary"
    stick.mkdir()
    (stick / "photo.png").write_bytes(b"x")
    planted = hostile_repository(stick / f"{folder.name}-history.git", canary, git, used=True)
    assert history.mirror(stick).target == str(planted)
    assert not canary.exists()


@pytest.mark.parametrize(
    "name",
    [
        "GIT_PYTHON_GIT_EXECUTABLE",
        "GIT_SSH",
        "GIT_SSH_COMMAND",
        "GIT_PROXY_COMMAND",
        "GIT_ASKPASS",
        "SSH_ASKPASS",
        "GIT_EXEC_PATH",
        "GIT_TRACE",
        "GIT_EXTERNAL_DIFF",
        "GIT_CONFIG_COUNT",
        "PATH",
    ],
)
def test_mirroring_runs_no_program_that_the_environment_names(
    folder: Path, history: History, tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    three(folder, history)
    canary, stick = tmp_path / "canary", tmp_path / "stick"
    for program in ("git", "ssh-askpass", "git-remote-https"):
        script(stick / program, canary)
    bad = {"PATH": f".{os.pathsep}{os.pathsep}../stick", "GIT_EXEC_PATH": str(stick), "GIT_CONFIG_COUNT": "1"}
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(sys.path),
        "GIT_CONFIG_KEY_0": "core.sshCommand",
        "GIT_CONFIG_VALUE_0": str(stick / "git"),
        name: bad.get(name, str(stick / "git")) + (os.pathsep + os.environ["PATH"] if name == "PATH" else ""),
    }
    code = (
        "import sys\nfrom pathlib import Path\nfrom companion.core.errors import CompanionError\n"
        "from companion.history.history import History\n"
        "for target in sys.argv[2:]:\n    try:\n        History(Path(sys.argv[1])).mirror(target)\n"
        "    except CompanionError as error:\n        print(error)\n"
    )
    addresses = ("https://127.0.0.1:9/a.git", "git://127.0.0.1:9/a.git", str(tmp_path / "copy.git"))
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder), *addresses],
        cwd=stick,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Git could not reach the mirror") == 2, done.stdout
    assert not canary.exists()
    assert (tmp_path / "copy.git" / refs.FILE).exists()


def test_settings_of_a_stranger_s_in_place_of_our_empty_ones_are_not_read(
    folder: Path, history: History, tmp_path: Path
) -> None:
    three(folder, history)
    place, canary = folder / ".companion/history.git", tmp_path / "canary"
    (place / "no-config").write_text(f'[core]\n\tsshCommand = "echo ran >> {canary}; false"\n', "utf-8")
    with pytest.raises(CompanionError, match="not the companion's own"):
        hermetic.repository(place)
    with pytest.raises(CompanionError):
        history.mirror("ssh://127.0.0.1:9/a.git")
    assert not canary.exists()
    assert (place / "no-config").read_bytes() == b""


@pytest.mark.parametrize("part", ["", "objects", "objects/pack", "refs", "refs/snapshots"])
@pytest.mark.skipif(os.name == "nt", reason="links need rights there that a test does not have")
def test_a_link_in_a_mirror_is_not_written_through(
    folder: Path, history: History, git: Any, tmp_path: Path, part: str
) -> None:
    three(folder, history)
    outside, target = tmp_path / "outside", tmp_path / "copy.git"
    outside.mkdir()
    if part != "":
        git(tmp_path, "init", "-q", "--bare", str(target))
        place = target / part
        if place.exists():
            place.rename(tmp_path / "moved")
            (tmp_path / "moved").rename(outside / "theirs")
        place.symlink_to(outside, target_is_directory=True)
    else:
        target.symlink_to(outside, target_is_directory=True)
    before = sorted(str(path) for path in outside.rglob("*"))
    with pytest.raises(CompanionError, match="a link"):
        history.mirror(target)
    assert sorted(str(path) for path in outside.rglob("*")) == before


@pytest.mark.parametrize("line", ["objectformat = sha256", "refStorage = reftable"])
def test_a_repository_in_another_format_is_refused(
    folder: Path, history: History, git: Any, tmp_path: Path, line: str
) -> None:
    three(folder, history)
    bare = tmp_path / "theirs.git"
    git(tmp_path, "init", "-q", "--bare", str(bare))
    with (bare / "config").open("a", encoding="utf-8") as stream:
        stream.write(f"[extensions]\n\t{line}\n")
    with pytest.raises(CompanionError, match="another format"):
        history.mirror(bare)
    assert packs(bare) == []


def test_a_name_that_somebody_is_just_writing_or_gave_to_something_else_is_theirs(
    folder: Path, history: History, git: Any, tmp_path: Path
) -> None:
    three(folder, history)
    bare = hostile_repository(tmp_path / "theirs.git", tmp_path / "canary", git, used=True)
    (bare / "refs/snapshots").mkdir()
    (bare / "refs/snapshots/000002.lock").write_bytes(b"")
    with pytest.raises(CompanionError, match="add a name"):
        history.mirror(bare)
    assert (bare / "refs/snapshots/000002.lock").exists()
    (bare / "refs/snapshots/000002.lock").unlink()
    (bare / "refs/tags/release").mkdir(parents=True)
    (bare / "refs/tags/release/1.0").write_text("2" * 40 + "\n", "utf-8")
    with pytest.raises(CompanionError, match="another refs/tags/release"):
        history.mirror(bare)
    assert (bare / "refs/tags/release/1.0").read_text("utf-8") == "2" * 40 + "\n"


def test_what_git_is_writing_into_a_repository_is_not_taken_for_our_leftovers(
    folder: Path, history: History, git: Any, tmp_path: Path
) -> None:
    three(folder, history)
    bare = hostile_repository(tmp_path / "theirs.git", tmp_path / "canary", git, used=True)
    theirs = bare / "objects/pack/tmp_pack_aB3dE6"
    theirs.write_bytes(b"PACK half")
    history.mirror(bare)
    assert theirs.exists()


@pytest.fixture
def companion_main() -> Callable[..., Any]:
    """Run a command in this process; return its exit code and what it printed."""
    from click.testing import CliRunner

    from companion.cli.base import commands

    def run(*arguments: object) -> tuple[int, str]:
        done = CliRunner().invoke(commands, [str(one) for one in arguments], standalone_mode=False)
        assert done.exception is None
        return done.return_value or 0, done.output

    return run
