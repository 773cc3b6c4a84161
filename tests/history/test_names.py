"""The list of snapshots: damaged in any way, it hides nothing, and nothing is swept for it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.history import listing
from companion.history.history import History
from companion.history.store import refs, relist

SAMPLE = "Samples/alone.wav"


def three(folder: Path, history: History) -> list[bytes]:
    """Three snapshots, each with 200 kB of its own; the second is released."""
    contents = []
    for number in range(3):
        contents.append(os.urandom(200_000))
        (folder / SAMPLE).write_bytes(contents[-1])
        history.take(f"n{number + 1}" if number != 1 else "Release 1.0", kind="asked" if number != 1 else "release")
    history.tag_release(2, "1.0")
    history.close()  # some systems remove and rename no file that is open
    return contents


def place(folder: Path) -> Path:
    return folder / ".companion/history.git"


def flipped(path: Path, at: int, bit: int = 0) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 1 << bit
    path.write_bytes(bytes(data))


Damage = Callable[[Path], None]


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def gone(path: Path) -> None:
    path.unlink()


def zeroed(path: Path) -> None:
    path.write_bytes(bytes(path.stat().st_size))


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-60])


def header_only(path: Path) -> None:
    path.write_bytes(path.read_bytes().partition(b"\n")[0] + b"\n")


def of_git(path: Path) -> None:
    """What another tool writes when it loses a name: no checksum at all."""
    lines = path.read_text("utf-8").splitlines()
    lines[0] = "# pack-refs with: peeled fully-peeled sorted "
    path.write_text("\n".join(line for line in lines if "000002" not in line) + "\n", "utf-8")


DAMAGE: tuple[Damage, ...] = (emptied, gone, zeroed, cut, header_only, of_git)


def held(folder: Path, contents: list[bytes]) -> None:
    """Fail unless all three snapshots are there and read back, and the released one is known as such."""
    with History(folder) as again:
        assert [(one.number, one.version) for one in again.snapshots()] == [(3, ""), (2, "1.0"), (1, "")]
        assert [again.read(number, SAMPLE) for number in (1, 2, 3)] == contents


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("names", [(refs.FILE,), (refs.COPY,), (refs.FILE, refs.COPY)], ids=["first", "copy", "both"])
def test_a_damaged_list_hides_nothing_and_is_mended(
    folder: Path, history: History, damage: Damage, names: tuple[str, ...], fsck: Callable[[Path], None]
) -> None:
    contents = three(folder, history)
    for name in names:
        damage(place(folder) / name)
    held(folder, contents)
    with History(folder) as again:
        found = again.verify()
        assert found.snapshots == 3
        assert found.damaged == ()
        assert len(found.faults) == 1
        assert "list of snapshots" in found.faults[0]
        (folder / "more.txt").write_text("more", "utf-8")
        assert again.take("n4").number == 4
        assert again.verify().whole
        assert again.forget([4]).numbers == (4,)
    held(folder, contents)
    fsck(folder)


def test_every_bit_of_the_list_is_guarded(folder: Path, history: History) -> None:
    contents = three(folder, history)
    names = place(folder) / refs.FILE
    whole = names.read_bytes()
    for at in range(len(whole)):
        flipped(names, at, at % 8)
        with History(folder) as again:
            assert again._store.named().snapshots == refs.parse(whole.decode()).snapshots
            assert again._store.named_with_problem()[1], f"byte {at}"
        names.write_bytes(whole)
    held(folder, contents)


def test_after_two_more_snapshots_forgetting_takes_no_more_than_it_says(folder: Path, history: History) -> None:
    """An emptied list once cost three snapshots for good: two new ones were listed, and the rest was swept."""
    contents = three(folder, history)
    (place(folder) / refs.FILE).write_bytes(b"")
    for number in (4, 5):
        (folder / "more.txt").write_text(str(number), "utf-8")
        with History(folder) as again:
            assert again.take(f"n{number}").number == number
    with History(folder) as again:
        assert again.forget([4]).bytes_won < 50_000
        assert [one.number for one in again.snapshots()] == [5, 3, 2, 1]
        assert again.forget([5]).numbers == (5,)
    held(folder, contents)


def test_what_was_forgotten_does_not_come_back_while_either_copy_is_whole(folder: Path, history: History) -> None:
    three(folder, history)
    history.forget([3])
    for name in (refs.FILE, refs.COPY):
        emptied(place(folder) / name)
        with History(folder) as again:
            assert [one.number for one in again.snapshots()] == [2, 1]
            (folder / "more.txt").write_text(name, "utf-8")
            taken = again.take("next").number
            assert taken > 3, "and its number is not given again"
            again.forget([taken])


def test_the_number_of_what_was_forgotten_is_not_given_again_though_both_copies_are_lost(
    folder: Path, history: History
) -> None:
    three(folder, history)
    (folder / "more.txt").write_text("more", "utf-8")
    history.take("n4")
    for name in (refs.FILE, refs.COPY):
        gone(place(folder) / name)
    with History(folder) as again:
        again.forget([4])
        (folder / "more.txt").write_text("yet more", "utf-8")
        assert again.take("n5").number == 5


def as_first_built(folder: Path, last: str = "") -> None:
    """Make the list what the first building wrote: once, and without a checksum."""
    names = place(folder) / refs.FILE
    body = names.read_bytes().partition(b"\n")[2]
    names.write_bytes(b"# pack-refs with: peeled fully-peeled sorted \n" + body)
    (place(folder) / refs.COPY).unlink()
    (place(folder) / "listing").unlink(missing_ok=True)
    if last:
        (place(folder) / refs.LAST_NUMBER).write_text(last, "utf-8")


def test_a_list_of_the_first_building_is_whole_and_protected_from_the_next_snapshot_on(
    folder: Path, history: History
) -> None:
    contents = three(folder, history)
    as_first_built(folder, "7\n")
    held(folder, contents)
    with History(folder) as again:
        assert again.verify().whole
        (folder / "more.txt").write_text("more", "utf-8")
        assert again.take("next").number == 8
    assert refs.look(place(folder)).certain
    assert refs.look(place(folder)).problem == ""
    assert not (place(folder) / refs.LAST_NUMBER).exists()


def test_a_snapshot_that_the_first_building_forgot_stays_forgotten(folder: Path, history: History) -> None:
    three(folder, history)
    whole = refs.read(place(folder))
    refs.write(place(folder), whole.without({3}))  # its pack is still there, as it is where little was to be won
    as_first_built(folder, "3\n")
    with History(folder) as again:
        assert [one.number for one in again.snapshots()] == [2, 1]
        assert again.verify().whole
        (folder / "more.txt").write_text("more", "utf-8")
        assert again.take("next").number == 4
        assert [one.number for one in again.snapshots()] == [4, 2, 1]


@pytest.mark.parametrize("at", ["id", "number", "emptied", "cut"])
def test_a_damaged_list_of_the_first_building_is_seen_by_the_commits_that_are_there(
    folder: Path, history: History, at: str
) -> None:
    contents = three(folder, history)
    as_first_built(folder)
    names = place(folder) / refs.FILE
    data = names.read_bytes()
    line = data.index(b"refs/snapshots/000002")
    if at in ("id", "number"):
        flipped(names, line - 20 if at == "id" else line + 20, 2)
    else:
        names.write_bytes(b"" if at == "emptied" else data[: line + 22])
    held(folder, contents)
    with History(folder) as again:
        assert again.verify().faults
        assert again.forget([3]).numbers == (3,)
        assert [again.read(number, SAMPLE) for number in (1, 2)] == contents[:2]


def test_two_snapshots_of_one_number_both_stay(folder: Path, history: History) -> None:
    """A kill between a snapshot and its name leaves a commit behind; where the list is lost, it is named as well."""
    three(folder, history)
    before = refs.read(place(folder))
    refs.write(place(folder), refs.Refs({1: before.snapshots[1], 2: before.snapshots[2]}, before.releases, 2))
    (folder / SAMPLE).write_bytes(b"another third")
    with History(folder) as again:
        assert again.take("another third").number == 3
    for name in (refs.FILE, refs.COPY):
        gone(place(folder) / name)
    with History(folder) as again:
        assert {one.label for one in again.snapshots()} == {"n1", "Release 1.0", "n3", "another third"}
        assert {one.number for one in again.snapshots()} == {1, 2, 3, 4}


def test_only_a_snapshot_taken_for_a_release_is_known_as_released_again(folder: Path, history: History) -> None:
    """Where both copies are lost, by what it was taken for and how it was labelled; a maker's own words say nothing."""
    for number, (label, kind) in enumerate(
        (("Release 1.0", "asked"), ("1.0 at last", "release"), ("Release 1.1", "release"))
    ):
        (folder / SAMPLE).write_bytes(b"%d" % number)
        history.take(label, kind=kind)
    for name in (refs.FILE, refs.COPY):
        gone(place(folder) / name)
    with History(folder) as again:
        assert [(one.number, one.version) for one in again.snapshots()] == [(3, "1.1"), (2, ""), (1, "")]


def test_a_history_without_a_snapshot_has_a_list_that_says_so(folder: Path, history: History, git: Any) -> None:
    with history._store.writing("nothing"):
        pass
    assert refs.look(place(folder)) == refs.Listed(refs.Refs(), True)
    assert history.verify().whole
    assert git(place(folder), "for-each-ref") == ""


def test_what_git_rewrites_is_read_and_told(folder: Path, history: History, git: Any) -> None:
    contents = three(folder, history)
    git(place(folder), "update-ref", "refs/heads/theirs", refs.read(place(folder)).snapshots[1])
    git(place(folder), "pack-refs", "--all")
    held(folder, contents)
    with History(folder) as again:
        assert again.verify().faults == ("another program rewrote the list of snapshots",)


def test_the_list_costs_git_nothing(folder: Path, history: History, git: Any) -> None:
    three(folder, history)
    listed = git(place(folder), "for-each-ref", "--format=%(objectname) %(refname)").splitlines()
    assert refs.parse("\n".join(listed)).snapshots == refs.read(place(folder)).snapshots
    assert git(place(folder), "rev-parse", "HEAD").strip() == refs.read(place(folder)).snapshots[3]


@pytest.mark.parametrize("name", ["config", "HEAD", "no-config"])
@pytest.mark.parametrize("damage", [emptied, gone, of_git], ids=["emptied", "gone", "other"])
def test_the_history_s_own_settings_are_held_to_what_we_wrote(
    folder: Path, history: History, name: str, damage: Damage
) -> None:
    three(folder, history)
    path = place(folder) / name
    if damage is of_git:
        path.write_text("[core]\n\tbare = false\n", "utf-8")
    else:
        damage(path)
    fault = (damage is emptied and name == "no-config") or history.verify().faults == (
        f"{name}: it is not what the companion wrote",
    )
    assert fault
    (folder / "more.txt").write_text("more", "utf-8")
    history.take("next")
    assert history.verify().whole


def test_commits_are_read_where_another_tool_packed_them_as_differences(
    folder: Path, history: History, git: Any
) -> None:
    three(folder, history)
    git(place(folder), "repack", "-a", "-d", "-f", "-q", "--depth=50", "--window=50")
    with History(folder) as again:
        assert set(relist.commit_texts(again._store.packs)) == set(refs.read(place(folder)).snapshots.values())


@pytest.mark.parametrize("where", ["head", "middle", "trailer"])
def test_a_pack_that_is_not_what_it_was_is_told_and_made_again(
    folder: Path, history: History, where: str, fsck: Callable[[Path], None]
) -> None:
    contents = three(folder, history)
    pack = max((place(folder) / "objects/pack").glob("*.pack"), key=lambda path: path.stat().st_size)
    flipped(pack, {"head": 9, "middle": pack.stat().st_size // 2, "trailer": -3}[where])
    with History(folder) as again:
        found = again.verify()
        assert [fault.partition(":")[0] for fault in found.faults] == [pack.name]
        assert bool(found.damaged) is (where == "middle")
        if where == "middle":
            lost = found.damaged[0].snapshots[0]
            (folder / SAMPLE).write_bytes(contents[lost - 1])
    with History(folder) as again:
        again.take("next")
    with History(folder) as again:
        assert again.verify().whole
        assert not pack.exists()
    held_without_newest(folder, contents)
    fsck(folder)


def held_without_newest(folder: Path, contents: list[bytes]) -> None:
    with History(folder) as again:
        assert [again.read(number, SAMPLE) for number in (1, 2, 3)] == contents


def test_a_pack_with_the_only_copy_of_something_damaged_stays_where_it_is(folder: Path, history: History) -> None:
    three(folder, history)
    pack = max((place(folder) / "objects/pack").glob("*.pack"), key=lambda path: path.stat().st_size)
    flipped(pack, pack.stat().st_size // 2)
    (folder / SAMPLE).write_bytes(b"something else")
    for number in range(2):
        with History(folder) as again:
            assert not again.verify().whole
            (folder / "more.txt").write_text(str(number), "utf-8")
            again.take("next")
        assert pack.exists()


def test_a_mirror_lists_and_verifies_like_a_folder_and_is_not_written_to(
    folder: Path, history: History, tmp_path: Path
) -> None:
    contents = three(folder, history)
    target = tmp_path / "copy.git"
    history.mirror(target)
    with History(target) as found:
        assert [one.number for one in found.snapshots()] == [3, 2, 1]
        assert found.verify().whole
        assert found.verify().mirror
        found.restore(2, into=tmp_path / "two")
        with pytest.raises(Exception, match="a mirror, not a working folder"):
            found.take("into a mirror")
    assert (tmp_path / "two" / SAMPLE).read_bytes() == contents[1]
    assert [one.number for one in listing.snapshots(target)] == [3, 2, 1]
    emptied(target / refs.FILE)
    with History(target) as found:
        assert not found.verify().whole
        assert len(found.snapshots()) == 3
    shutil.rmtree(target / "objects")
    (target / "objects/pack").mkdir(parents=True)
    with History(target) as found:
        assert len(found.verify().damaged) == 3
