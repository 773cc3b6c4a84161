"""Restoring: the same bytes, modes, links and empty folders come back, and nothing is lost on the way."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.core import below
from companion.core.errors import Cancelled, CompanionError
from companion.core.hold import Hold
from companion.core.progress import Progress, Watch
from companion.history import restore, restore_files
from companion.history.history import History
from companion.history.model import KeptFile
from companion.history.restore_plan import plan
from companion.history.snapshot import Snapshot
from companion.history.store import commits, durable, pack_writer, refs
from companion.history.store.objects import (
    COMMIT,
    FILE,
    FOLDER,
    LINK,
    PROGRAM,
    TREE,
    TreeEntry,
    commit_data,
    object_id,
    tree_data,
    tree_entries,
)


def _mutate(folder: Path) -> None:
    (folder / "Samples/struck/slate_0.wav").write_bytes(b"re-recorded")
    (folder / "Samples/struck/slate_1.wav").rename(folder / "moved.wav")
    (folder / "new folder" / "deep").mkdir(parents=True)
    (folder / "new folder" / "deep" / "x").write_text("x", "utf-8")
    (folder / "Takes").rmdir()
    (folder / "Other").mkdir()
    (folder / "render.sh").chmod(0o644)
    (folder / "latest.wav").unlink()
    (folder / "latest.wav").symlink_to("moved.wav")


def test_everything_comes_back_and_what_was_there_is_kept(
    folder: Path, history: History, state: Any, fsck: Callable[[Path], None]
) -> None:
    history.take("good")
    good = state(folder)
    _mutate(folder)
    bad = state(folder)
    done = history.restore(1)
    assert state(folder) == good
    assert done.failed == ()
    assert done.safety is not None
    assert (done.safety.number, done.safety.kind, done.safety.new) == (2, "before-restore", True)
    back = history.restore(2)
    assert state(folder) == bad
    assert back.safety is not None
    assert back.safety.number == 1, "what is there is in snapshot 1 already"
    fsck(folder)


def test_only_what_differs_is_written(folder: Path, history: History) -> None:
    history.take("good")
    before = {path: path.lstat() for path in folder.rglob("*.wav")}
    (folder / "CHANGELOG.md").write_text("changed", "utf-8")
    (folder / "render.sh").chmod(0o644)
    done = history.restore(1)
    assert done.written == ("CHANGELOG.md", "render.sh")
    assert done.unchanged == 6
    for path, status in before.items():
        assert (path.lstat().st_ino, path.lstat().st_mtime_ns) == (status.st_ino, status.st_mtime_ns)
    assert history.restore(1).written == ()


def test_some_paths_only(folder: Path, history: History, state: Any) -> None:
    history.take("good")
    good = state(folder)
    _mutate(folder)
    bad = state(folder)
    done = history.restore(1, only=["Samples/struck/", "./render.sh"])
    assert set(done.written) == {"Samples/struck/slate_0.wav", "Samples/struck/slate_1.wav", "render.sh"}
    now = state(folder)
    assert {path: now[path] for path in done.written} == {path: good[path] for path in done.written}
    assert {p: s for p, s in now.items() if not p.startswith(("Samples", "render"))} == {
        p: s for p, s in bad.items() if not p.startswith(("Samples", "render"))
    }


@pytest.mark.parametrize("only", ["nothing.wav", "../outside", "/etc/passwd", "Samples/stru"])
def test_a_path_that_is_not_in_the_snapshot_is_refused(folder: Path, history: History, state: Any, only: str) -> None:
    history.take("good")
    (folder / "extra").write_text("x", "utf-8")
    before = state(folder)
    with pytest.raises(CompanionError):
        history.restore(1, only=[only])
    assert state(folder) == before


def test_into_another_folder(folder: Path, history: History, state: Any, tmp_path: Path) -> None:
    history.take("good")
    good = state(folder)
    _mutate(folder)
    before = state(folder)
    done = history.restore(1, into=tmp_path / "elsewhere")
    assert state(tmp_path / "elsewhere") == good
    assert done.safety is None
    assert state(folder) == before
    with pytest.raises(CompanionError, match="not empty"):
        history.restore(1, into=tmp_path / "elsewhere")
    with pytest.raises(CompanionError, match="inside the working folder"):
        history.restore(1, into=folder / "copy")
    with pytest.raises(CompanionError, match=r"holds no “nothing\.wav”"):
        history.restore(1, only=["nothing.wav"], into=tmp_path / "some")
    assert not (tmp_path / "some").exists()
    assert history.restore(1, only=["Samples"], into=tmp_path / "some").failed == ()
    assert state(tmp_path / "some") == {path: one for path, one in good.items() if path.startswith("Samples")}


def test_evidence_is_only_ever_added(folder: Path, history: History) -> None:
    evidence = folder / ".companion/evidence/sound"
    evidence.mkdir(parents=True)
    (evidence / "a.json").write_text("old answers", "utf-8")
    (evidence / "gone.json").write_text("was lost", "utf-8")
    history.take("good")
    (evidence / "a.json").write_text("old answers and new ones", "utf-8")
    (evidence / "b.json").write_text("new evidence", "utf-8")
    (evidence / "gone.json").unlink()
    (folder / "CHANGELOG.md").write_text("changed", "utf-8")
    done = history.restore(1)
    assert {path.name: path.read_text("utf-8") for path in evidence.iterdir()} == {
        "a.json": "old answers and new ones",
        "b.json": "new evidence",
        "gone.json": "was lost",
    }
    assert done.written == (".companion/evidence/sound/gone.json", "CHANGELOG.md")


def test_what_no_snapshot_holds_is_never_removed(folder: Path, history: History) -> None:
    history.take("good")
    for path in ("releases/v1.zip", ".git/HEAD", "extra/.git/HEAD", ".companion/bounces/b.wav"):
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text("mine", "utf-8")
    (folder / "extra" / "x").write_text("x", "utf-8")
    done = history.restore(1)
    assert done.removed == ("extra/x",)
    for path in ("releases/v1.zip", ".git/HEAD", "extra/.git/HEAD", ".companion/bounces/b.wav"):
        assert (folder / path).read_text("utf-8") == "mine"


def test_what_could_not_be_read_then_is_not_taken_away_now(folder: Path, history: History) -> None:
    locked, real = folder / "Samples/struck/slate_1.wav", os.open
    with pytest.MonkeyPatch.context() as patch:

        def refusing(path: Any, *rest: Any, **more: Any) -> int:
            if Path(path) == locked:
                raise PermissionError(13, "Permission denied")
            return real(path, *rest, **more)

        patch.setattr(os, "open", refusing)
        assert [path for path, _ in history.take("while the host had it").left_out] == ["Samples/struck/slate_1.wav"]
    content = locked.read_bytes()
    (folder / "Samples/struck/added.wav").write_bytes(b"added since")
    done = history.restore(1)
    assert done.removed == ("Samples/struck/added.wav",)
    assert locked.read_bytes() == content


def test_files_folders_and_links_change_places(folder: Path, history: History, state: Any) -> None:
    history.take("good")
    good = state(folder)
    shutil.rmtree(folder / "Samples")
    (folder / "Samples").write_text("now a file", "utf-8")
    (folder / "CHANGELOG.md").unlink()
    (folder / "CHANGELOG.md" / "deep").mkdir(parents=True)
    (folder / "CHANGELOG.md" / "deep" / "x").write_text("x", "utf-8")
    (folder / "Takes").rmdir()
    (folder / "Takes").symlink_to("/")
    assert history.restore(1).failed == ()
    assert state(folder) == good
    assert history.restore(2).failed == ()
    assert (folder / "Samples").read_text("utf-8") == "now a file"


def test_a_folder_that_is_now_a_link_to_itself_costs_what_lay_in_it(folder: Path, history: History) -> None:
    history.take("first")
    shutil.rmtree(folder / "Samples")
    (folder / "Samples").symlink_to("Samples")
    (folder / "CHANGELOG.md").write_text("later", "utf-8")
    done = history.restore(1, only=["Samples/struck/slate_0.wav", "CHANGELOG.md"])
    assert [path for path, _ in done.failed] == ["Samples/struck/slate_0.wav"]
    assert done.written == ("CHANGELOG.md",)
    assert (folder / "Samples").is_symlink()


def test_a_file_changed_under_the_restore_is_left_alone(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("good")
    _mutate(folder)
    target = folder / "Samples/struck/slate_0.wav"
    real = restore._write_journal

    def saving_meanwhile(*arguments: Any) -> None:
        target.write_bytes(b"saved by the host just now")
        real(*arguments)

    monkeypatch.setattr(restore, "_write_journal", saving_meanwhile)
    done = history.restore(1)
    assert done.failed == (("Samples/struck/slate_0.wav", "it changed while the restore ran"),)
    assert target.read_bytes() == b"saved by the host just now"
    assert (folder / "Samples/struck/slate_1.wav").exists(), "the others are restored"


def test_a_file_open_elsewhere_is_told_and_the_rest_is_restored(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("good")
    _mutate(folder)
    real = below.swap

    def busy(source: below.Located, target: below.Located, spare: below.Located) -> below.Located:
        if target.name.endswith("slate_0.wav"):
            raise PermissionError(13, "Permission denied")
        return real(source, target, spare)

    monkeypatch.setattr(below, "swap", busy)
    done = history.restore(1)
    assert [path for path, _ in done.failed] == ["Samples/struck/slate_0.wav"]
    assert "open in another program" in done.failed[0][1]
    assert (folder / "Samples/struck/slate_0.wav").read_bytes() == b"re-recorded"
    assert (folder / "Samples/struck/slate_1.wav").exists()


def test_a_folder_that_may_not_be_opened_costs_what_lies_in_it(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "closed").mkdir()
    (folder / "closed/x").write_text("x", "utf-8")
    history.take("first")
    (folder / "Samples/struck/slate_0.wav").write_bytes(b"re-recorded")
    real = {name: getattr(os, name) for name in ("scandir", "lstat", "open")}

    def closed(name: str) -> Any:
        def call(path: Any, *rest: Any, **more: Any) -> Any:
            inside = str(path).startswith(str(folder / "closed") + "/")
            if inside or (name != "lstat" and str(path).rstrip("/") == str(folder / "closed")):
                raise PermissionError(13, "Permission denied")
            return real[name](path, *rest, **more)

        return call

    with monkeypatch.context() as patch:
        for name in real:
            patch.setattr(os, name, closed(name))
        done = history.restore(1)
    assert done.written == ("Samples/struck/slate_0.wav",)
    assert [path for path, _ in done.failed] == ["closed/x"]


def test_one_damaged_object_costs_one_file_and_is_named(folder: Path, history: History, state: Any) -> None:
    history.take("good")
    good = state(folder)
    store = history._store
    kept = history.files(1)["Samples/struck/slate_2.wav"]
    place = store.packs.places[bytes.fromhex(kept.blob)]
    pack = place.pack.path
    with pack.open("r+b") as stream:
        stream.seek((place.start + place.end) // 2)
        byte = stream.read(1)
        stream.seek(-1, os.SEEK_CUR)
        stream.write(bytes([byte[0] ^ 0x55]))
    for path in folder.glob("Samples/struck/*.wav"):
        path.write_bytes(b"now " + path.name.encode())
    done = history.restore(1)
    assert [path for path, _ in done.failed] == ["Samples/struck/slate_2.wav"]
    assert "damaged" in done.failed[0][1]
    now = state(folder)
    assert now.pop("Samples/struck/slate_2.wav")[1] == b"now slate_2.wav", "it stays what it was"
    good.pop("Samples/struck/slate_2.wav")
    assert now == good
    found = history.verify()
    assert [(one.path, one.snapshots) for one in found.damaged] == [("Samples/struck/slate_2.wav", (1,))]


def test_cancelling_half_way_puts_everything_back(folder: Path, history: History, state: Any) -> None:
    for number in range(40):
        (folder / f"Samples/{number}.wav").write_bytes(os.urandom(2000))
    history.take("good")
    for number in range(40):
        (folder / f"Samples/{number}.wav").write_bytes(os.urandom(2000))
    _mutate(folder)
    before = state(folder)
    watch: Watch

    def stop_soon(progress: Progress) -> None:
        if progress.what == "Restoring" and progress.done > 20_000:
            watch.cancel()

    watch = Watch(stop_soon, every=0)
    with pytest.raises(Cancelled):
        history.restore(1, watch=watch)
    assert state(folder) == before
    assert history.recover() is None
    assert sorted(path.name for path in (folder / ".companion").iterdir() if "restore" in path.name) == []


def test_a_full_disk_half_way_puts_everything_back(
    folder: Path, history: History, state: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("good")
    _mutate(folder)
    before = state(folder)
    real, calls = pack_writer.write_all, [0]

    def filling(handle: int, data: Any) -> None:
        calls[0] += 1
        if calls[0] == 2:
            raise OSError(28, "No space left on device")
        real(handle, data)

    monkeypatch.setattr(restore_files, "write_all", filling)
    with pytest.raises(CompanionError, match=r"No space left.*put back"):
        history.restore(1)
    assert state(folder) == before
    assert history.recover() is None


def test_too_small_a_disk_is_refused_before_anything_is_touched(
    folder: Path, history: History, state: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("good")
    _mutate(folder)
    before = state(folder)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: shutil._ntuple_diskusage(100, 90, 10))
    with pytest.raises(CompanionError, match="nothing was changed"):
        history.restore(1)
    assert state(folder) == before


def test_a_killed_restore_is_finished_at_the_next_start(folder: Path, history: History, state: Any) -> None:
    history.take("good")
    good = state(folder)
    _mutate(folder)
    bad = state(folder)

    class Killed(BaseException):
        pass

    real, calls = restore_files.Placer._put, [0]

    def dying(*arguments: Any) -> None:
        calls[0] += 1
        if calls[0] == 2:
            raise Killed
        real(*arguments)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(restore_files.Placer, "_put", dying)
        with pytest.raises(Killed):
            history.restore(1)
    assert state(folder) not in (good, bad), "the kill came half way"
    done = history.recover()
    assert done is not None
    assert done.number == 1
    assert state(folder) == good
    assert history.recover() is None
    history.restore(2)
    assert state(folder) == bad


@pytest.mark.parametrize(
    "text",
    [
        '{"number": Infinity, "commit": "0", "only": []}',
        '{"number": NaN, "commit": "0", "only": []}',
        "[]",
        "{",
        "[" * 9999,
    ],
)
def test_a_journal_that_cannot_be_read_stands_in_nobodys_way(
    folder: Path, history: History, state: Any, text: str
) -> None:
    history.take("first")
    journal = folder / ".companion/restore.json"
    journal.write_text(text, "utf-8")
    before = state(folder)
    assert history.recover() is None
    assert state(folder) == before
    assert not journal.exists()


@pytest.mark.parametrize("only", [["../x", "/etc"], ["nothing"], ["Samples/../../x"]])
def test_a_journal_that_names_what_no_snapshot_holds_stands_in_nobodys_way(
    folder: Path, history: History, state: Any, only: list[str]
) -> None:
    taken = history.take("first")
    journal = folder / ".companion/restore.json"
    journal.write_text(json.dumps({"schema": 1, "number": 1, "commit": taken.id, "only": only}), "utf-8")
    before = state(folder)
    done = history.recover()
    assert done is not None
    assert (done.written, done.removed) == ((), ())
    assert state(folder) == before
    assert not journal.exists()


EVIL = ("../evil", "a/../../evil", ".git/hooks/post-checkout", "x/.GIT/config", "a//b", "/evil", "./evil", "x/..")


@pytest.mark.parametrize("path", EVIL)
def test_a_history_from_elsewhere_cannot_write_outside(
    folder: Path, history: History, state: Any, tmp_path: Path, path: str
) -> None:
    """The content is there and whole: it is the name alone that must not be written."""
    history.take("first")
    kept, aside = history.files(1)["CHANGELOG.md"], tmp_path / "aside"
    aside.mkdir()
    before = state(tmp_path)

    def carried_out(todo: Any) -> Any:
        with Hold(aside) as place:
            guard = restore_files.Guard()
            return restore_files.Placer(history._store.packs, folder, place, guard, Watch()).carry_out(todo)

    assert not carried_out(plan({"fine.md": kept}, {})).failed, "its innocent neighbour"
    (folder / "fine.md").unlink()
    done = carried_out(plan({path: kept}, {}))
    assert (done.written, [one for one, _ in done.failed]) == ([], [path])
    assert "leads out of the folder" in done.failed[0][1]
    assert state(tmp_path) == before
    done = carried_out(plan({}, {path: kept}))
    assert (done.removed, [one for one, _ in done.failed]) == ([], [path])
    done = carried_out(plan({}, {}, (path,)))
    assert [one for one, _ in done.failed] == [path]
    assert state(tmp_path) == before


@pytest.mark.parametrize("into", [False, True])
def test_a_snapshot_from_elsewhere_that_leads_outside_is_restored_without_that(
    folder: Path, history: History, tmp_path: Path, into: bool
) -> None:
    """A whole snapshot of it, as a stranger's tool can write one: ``..`` as the name of a folder in a tree."""
    history.take("first")
    kept = history.files(1)["CHANGELOG.md"]
    blob = bytes.fromhex(kept.blob)
    inner = tree_data([TreeEntry(b"evil", FILE, blob)])
    root = tree_data([TreeEntry(b"..", FOLDER, object_id(TREE, inner)), TreeEntry(b"fine.md", FILE, blob)])
    forged = Snapshot(2, "", object_id(TREE, root).hex(), "forged", "2026-01-01T00:00:00Z", files=2, bytes=2)
    commit = commit_data(object_id(TREE, root), 0, commits.message(forged))
    writer = pack_writer.PackWriter(history._store.pack_folder)
    for kind, data in ((TREE, inner), (TREE, root), (COMMIT, commit)):
        writer.add(kind, data, object_id(kind, data))
    writer.finish()
    place = folder / ".companion/history.git"
    refs.write(place, refs.Refs({**refs.read(place).snapshots, 2: object_id(COMMIT, commit).hex()}))
    target = tmp_path / "deep" / "target" if into else folder
    with History(folder) as fresh:
        done = fresh.restore(2, into=target if into else None)
    assert [path for path, _ in done.failed] == ["../evil"]
    assert (target / "fine.md").is_file()
    assert not (target.parent / "evil").exists()


@pytest.mark.parametrize("what", ["Samples/struck", "Samples"])
def test_a_folder_swapped_for_a_link_during_a_restore_is_not_followed(
    folder: Path, history: History, state: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """The very files that were kept, moved outside and a link left in their place: nothing there may be touched."""
    history.take("first")
    (folder / "Samples/struck/slate_0.wav").write_bytes(b"re-recorded")
    (folder / "Samples/struck/slate_1.wav").chmod(0o755)
    (folder / "Samples/struck/added.wav").write_bytes(b"added since")
    (folder / "Samples/struck/empty").mkdir()
    real, outside = restore._write_journal, tmp_path / "outside"

    def swapping(*arguments: Any) -> None:
        (folder / what).rename(outside)
        (folder / what).symlink_to(outside)
        real(*arguments)

    monkeypatch.setattr(restore, "_write_journal", swapping)
    before = state(folder)
    done = history.restore(1)
    after = {f"{what}/{path}": one for path, one in state(outside).items()}
    assert after == {path: one for path, one in before.items() if path.startswith(what + "/")}
    assert (done.written, done.removed) == ((), ())
    touched = {f"Samples/struck/{name}.wav" for name in ("slate_0", "slate_1", "added")}
    assert {path for path, _ in done.failed} == touched


def _watched(patch: pytest.MonkeyPatch) -> list[tuple[str, int, str]]:
    """Note writes, syncs and renames in their order: what was done, to which inode, under which (new) name."""
    calls: list[tuple[str, int, str]] = []
    real = {name: getattr(os, name) for name in ("write", "fsync", "replace")}

    def write(handle: int, data: Any) -> int:
        calls.append(("write", os.fstat(handle).st_ino, ""))
        return int(real["write"](handle, data))

    def sync(handle: int) -> None:
        calls.append(("sync", os.fstat(handle).st_ino, ""))

    def replace(source: Any, target: Any, *, src_dir_fd: int | None = None, dst_dir_fd: int | None = None) -> None:
        inode = os.stat(source, dir_fd=src_dir_fd, follow_symlinks=False).st_ino
        calls.append(("rename", inode, os.fspath(target)))
        real["replace"](source, target, src_dir_fd=src_dir_fd, dst_dir_fd=dst_dir_fd)

    def swap(source: below.Located, target: below.Located, spare: below.Located) -> below.Located:
        calls.append(("rename", below.look(source).st_ino, target.name))
        return swapped(source, target, spare)

    swapped = below.swap
    patch.setattr(below, "swap", swap)
    patch.setattr(os, "write", write)
    patch.setattr(os, "fsync", sync)
    patch.setattr(os, "replace", replace)
    return calls


def _renamed(calls: list[tuple[str, int, str]], ending: str) -> list[int]:
    """Where in ``calls`` the renames to such a name stand; each file was synced after it was written last."""
    found = [at for at, (what, _, name) in enumerate(calls) if what == "rename" and name.endswith(ending)]
    for at in found:
        own = [what for what, inode, _ in calls[:at] if inode == calls[at][1]]
        assert own[-1] == "sync", f"{calls[at][2]} was renamed before all of it was on disk"
    return found


def test_a_pack_is_on_disk_before_it_has_its_name_and_its_name_before_the_snapshot(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    (folder / "CHANGELOG.md").write_text("more", "utf-8")
    calls = _watched(monkeypatch)
    history.take("second")
    packs, indexes = _renamed(calls, ".pack"), _renamed(calls, ".idx")
    snapshot = _renamed(calls, "packed-refs")
    assert len(packs) == len(indexes) == len(snapshot) == 1
    assert packs < indexes < snapshot
    pack_folder = (folder / ".companion/history.git/objects/pack").stat().st_ino
    assert ("sync", pack_folder, "") in calls[indexes[0] : snapshot[0]]
    assert ("sync", (folder / ".companion/history.git").stat().st_ino, "") in calls[snapshot[0] :]


def test_a_pack_written_anew_has_its_name_on_disk_before_the_old_one_goes(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    for name in ("only second", "shared"):
        (folder / name).write_bytes(os.urandom(20_000))
    history.take("second")
    (folder / "only second").unlink()
    history.take("third")
    pack_folder = folder / ".companion/history.git/objects/pack"
    calls, real = _watched(monkeypatch), Hold.remove

    def remove(place: Hold, name: str) -> None:
        if place.path == pack_folder and name.startswith("pack-"):
            calls.append(("removed", (pack_folder / name).lstat().st_ino, name))
        real(place, name)

    monkeypatch.setattr(Hold, "remove", remove)
    assert history.forget([2]).bytes_won > 15_000
    gone = [at for at, (what, _, _) in enumerate(calls) if what == "removed"]
    written = _renamed(calls, ".idx")
    assert len(written) == 1
    assert len(gone) == 2
    assert ("sync", pack_folder.stat().st_ino, "") in calls[written[0] : gone[0]]
    assert _renamed(calls, "packed-refs")[0] < gone[0]


def test_a_mirrored_pack_is_on_disk_before_it_has_its_name_and_its_name_before_the_snapshots(
    folder: Path, history: History, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    calls = _watched(monkeypatch)
    history.mirror(tmp_path / "copy.git")
    packs, indexes, names = (_renamed(calls, ending) for ending in (".pack", ".idx", "packed-refs"))
    assert len(packs) == len(indexes) == 1
    assert names[0] < packs[0] < indexes[0] < names[1], "an empty list before there is anything, then all of it"
    pack_folder = (tmp_path / "copy.git/objects/pack").stat().st_ino
    assert ("sync", pack_folder, "") in calls[indexes[0] : names[1]]


def test_nothing_is_swept_away_while_it_is_not_known_what_is_needed(folder: Path, history: History) -> None:
    """Below a folder that cannot be read may lie what a snapshot that stays still needs."""
    (folder / "Samples/only second.wav").write_bytes(os.urandom(9000))
    history.take("first")
    (folder / "Samples/only second.wav").unlink()
    (folder / "Takes/more.wav").write_bytes(os.urandom(9000))
    history.take("second")
    store = history._store
    inner = next(
        entry.id
        for entry in tree_entries(store.packs.read(bytes.fromhex(history.snapshot(2).tree)))
        if entry.name == b"Samples"
    )
    place = store.packs.places[inner]
    with place.pack.path.open("r+b") as stream:
        stream.seek((place.start + place.end) // 2)
        byte = stream.read(1)
        stream.seek(-1, os.SEEK_CUR)
        stream.write(bytes([byte[0] ^ 0x55]))
    pack_folder = folder / ".companion/history.git/objects/pack"
    before = {path.name: path.stat().st_size for path in pack_folder.iterdir()}
    done = history.forget([1])
    assert done.remark == "the history is damaged, so nothing was removed from disk; verify it"
    assert {path.name: path.stat().st_size for path in pack_folder.iterdir()} == before
    assert [one.number for one in history.snapshots()] == [2]


def test_what_is_restored_is_on_disk_before_it_has_its_name_and_its_name_before_the_restore_ends(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    history.take("first")
    for name in ("Samples/struck/slate_0.wav", "CHANGELOG.md"):
        (folder / name).write_bytes(b"worse")
    (folder / "Takes/added.wav").write_bytes(b"added since")
    journal, real = folder / ".companion/restore.json", restore._end_journal
    ended: list[int] = []

    def ending(*given: Any) -> None:
        ended.append(len(calls))
        real(*given)

    monkeypatch.setattr(restore, "_end_journal", ending)
    calls = _watched(monkeypatch)
    assert not history.restore(1).failed
    placed = _renamed(calls, "slate_0.wav") + _renamed(calls, "CHANGELOG.md")
    assert len(placed) == 2
    assert not journal.exists()
    assert _renamed(calls, "restore.json")[0] < min(placed)
    for touched in ("Samples/struck", "", "Takes"):
        assert ("sync", (folder / touched).stat().st_ino, "") in calls[max(placed) : ended[-1]], touched


def test_evidence_and_unchanged_files_are_not_in_a_plan() -> None:
    one, two = KeptFile("1" * 40, 3, FILE), KeptFile("2" * 40, 3, FILE)
    found = plan(
        {"a": one, "b": one, "x": one._replace(mode=PROGRAM), ".companion/evidence/e": one, "l": one},
        {
            "a": one,
            "b": two,
            "x": one,
            ".companion/evidence/e": two,
            ".companion/evidence/f": two,
            "c/d": one,
            "l": one._replace(mode=LINK),
        },
        ("c/empty",),
        ("c/old",),
    )
    assert found.write == {"b": one, "l": one}
    assert found.mark == {"x": one._replace(mode=PROGRAM)}
    assert found.remove == {"c/d": one}
    assert (found.make, found.drop, found.unchanged) == (("c/empty",), ("c/old",), 2)


names = st.text(alphabet="abAB01 .-é♯[$~'", min_size=1, max_size=6).filter(
    lambda name: name.strip(".") != "" and name.lower() != "releases"
)
leaves = st.one_of(
    st.tuples(st.just("file"), st.binary(max_size=200), st.booleans()),
    st.tuples(st.just("link"), st.text(alphabet="ab/.", min_size=1, max_size=8)),
    st.just(("folder",)),
)
trees = st.dictionaries(st.lists(names, min_size=1, max_size=3).map("/".join), leaves, max_size=12)


def _build(root: Path, tree: dict[str, tuple[Any, ...]]) -> None:
    for path in sorted(tree):
        what, place = tree[path], root / path
        if any(
            parent.is_symlink() or parent.is_file() for parent in place.relative_to(root).parents if parent.name
        ) or any((root / parent).is_symlink() or (root / parent).is_file() for parent in Path(path).parents):
            continue
        if place.is_symlink() or place.exists():
            continue
        place.parent.mkdir(parents=True, exist_ok=True)
        if what[0] == "file":
            place.write_bytes(what[1])
            place.chmod(0o755 if what[2] else 0o644)
        elif what[0] == "link":
            place.symlink_to(what[1])
        else:
            place.mkdir()


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=trees, second=trees)
def test_any_folder_comes_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, state: Any, first: dict[str, Any], second: dict[str, Any]
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _handle: None)  # nobody pulls the plug here, and it takes most of the time
        _there_and_back(tmp_path_factory, state, first, second)


def _there_and_back(
    tmp_path_factory: pytest.TempPathFactory, state: Any, first: dict[str, Any], second: dict[str, Any]
) -> None:
    folder = tmp_path_factory.mktemp("any") / "w"
    folder.mkdir()
    _build(folder, first)
    one = state(folder)
    with History(folder) as history:
        taken = history.take("first")
        for path in folder.iterdir():
            if path.name != ".companion":
                shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
        _build(folder, second)
        two = state(folder)
        done = history.restore(taken.number)
        assert done.failed == ()
        assert done.safety is not None
        assert state(folder) == one
        assert history.restore(done.safety.number).failed == ()
        assert state(folder) == two
    shutil.rmtree(folder.parent)


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere each file is synced by itself")
def test_many_files_are_begun_one_by_one_and_made_durable_by_one_sync_after_the_last(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = [folder / "Takes" / f"take {number:03d}.wav" for number in range(durable.FEW + 1)]
    for path in many:
        path.write_bytes(path.name.encode())
    history.take("all")
    for path in many:
        path.unlink()
    begun: list[bytes] = []
    there_when_synced: list[int] = []
    begin, sync = durable.begin, durable.sync_disk

    def beginning(handle: int) -> None:
        begin(handle)
        begun.append(Path(f"/proc/self/fd/{handle}").read_bytes())

    def syncing(root: Path) -> None:
        there_when_synced.append(sum(path.exists() for path in many))
        sync(root)

    monkeypatch.setattr(durable, "begin", beginning)
    monkeypatch.setattr(durable, "sync_disk", syncing)
    assert not history.restore(1).failed
    assert sorted(begun) == sorted(path.name.encode() for path in many), "what is begun is whole"
    assert there_when_synced == [len(many)]


@pytest.mark.skipif(sys.platform != "linux", reason="sync_file_range is Linux's own")
def test_beginning_to_write_asks_for_the_whole_file_and_passes_over_what_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    start = durable._starter()
    assert start is not None
    answers: list[int] = []

    def starting(*given: int) -> int:
        asked.append(given)
        answers.append(start(*given))
        return answers[-1]

    asked: list[tuple[int, ...]] = []
    monkeypatch.setattr(durable, "_starter", lambda: starting)
    with (tmp_path / "some.wav").open("wb") as stream:
        stream.write(b"frames")
        stream.flush()
        durable.begin(stream.fileno())
        assert asked == [(stream.fileno(), 0, 0, 2)], "from the first byte to the last"
    reading, writing = os.pipe()
    durable.begin(writing)  # a pipe has nothing to write out
    os.close(reading)
    os.close(writing)
    durable.begin(writing)  # closed
    assert answers == [0, -1, -1]


@pytest.mark.parametrize("when", ["_write_journal", "_carry_out"])
def test_a_folder_gone_with_its_disk_is_not_begun_anew(
    folder: Path, history: History, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    history.take("first")
    (folder / "Samples/struck/slate_0.wav").write_bytes(b"worse")
    act = getattr(restore, when)

    def gone_first(*given: Any) -> Any:
        if folder.exists():
            folder.rename(folder.with_name("gone"))
        return act(*given)

    monkeypatch.setattr(restore, when, gone_first)
    with contextlib.suppress(CompanionError):
        history.restore(1)
    assert not folder.exists()
    assert (folder.with_name("gone") / "Samples/struck/slate_0.wav").read_bytes() == b"worse"


def test_a_copy_that_was_begun_leaves_nothing_behind_the_next(tmp_path: Path) -> None:
    path = tmp_path / "aside"
    with path.open("wb", buffering=0) as stream:
        stream.write(b"what a damaged copy gave")
        restore_files._fill(stream.fileno(), iter([b"who", b"le"]))
    assert path.read_bytes() == b"whole"
