"""Originals hidden and brought back: nothing lost and nothing half moved, whatever ends it."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core import below, files
from companion.core.errors import Cancelled, CompanionError
from companion.core.folder import Places
from companion.core.hold import Hold
from companion.core.progress import Watch
from companion.steps.deeds import hidden, hiding, open_files
from companion.workshop import Workshop, now

POSIX = pytest.mark.skipif(os.name == "nt", reason="permissions and kills of this kind are POSIX")
LINUX = pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells what is open")
NAMES = ("Samples", "Slate.eeng")


def stand(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Every original by its path: which file it is, and what is in it."""
    files = (path for path in folder.rglob("*") if path.is_file() and ".companion" not in path.parts)
    return {path.relative_to(folder).as_posix(): (path.stat().st_ino, path.read_bytes()) for path in files}


@pytest.fixture
def places(instrument: Path) -> Places:
    return Places(instrument)


def test_hidden_and_back_the_way_a_maker_does(instrument: Path, companion: Any, tmp_path: Path) -> None:
    before = stand(instrument)
    copy = tmp_path / "elsewhere"
    done = companion("away", "hide", instrument, "--to", copy, "--json")
    assert done.code == 0, done
    assert done.json["names"] == list(NAMES)
    assert done.json["patches"] == [str(copy / "Slate Choir" / "Slate.eeng")]
    assert done.json["archive"] == "", "none is proven yet"
    assert sorted(path.name for path in instrument.iterdir()) == [".companion", "Licence.txt", "release.toml"]
    for path, (_, content) in before.items():
        if path != "release.toml":
            assert (copy / "Slate Choir" / path).read_bytes() == content
    back = companion("away", "back", instrument)
    assert (back.code, back.err) == (0, "")
    assert "Back in place: “Samples” and “Slate.eeng”." in back.out
    assert stand(instrument) == before
    assert not [path.name for path in (instrument / ".companion").iterdir() if "idden" in path.name]
    again = companion("away", "back", instrument)
    assert (again.code, again.out) == (0, "No original is hidden.\n")


def test_any_later_start_brings_them_back_and_says_so(instrument: Path, companion: Any, tmp_path: Path) -> None:
    before = stand(instrument)
    assert companion("away", "hide", instrument, "--to", tmp_path / "copy").code == 0
    status = companion("status", instrument)
    assert "they are back in their places" in status.err
    assert stand(instrument) == before
    assert companion("status", instrument).err == ""


def test_a_proven_archive_is_what_the_copy_comes_from(
    instrument: Path, companion: Any, releasable: Path, tmp_path: Path
) -> None:
    assert releasable == instrument
    before = stand(instrument)
    done = companion("away", "hide", instrument, "--to", tmp_path / "copy", "--json")
    assert done.json["archive"] == "Slate Choir 1.0.zip"
    companion("away", "back", instrument)
    assert stand(instrument) == before


def test_an_app_that_is_open_meanwhile_looks_at_nothing_and_keeps_nothing(
    instrument: Path, companion: Any, tmp_path: Path
) -> None:
    shop = Workshop.open(instrument)
    assert companion("away", "hide", instrument, "--to", tmp_path / "copy").code == 0
    for look in (shop.status, shop.check, shop.pack, lambda: shop.history, lambda: shop.hide(now())):
        with pytest.raises(CompanionError, match="The originals are hidden for an away test"):
            look()
    assert shop.bring_back() is not None
    assert shop.status().step("contents").state.value == "open"


@pytest.mark.parametrize("where", ["inside", "above", "full"])
def test_a_place_that_would_not_do_is_refused_and_nothing_is_moved(
    instrument: Path, companion: Any, one_line: Any, tmp_path: Path, where: str
) -> None:
    before = stand(instrument)
    full = tmp_path / "full"
    full.mkdir()
    (full / "song.txt").write_text("mine", encoding="utf-8")
    place = {"inside": instrument / "copy", "above": instrument.parent, "full": full}[where]
    says = "not empty" if where == "full" else "The copy has to lie elsewhere"
    one_line(companion("away", "hide", instrument, "--to", place), str(place), says)
    assert stand(instrument) == before
    assert (full / "song.txt").read_text("utf-8") == "mine"
    assert not (instrument / ".companion" / "hidden.json").exists()


@POSIX
@pytest.mark.parametrize("deep", [False, True])
def test_a_link_is_refused_since_what_it_leads_to_stays(
    instrument: Path, companion: Any, one_line: Any, tmp_path: Path, deep: bool
) -> None:
    (tmp_path / "big disk").mkdir()
    link = instrument / "Samples" / "More" if deep else instrument / "More"
    link.symlink_to(tmp_path / "big disk")
    before = stand(instrument)
    one_line(companion("away", "hide", instrument), "This is a link", str(link))
    assert stand(instrument) == before


@LINUX
def test_a_program_that_holds_a_sample_is_named_and_nothing_is_moved(
    instrument: Path, companion: Any, one_line: Any, tmp_path: Path
) -> None:
    before = stand(instrument)
    sample = next((instrument / "Samples").iterdir())
    holding = "import sys; held = open(sys.argv[1], 'rb'); print('held', flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", holding, str(sample)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as engine:
        assert engine.stdout is not None
        engine.stdout.readline()
        one_line(companion("away", "hide", instrument), f"process {engine.pid}", str(sample), "Close the engine")
        assert stand(instrument) == before
        engine.communicate()
    assert companion("away", "hide", instrument, "--to", tmp_path / "copy").code == 0


def test_what_lies_on_another_disk_is_refused_before_anything_is_moved(
    places: Places, monkeypatch: pytest.MonkeyPatch
) -> None:
    lstat = Path.lstat

    def elsewhere(self: Path) -> os.stat_result:
        status = lstat(self)
        fields = list(status[:10])
        fields[2] += self.name == "Samples"
        return os.stat_result(fields)

    before = stand(places.folder)
    monkeypatch.setattr(Path, "lstat", elsewhere)
    with pytest.raises(CompanionError, match=r"another disk.*Samples"):
        hidden.hide(places, NAMES[::-1], Path("copy"), now())
    assert stand(places.folder) == before


def test_one_that_cannot_be_moved_brings_the_others_back(places: Places, monkeypatch: pytest.MonkeyPatch) -> None:
    """As Windows answers for a folder in which a file is open."""
    before = stand(places.folder)
    move = below.move_new

    def refusing(source: below.Located, target: below.Located) -> None:
        if Path(source.name).name == "Slate.eeng" and below.look(source).st_ino == patch:
            raise PermissionError(13, "The process cannot access the file: it is used by another process")
        move(source, target)

    patch = (places.folder / "Slate.eeng").stat().st_ino
    monkeypatch.setattr(below, "move_new", refusing)
    places.ours.mkdir(exist_ok=True)
    with pytest.raises(CompanionError, match=r"could not be moved, so nothing is hidden: .* used by another process"):
        hidden.hide(places, NAMES, Path("copy"), now())
    assert stand(places.folder) == before
    assert not hidden.is_hidden(places)


def test_one_that_cannot_be_brought_back_yet_stays_hidden_and_comes_back_later(
    places: Places, companion: Any, one_line: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = stand(places.folder)
    places.ours.mkdir(exist_ok=True)
    hidden.hide(places, NAMES, Path("copy"), now())
    with monkeypatch.context() as patched:
        move = below.move_new

        def refusing(source: below.Located, target: below.Located) -> None:
            if Path(source.name).name == "Samples":
                raise PermissionError(13, "used by another process")
            move(source, target)

        patched.setattr(below, "move_new", refusing)
        one_line(companion("status", places.folder), "could not be brought back yet", "used by another process")
    assert companion("away", "back", places.folder).code == 0
    assert stand(places.folder) == before


def test_what_lies_in_the_place_of_an_original_is_never_touched(
    instrument: Path, companion: Any, one_line: Any, tmp_path: Path
) -> None:
    before = stand(instrument)
    assert companion("away", "hide", instrument, "--to", tmp_path / "copy").code == 0
    (instrument / "Slate.eeng").write_bytes(b"saved meanwhile")
    (instrument / "Samples").mkdir()
    (instrument / "Samples" / ".DS_Store").write_bytes(b"a system")
    back = companion("away", "back", instrument)
    assert back.code == 1
    assert "“Slate.eeng” stays in .companion/hidden" in back.out
    assert (instrument / "Slate.eeng").read_bytes() == b"saved meanwhile"
    told = [instrument / ".companion" / name for name in ("hidden.json", hidden._NOTE)]
    assert all(path.is_file() for path in told), "as long as one is hidden, the journal and the note stand"
    one_line(companion("status", instrument), "something else lies in its place", "Both are kept")
    (instrument / "Slate.eeng").rename(tmp_path / "Slate saved meanwhile.eeng")
    assert companion("away", "back", instrument).code == 0
    assert not any(path.exists() for path in told)
    (instrument / "Samples" / ".DS_Store").unlink()
    assert stand(instrument) == before


def test_of_two_files_that_a_system_makes_the_one_that_was_hidden_goes(places: Places) -> None:
    marks, notes = places.folder / "Samples" / ".DS_Store", places.folder / "Samples" / "notes.txt"
    marks.write_bytes(b"old")
    notes.write_bytes(b"old")
    places.ours.mkdir(exist_ok=True)
    hidden.hide(places, NAMES, Path("copy"), now())
    marks.parent.mkdir()
    marks.write_bytes(b"new")
    notes.write_bytes(b"new")
    back = hidden.bring_back(places)
    assert back.kept == (str(Path("Samples") / "notes.txt"),), "what is no system's own is kept, both of it"
    assert marks.read_bytes() == notes.read_bytes() == b"new"
    assert (places.hidden / "Samples" / "notes.txt").read_bytes() == b"old"
    assert not (places.hidden / "Samples" / ".DS_Store").exists()


def test_nothing_is_moved_onto_what_is_hidden_already(places: Places) -> None:
    places.hidden.mkdir(parents=True)
    (places.hidden / "Slate.eeng").write_bytes(b"hidden before")
    told = pytest.raises(CompanionError, match="something of that name is hidden already")
    with Hold(places.folder) as home, Hold(places.hidden, places.folder) as away, told:
        hidden._move_away(home, away, "Slate.eeng")
    assert (places.hidden / "Slate.eeng").read_bytes() == b"hidden before"
    assert (places.folder / "Slate.eeng").is_file()


@pytest.mark.parametrize("named", [False, True], ids=["a place of ours", "a place of the maker's"])
@pytest.mark.parametrize("what", ["stopped", "opened by a program", "changed"])
def test_what_comes_up_while_the_copy_is_made_leaves_every_original_in_place(
    instrument: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str, named: bool
) -> None:
    before, shop, watch = stand(instrument), Workshop.open(instrument), Watch()
    ours, theirs = tmp_path / "temporary", tmp_path / "copy"
    ours.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(ours))
    copy, refuse, sample = hiding._copy, open_files.refuse_open, instrument / "Samples" / "slate_C4.wav"
    old = sample.read_bytes()

    def copying(*given: Any) -> Any:
        made = copy(*given)
        if what == "stopped":
            watch.cancel()
        elif what == "changed":
            sample.write_bytes(b"recorded meanwhile")
        else:
            monkeypatch.setattr(open_files, "refuse_open", refusing)
        return made

    def refusing(*_given: Any) -> None:
        raise CompanionError("It is open", "Slate.eeng", "close it")

    monkeypatch.setattr(hiding, "_copy", copying)
    says = {"stopped": Cancelled, "opened by a program": CompanionError, "changed": CompanionError}[what]
    with pytest.raises(says):
        shop.hide(now(), theirs if named else None, watch)
    assert open_files.refuse_open is (refusing if what == "opened by a program" else refuse)
    if what == "changed":
        assert sample.read_bytes() == b"recorded meanwhile"
        sample.write_bytes(old)
    assert stand(instrument) == before
    assert not hidden.is_hidden(shop.places)
    assert list(ours.iterdir()) == [], "a copy of ours that nobody can use is taken away"
    assert theirs.exists() is named


@POSIX
def test_nothing_is_brought_through_a_link_of_a_stranger(
    places: Places, companion: Any, one_line: Any, tmp_path: Path
) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "theirs.txt").write_text("x", encoding="utf-8")
    places.ours.mkdir(exist_ok=True)
    places.hidden.symlink_to(outside)
    places.hiding.write_text('{"schema": 1, "names": ["../../evil", "theirs.txt"], "copy": ""}', encoding="utf-8")
    companion("status", places.folder)
    with pytest.raises(CompanionError, match="a link"):
        hidden.bring_back(places)
    assert sorted(path.name for path in outside.iterdir()) == ["theirs.txt"]
    assert not (places.folder / "theirs.txt").exists()
    places.hidden.unlink()
    places.hidden.mkdir()
    (places.hidden / ".companion" / "evidence").mkdir(parents=True)
    (places.hidden / ".companion" / "evidence" / "theirs.json").write_text("{}", encoding="utf-8")
    (places.hidden / "release.toml").write_text("[instrument]\n", encoding="utf-8")
    facts = places.facts.read_bytes()
    assert companion("away", "back", places.folder).code == 1
    assert places.facts.read_bytes() == facts
    assert not (places.evidence / "theirs.json").exists()
    assert not (tmp_path / "evil").exists()


@pytest.mark.parametrize("journal", [b"", b"{", b"[" * 5000, b'{"names": 3}', b"\xff\xfe"])
def test_a_journal_that_does_not_read_costs_nothing(places: Places, journal: bytes) -> None:
    before = stand(places.folder)
    places.ours.mkdir(exist_ok=True)
    hidden.hide(places, NAMES, Path("copy"), now())
    places.hiding.write_bytes(journal)
    assert Workshop.open(places.folder).brought_back == hidden.BroughtBack(names=NAMES)
    assert stand(places.folder) == before


# Kills


class Killed(BaseException):
    """The end of the process: nothing runs after it."""


def killing(patched: pytest.MonkeyPatch, at: int, *, done: bool) -> Callable[[], bool]:
    """End at the ``at``-th touch of the disk, before it or once it is ``done``. Returns what tells if it came to it."""
    count = 0
    dead = False

    def wrapped(act: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            nonlocal count, dead
            if dead:
                raise Killed
            count += 1
            dead = count == at
            if dead and not done:
                raise Killed
            result = act(*args, **more)
            if dead:
                raise Killed
            return result

        return call

    for name in ("make", "remove", "remove_folder", "sync"):
        patched.setattr(Hold, name, wrapped(getattr(Hold, name)))
    patched.setattr(below, "move_new", wrapped(below.move_new))
    patched.setattr(hidden, "write_safely", wrapped(files.write_safely))
    return lambda: dead


@pytest.mark.parametrize("done", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("what", ["hide", "back"])
def test_killed_at_every_touch_of_the_disk(places: Places, what: str, done: bool) -> None:
    before = stand(places.folder)
    places.ours.mkdir(exist_ok=True)
    for at in range(1, 100):
        if what == "back":
            hidden.hide(places, NAMES, Path("copy"), now())
        with pytest.MonkeyPatch.context() as patched:
            came = killing(patched, at, done=done)
            with contextlib.suppress(Killed):
                hidden.hide(places, NAMES, Path("copy"), now()) if what == "hide" else hidden.bring_back(places)
        Workshop.open(places.folder).close()
        assert stand(places.folder) == before
        assert not hidden.is_hidden(places)
        if not came():
            break
    assert 7 < at < 40


DRIVER = """
import os, random, signal, sys
from pathlib import Path
from companion.core import below
from companion.core.folder import Places
from companion.steps.deeds import hidden

places, drawn, names = Places(Path(sys.argv[1])), random.Random(16), ("Samples", "Slate.eeng")

def stand():
    files = (path for path in places.folder.rglob("*") if path.is_file() and ".companion" not in path.parts)
    return {path: (path.stat().st_ino, path.read_bytes()) for path in files}

def killed_at(at, done):
    count = 0
    def wrapped(act):
        def call(*args, **more):
            nonlocal count
            count += 1
            if count == at and not done:
                os.kill(os.getpid(), signal.SIGKILL)
            result = act(*args, **more)
            if count == at:
                os.kill(os.getpid(), signal.SIGKILL)
            return result
        return call
    for name in ("replace", "mkdir", "rmdir", "unlink", "fsync"):
        setattr(os, name, wrapped(getattr(os, name)))
    below.move_new = wrapped(below.move_new)

before, kills = stand(), 0
while kills < 500:
    if hidden.is_hidden(places) and drawn.random() < 0.3:
        hidden.bring_back(places)
        assert stand() == before and not hidden.is_hidden(places)
    back = hidden.is_hidden(places)
    at, done = drawn.randint(1, 24), drawn.random() < 0.5
    child = os.fork()
    if child == 0:
        killed_at(at, done)
        hidden.bring_back(places) if back else hidden.hide(places, names, Path("copy"), "")
        os._exit(0)
    ended = os.waitpid(child, 0)[1]
    assert ended in (0, signal.SIGKILL), ended
    kills += ended == signal.SIGKILL
hidden.bring_back(places)
assert stand() == before
print(kills, "kills: nothing lost, nothing half moved")
"""


@POSIX
@pytest.mark.campaign
def test_killed_500_times(places: Places) -> None:
    """By SIGKILL, at touches of the disk drawn at random: in hiding, in bringing back, and again in mending that."""
    places.ours.mkdir(exist_ok=True)
    ended = subprocess.run([sys.executable, "-c", DRIVER, str(places.folder)], capture_output=True, text=True)
    assert ended.returncode == 0, ended.stderr
    print(f"\n{ended.stdout}")
