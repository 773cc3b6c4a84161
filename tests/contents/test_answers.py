"""Answers to what is asked about: what they come to in the facts, that they hold, and that nothing else moves."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.contents.account import account_for
from companion.contents.answers import MOST_BY_NAME, Answered, answered, literal
from companion.contents.inventory import Inventory
from companion.contents.kinds import kinds_by
from companion.contents.references import References
from companion.contents.selection import select
from companion.contents.ships import ShipList, ship_list
from companion.core.entries import Entry, Kind
from companion.core.errors import CompanionError
from companion.core.facts import Contents, Facts
from companion.core.globs import folded

Desk = Any


class Folder:
    """Files by their names alone, and the facts on them. named: what the patch names."""

    def __init__(self, *paths: str, named: tuple[str, ...] = (), contents: Contents | None = None) -> None:
        self.paths, self.named = sorted(paths), frozenset(named)
        self.contents = contents or Contents(patches=("a.patch",))

    @property
    def inventory(self) -> Inventory:
        kinds = kinds_by(self.contents)
        return Inventory(
            entries=tuple(Entry(path=p, size=len(p), mtime_ns=0, inode=0, kind=kinds(p)) for p in self.paths)
        )

    @property
    def list(self) -> ShipList:
        inventory = self.inventory
        selection = select(inventory, self.contents, referenced=self.named)
        references = References(used=self.named, by={"a.patch": self.named})
        account = account_for(selection, references, Facts(contents=self.contents))
        return ship_list(inventory, selection, account, self.contents)

    def fates(self) -> dict[str, str]:
        return {file.path: file.fate for file in self.list.files}

    def answer(self, ship: tuple[str, ...] = (), stay: tuple[str, ...] = ()) -> Answered:
        found = answered(self.inventory, self.list, self.contents, ship, stay, self.named)
        self.contents = msgspec.structs.replace(self.contents, include=found.include, exclude=found.exclude)
        return found


def test_a_folder_is_answered_as_a_folder_and_what_comes_later_follows() -> None:
    folder = Folder("a.patch", "Extras/a.png", "Extras/b/c.txt", "Notes/x.txt", "todo.txt")
    found = folder.answer(ship=("Extras/",), stay=("Notes/",))
    assert (found.include, found.exclude, found.files) == (("**", "Extras/**"), ("Notes/**",), 3)
    folder.paths += ["Extras/later.pdf", "Notes/later.txt", "later.txt"]
    assert folder.fates() == {
        "a.patch": "ships",
        "Extras/a.png": "ships",
        "Extras/b/c.txt": "ships",
        "Notes/x.txt": "stays",
        "todo.txt": "asked",
        "Extras/later.pdf": "ships",
        "Notes/later.txt": "stays",
        "later.txt": "asked",
    }
    why = {file.path: file.why for file in folder.list.files}
    assert why["Extras/later.pdf"] == "you let it ship: “Extras/**”, and what comes there later"
    assert why["Notes/later.txt"] == "you left it at home: “Notes/**”"


def test_what_ends_alike_is_answered_by_name_and_what_comes_later_is_asked_anew() -> None:
    folder = Folder("a.patch", "Invoice 1.pdf", "Invoice 2.pdf", "manual.txt", "other.txt")
    found = folder.answer(stay=("*.pdf",), ship=("*.txt",))
    assert found.exclude == ("Invoice 1.pdf", "Invoice 2.pdf")
    assert found.include == ("**", "manual.txt", "other.txt")
    folder.paths += ["Invoice 3.pdf", "todo.txt"]
    assert [path for path, fate in folder.fates().items() if fate == "asked"] == ["Invoice 3.pdf", "todo.txt"]


def test_one_file_of_a_group_is_answered_by_its_path() -> None:
    folder = Folder("a.patch", "Extras/a.png", "Extras/invoice.pdf", "1.pdf", "2.pdf")
    assert folder.answer(stay=("Extras/invoice.pdf", "1.pdf")).exclude == ("Extras/invoice.pdf", "1.pdf")
    assert folder.answer(ship=("Extras/",)).include == ("**", "Extras/**")
    assert folder.fates() == {
        "a.patch": "ships", "Extras/a.png": "ships", "Extras/invoice.pdf": "stays", "1.pdf": "stays", "2.pdf": "asked",
    }  # fmt: skip


def test_more_than_can_be_named_is_answered_by_the_ending() -> None:
    many = [f"page {number:03}.png" for number in range(MOST_BY_NAME + 1)]
    folder = Folder("a.patch", *many, "deep/x.png", named=("deep/x.png",))
    assert folder.answer(stay=("*.png",)).exclude == ("*.png",)
    assert folder.fates()["deep/x.png"] == "ships"
    few = Folder("a.patch", *many[:-1])
    assert len(few.answer(stay=("*.png",)).exclude) == MOST_BY_NAME


def test_an_ending_that_would_reach_what_the_patch_needs_is_written_by_name() -> None:
    many = [f"S/take {number:03}.wav" for number in range(MOST_BY_NAME + 1)]
    folder = Folder("a.patch", *many, "S/used.wav", named=("S/used.wav",))
    assert folder.list.groups[0].id == "S/*.wav"
    assert folder.answer(stay=("S/*.wav",)).exclude == tuple(many)
    assert folder.fates()["S/used.wav"] == "ships"


def test_what_has_no_ending_is_always_named() -> None:
    folder = Folder("a.patch", *(f"note {number:03}" for number in range(MOST_BY_NAME + 1)))
    assert folder.list.groups[0].id == "*."
    assert len(folder.answer(stay=("*.",)).exclude) == MOST_BY_NAME + 1
    assert set(folder.fates().values()) == {"ships", "stays"}


def test_an_answer_is_taken_back_by_the_other() -> None:
    folder = Folder("a.patch", "Extras/a.png", "todo.txt")
    folder.answer(ship=("Extras/", "todo.txt"))
    found = folder.answer(stay=("Extras/", "todo.txt"))
    assert (found.include, found.exclude) == ((), ("Extras/**", "todo.txt"))
    found = folder.answer(ship=("Extras",))
    assert (found.include, found.exclude) == (("**", "Extras/**"), ("todo.txt",))


def test_the_last_of_a_list_by_hand_is_never_taken_out_since_an_empty_one_lets_all_ship() -> None:
    contents = Contents(patches=("a.patch",), include=("a.patch", "Extras/**"))
    folder = Folder("a.patch", "Extras/a.png", "todo.txt", contents=contents)
    found = folder.answer(stay=("Extras",))
    assert (found.include, found.exclude) == (("a.patch", "Extras/**"), ("Extras/**",))
    assert folder.fates() == {"a.patch": "ships", "Extras/a.png": "stays", "todo.txt": "stays"}
    assert folder.answer(ship=("todo.txt",)).include == ("a.patch", "Extras/**", "todo.txt")


def test_one_file_out_of_a_folder_that_stays_is_let_ship() -> None:
    contents = Contents(patches=("a.patch",), exclude=("Extras", "*.pdf"))
    folder = Folder("a.patch", "Extras/a.png", "Extras/b.png", "x.pdf", contents=contents)
    found = folder.answer(ship=("Extras/a.png",))
    assert (found.include, found.exclude) == (("**", "Extras/a.png"), ("Extras/b.png", "*.pdf"))
    assert folder.fates()["Extras/b.png"] == "stays"


def test_a_folder_in_one_that_stays_is_let_ship() -> None:
    contents = Contents(patches=("a.patch",), exclude=("Extras/**",))
    folder = Folder("a.patch", "Extras/in/a.png", "Extras/in/b.png", "Extras/c.png", contents=contents)
    found = folder.answer(ship=("Extras/in",))
    assert (found.include, found.exclude) == (("**", "Extras/in/**"), ("Extras/c.png",))


def test_a_pattern_that_keeps_too_many_at_home_is_not_taken_apart() -> None:
    many = [f"Extras/{number}.png" for number in range(MOST_BY_NAME + 2)]
    folder = Folder("a.patch", *many, contents=Contents(patches=("a.patch",), exclude=("Extras/**",)))
    with pytest.raises(CompanionError, match="keeps it at home with 33 others"):
        folder.answer(ship=(many[0],))
    assert folder.answer(ship=("Extras",)).exclude == ()


def test_a_working_file_is_let_ship_by_its_full_name() -> None:
    folder = Folder("a.patch", "old/a.png", "old/b.png", "a - copy.patch")
    assert folder.answer(ship=("a - copy.patch",)).include == ("**", "a - copy.patch")
    assert folder.answer(ship=("old",)).include == ("**", "a - copy.patch", "old/**", "old/a.png", "old/b.png")
    assert set(folder.fates().values()) == {"ships"}
    many = Folder("a.patch", *(f"old/{number}.png" for number in range(MOST_BY_NAME + 1)))
    with pytest.raises(CompanionError, match="33 files in it are named as work in progress"):
        many.answer(ship=("old",))


def test_what_the_patch_names_is_left_out_when_the_maker_says_so() -> None:
    folder = Folder("a.patch", "S/x.wav", named=("S/x.wav",))
    assert folder.answer(stay=("S/x.wav",)).exclude == ("S/x.wav",)
    assert folder.fates()["S/x.wav"] == "stays"


def test_what_ships_or_stays_already_changes_nothing() -> None:
    folder = Folder("a.patch", "todo.txt", contents=Contents(patches=("a.patch",), exclude=("todo.txt",)))
    assert folder.answer(ship=("a.patch",)) == Answered(include=(), exclude=("todo.txt",), files=0)
    assert folder.answer(stay=("todo.txt",)) == Answered(include=(), exclude=("todo.txt",), files=0)


def test_names_are_found_in_any_case_and_with_the_slashes_of_any_system() -> None:
    folder = Folder("a.patch", "Extras/In/a.png", "b.txt")
    assert folder.answer(ship=("extras\\in\\A.png",)).include == ("**", "Extras/In/a.png")
    assert folder.answer(ship=("./B.txt",)).include[-1] == "b.txt"
    assert folder.answer(stay=("EXTRAS/",)).exclude == ("Extras/**",)


def test_names_that_are_one_but_for_their_case_cannot_be_told_apart_by_a_pattern() -> None:
    folder = Folder("a.patch", "x/a.txt", "X/b.txt")
    with pytest.raises(CompanionError, match="would reach another file as well"):
        folder.answer(stay=("x",))
    assert Folder("a.patch", "x/a.txt", "y.txt").answer(stay=("X",)).exclude == ("x/**",)
    accents = Folder("a.patch", "e\u0301t/in/a.txt", "y.txt")
    assert accents.answer(stay=("\u00c9T/IN",)).exclude == ("e\u0301t/in/**",)


@pytest.mark.parametrize(
    ("ship", "stay", "said"),
    [
        (("nothing.txt",), (), "There is no such file, folder or group"),
        (("",), (), "There is no such file, folder or group"),
        (("/",), (), "There is no such file, folder or group"),
        (("todo.txt",), ("TODO.txt",), "One thing cannot both ship and stay"),
        (("Thumbs.db",), (), "This never ships: a system left it behind"),
        (("release.toml",), (), "This never ships: the companion’s"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_a_line(ship: tuple[str, ...], stay: tuple[str, ...], said: str) -> None:
    folder = Folder("a.patch", "todo.txt", "Thumbs.db", "release.toml")
    with pytest.raises(CompanionError, match=said) as refused:
        folder.answer(ship, stay)
    assert "\n" not in refused.value.line


def test_signs_that_mean_something_in_a_pattern_mean_themselves() -> None:
    folder = Folder("a.patch", "what*.txt", "whatever.txt", "a\\b.txt", "q?.txt", "[x].txt")
    assert folder.answer(stay=("what*.txt",)).exclude == ("what?.txt",)
    assert folder.fates()["whatever.txt"] == "asked"
    folder.answer(stay=("a\\b.txt", "[x].txt", "q?.txt"))
    assert [path for path, fate in folder.fates().items() if fate == "asked"] == ["whatever.txt"]
    assert literal("\udcff*") == "??"
    assert literal("a\x1b\u202e\nb\u200d.txt") == "a???b?.txt"


def test_a_folder_of_one_strange_sign_answers_for_itself_alone() -> None:
    folder = Folder("a.patch", "*/x.txt", "note.txt")
    assert folder.answer(ship=("*/",)).include == ("**", "?/**")
    assert folder.fates() == {"a.patch": "ships", "*/x.txt": "ships", "note.txt": "asked"}


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps any bytes as a name")
def test_hostile_names_are_answered_like_any_other(desk: Desk) -> None:
    names = (
        b"bad\xff.txt",
        b"esc\x1b]0;x\x07.pdf",
        "bidi\u202efdp.png".encode(),
        b"[@click=app.quit].doc",
        b"nl\n.rtf",
    )
    for name in names:
        Path(os.fsdecode(os.fsencode(desk.folder) + b"/" + name)).write_bytes(b"x")
    found = desk.scan()
    facts = Facts(contents=desk.facts)
    account = account_for(found.selection, found.references, facts)
    listed = ship_list(found.inventory, found.selection, account, desk.facts)
    given = answered(found.inventory, listed, desk.facts, [], [group.id for group in account.asked])
    assert given.files == 5
    for pattern in given.exclude:
        pattern.encode()
    desk.facts = msgspec.structs.replace(desk.facts, exclude=given.exclude)
    assert [f.rule for f in desk.contents()] == []


# Any folder, any answers

_NAME = st.sampled_from(
    [
        "a",
        "B",
        "b",
        "old",
        "IR",
        "Samples",
        "todo",
        "x y",
        "é",
        "e\u0301",
        "_.",
        "what*",
        "q?",
        "[r]",
        ".git",
        ".companion",
    ]
)
_END = st.sampled_from(["", ".txt", ".wav", ".pdf", ".PNG", ".patch", ".zip", ".bak", ".~tmp", ".db"])
_PATH = st.builds(lambda folders, name, end: "/".join([*folders, name + end]), st.lists(_NAME, max_size=3), _NAME, _END)
_GLOB = st.sampled_from(["**", "*", "a/**", "*.txt", "old", "Samples/**", "x y/**", "**/*.wav", "todo.txt", "b", "[r]"])


def _folder(paths: set[str], named: set[str], lists: dict[str, tuple[str, ...]]) -> Folder:
    files = {path for path in paths if not any(other.startswith(f"{path}/") for other in paths)}
    return Folder(*files, named=tuple(files & named), contents=Contents(patches=("*.patch",), **lists))


_LISTS = st.fixed_dictionaries(
    {key: st.lists(_GLOB, max_size=2).map(tuple) for key in ("include", "exclude", "documents", "samples")}
)
_FOLDERS = st.builds(_folder, st.sets(_PATH, min_size=1, max_size=14), st.sets(_PATH, max_size=4), _LISTS)


def _partitioned(folder: Folder) -> None:
    found = folder.list
    assert [file.path for file in found.files] == folder.paths, "every file once"
    assert all(file.why for file in found.files), "each with its reason"
    grouped = [path for group in found.groups for path in group.paths]
    assert sorted(grouped) == [file.path for file in found.of("asked")], "what is asked about is in one group"
    assert len({group.id for group in found.groups}) == len(found.groups)
    for fate, sums in (("ships", found.ships), ("stays", found.stays), ("asked", found.asked)):
        files = [file for file in found.files if file.fate == fate]
        assert {one.kind: (one.files, one.bytes) for one in sums} == {
            kind: (len(same), sum(file.bytes for file in same))
            for kind in Kind
            if (same := [file for file in files if file.kind is kind])
        }
    ships = {entry.path for entry in select(folder.inventory, folder.contents, referenced=folder.named).ships}
    assert {file.path for file in found.of("ships", "asked")} == ships


@given(_FOLDERS)
def test_every_folder_falls_into_what_ships_what_stays_and_what_is_asked(folder: Folder) -> None:
    _partitioned(folder)


@given(_FOLDERS, st.data())
def test_any_answer_holds_or_is_refused_and_moves_nothing_else(folder: Folder, data: st.DataObject) -> None:
    before, had = folder.fates(), folder.contents
    choices = [group.id for group in folder.list.groups] + folder.paths + ["a", "old/", "*.txt"]
    what, ships = data.draw(st.sampled_from(choices)), data.draw(st.booleans())
    group = next((group.paths for group in folder.list.groups if group.id == what), ())
    try:
        folder.answer(*(((what,), ()) if ships else ((), (what,))))
    except CompanionError:
        assert folder.contents == had
        return
    after = folder.fates()
    _partitioned(folder)
    about = set(group) or {what} & set(folder.paths)
    if about:
        assert {after[path] for path in about} == ({"ships"} if ships else {"stays"})
        below = {folded(path) for path in about}
        moved = {p for p in before if (before[p] == "stays") != (after[p] == "stays") and folded(p) not in below}
        assert not moved, "what was not answered stays as it was"


@given(_FOLDERS)
def test_answering_every_group_leaves_nothing_to_ask(folder: Folder) -> None:
    for _ in range(40):
        asked = folder.list.groups
        if not asked:
            return
        try:
            folder.answer(stay=(asked[0].id,))
        except CompanionError:  # names that are one but for their case are not told apart by a pattern
            assert len({folded(path) for path in folder.paths}) < len(folder.paths) or "*" in "".join(folder.paths)
            return
    raise AssertionError(folder.list.groups)
