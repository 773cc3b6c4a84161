"""Each rule of Contents on a folder that has the fault, and on its nearest innocent neighbour."""

from __future__ import annotations

import os
import random
import sys
import unicodedata
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from companion.contents.model import AudioProblem
from companion.contents.rules import CONTENTS, NAMES, PATHS, RULES
from companion.core.facts import Contents
from companion.core.findings import At, Finding, Severity

Desk = Any
Ids = Callable[[list[Finding]], list[str]]


def test_a_clean_instrument_has_no_finding(desk: Desk) -> None:
    desk.put("README.txt", "Slate Choir")
    desk.put("ui/cover.svg", "<svg/>")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "ui/cover.svg")
    assert desk.contents() == []
    assert desk.paths() == []


def test_every_rule_of_the_catalogue_is_there_once() -> None:
    ids = [rule.id for rule in RULES]
    assert len(ids) == len(set(ids)) == 30
    assert all(rule.why and rule.mend and rule.means for rule in RULES)
    assert (len(CONTENTS), len(NAMES), len(PATHS)) == (16, 6, 8)
    assert {rule.step for rule in CONTENTS} | {rule.step for rule in NAMES} == {"contents"}
    assert {rule.step for rule in PATHS} == {"paths"}


def test_reference_missing(desk: Desk, rules_of: Ids) -> None:
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Samples/Slate E3.wav")
    (found,) = desk.contents()
    assert (found.rule, found.path, found.where) == ("reference-missing", "Slate Choir.slab", "byte 56")
    assert found.measured == "“Samples/Slate E3.wav”"
    assert found.blocks
    desk.put("Samples/Slate E3.wav")
    assert rules_of(desk.contents()) == []


def test_findings_carry_their_place_and_what_was_measured(desk: Desk) -> None:
    desk.put("Slate Choir.slab.bak")
    desk.put("extras.zip", b"x" * 1_500)
    desk.put("Samples/Slate C3 copy.wav")
    desk.patch("Samples/slate c3.wav", "Samples/Slate D3.wav", "Samples/gone.wav")
    found = {f.measured: f for f in desk.contents()}
    case = found["“Samples/slate c3.wav”"]
    assert (case.at, case.value) == (At(byte=10, others=("Samples/Slate C3.wav",)), "Samples/slate c3.wav")
    assert found["“Samples/gone.wav”"].at == At(byte=56)
    assert (found["1.50 kB (1.46 KiB)"].value, found["1.50 kB (1.46 KiB)"].unit) == (1_500, "bytes")
    assert found["would ship beside “Slate C3.wav”"].at.others == ("Samples/Slate C3.wav",)


def test_a_path_in_a_packed_part_is_placed_by_where_that_part_begins(desk: Desk) -> None:
    inner = zlib.compress(b"\x10\0Samples/gone.wav\0")
    desk.put("Slate Choir.slab", b"\1\2\0\0" + zlib.compress(b"begin" + inner) + b"\0Samples/Slate C3.wav\0")
    (found,) = [f for f in desk.contents() if f.rule == "reference-missing"]
    assert found.where == "byte 2 of the zlib part at byte 5 of the zlib part at byte 4"
    assert found.at.byte == 4


def test_a_missing_file_of_a_name_that_is_elsewhere_says_where(desk: Desk) -> None:
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Old/Slate C3.wav")
    (found,) = desk.contents()
    assert "“Samples/Slate C3.wav”" in found.mend


def test_reference_case(desk: Desk, rules_of: Ids) -> None:
    desk.patch("Samples/slate c3.wav", "Samples/Slate D3.wav")
    (found,) = desk.contents()
    assert (found.rule, found.severity) == ("reference-case", Severity.WARNS)
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav")
    assert rules_of(desk.contents()) == []


@pytest.mark.skipif(sys.platform != "linux", reason="needs a disk that tells the cases apart")
def test_reference_case_blocks_between_twins(desk: Desk) -> None:
    desk.put("Samples/SLATE C3.wav")
    desk.patch("Samples/slate c3.wav", "Samples/Slate D3.wav")
    found = {finding.rule: finding for finding in desk.contents()}
    assert set(found) == {"reference-case", "name-twins"}
    assert found["reference-case"].blocks
    assert found["reference-case"].limit.endswith(" or 1 more")
    assert found["name-twins"].blocks


@pytest.mark.skipif(sys.platform == "darwin", reason="needs a disk that keeps normalisations apart")
def test_reference_normalisation(desk: Desk, rules_of: Ids) -> None:
    desk.put(unicodedata.normalize("NFD", "Samples/é.wav"))
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", unicodedata.normalize("NFC", "Samples/é.wav"))
    assert rules_of(desk.contents()) == ["reference-normalisation"]
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", unicodedata.normalize("NFD", "Samples/é.wav"))
    assert rules_of(desk.contents()) == []


def test_reference_excluded(desk: Desk, rules_of: Ids) -> None:
    desk.facts = Contents(patches=("*.slab",), samples=("Samples/**",), exclude=("Samples/Slate D3.wav",))
    (found,) = desk.contents()
    assert found.rule == "reference-excluded"
    assert found.measured == "“Samples/Slate D3.wav” stays at home: excluded by the facts"
    desk.patch("Samples/Slate C3.wav")
    assert rules_of(desk.contents()) == []


def test_an_excluded_file_in_running_text_is_let_pass(desk: Desk, rules_of: Ids) -> None:
    desk.facts = Contents(
        patches=("*.slab",), samples=("Samples/**",), scripts=("Scripts/**",), exclude=("Samples/Slate D3.wav",)
    )
    desk.patch("Samples/Slate C3.wav")
    desk.put("Scripts/a.lua", "-- once this was Samples/Slate D3.wav\n")
    (named,) = [item for item in desk.scan().references.items if item.source == "Scripts/a.lua"]
    assert (named.target, named.excluded) == ("Samples/Slate D3.wav", True)
    assert rules_of(desk.contents()) == []
    desk.put("Scripts/a.lua", 'load("Samples/Slate D3.wav")\n')
    assert rules_of(desk.contents()) == ["reference-excluded"]


def test_sample_unused(desk: Desk, rules_of: Ids) -> None:
    desk.put("Samples/Slate E3.wav")
    (found,) = desk.contents()
    assert (found.rule, found.path) == ("sample-unused", "Samples/Slate E3.wav")
    desk.put("Second.slab", random.Random(1).randbytes(4000))
    assert "sample-unused" not in rules_of(desk.contents())  # what an unreadable patch uses nobody knows


def test_samples_that_are_found_by_folder_are_told_once(desk: Desk) -> None:
    for number in range(40):
        desk.put(f"Samples/{number}.wav", f"{number}")
    (found,) = desk.contents()
    assert (found.path, found.measured) == ("", "nothing refers to 40 of 42 samples")


def test_a_path_of_this_computer_counts_as_use(desk: Desk, rules_of: Ids) -> None:
    desk.patch("Samples/Slate C3.wav", "/Users/ann/Slate/Samples/Slate D3.wav")
    assert rules_of(desk.contents()) == []
    assert rules_of(desk.paths()) == ["path-home"]


def test_stray_system_files_are_left_out_and_listed(desk: Desk) -> None:
    for path in (".DS_Store", "Samples/.DS_Store", "Samples/._Slate C3.wav", "__MACOSX/a", "Thumbs.db", "desktop.ini"):
        desk.put(path)
    found = desk.contents()
    assert {f.rule for f in found} == {"stray-system-file"}
    assert {f.severity for f in found} == {Severity.NOTES}
    assert sorted(f.measured.partition(",")[0] for f in found) == [
        "1 file in __MACOSX/",
        "1 file named ._…",
        "1 file named Thumbs.db",
        "1 file named desktop.ini",
        "2 files named .DS_Store",
    ]
    assert not any("DS_Store" in path for path in desk.scan().selection.paths)


def test_stray_working_files(desk: Desk) -> None:
    desk.put("Slate Choir.slab.bak")
    desk.put("Slate Choir old.slab", (desk.folder / "Slate Choir.slab").read_bytes())
    desk.put("Slate Choir v1.slab", (desk.folder / "Slate Choir.slab").read_bytes())
    for number in range(3):
        desk.put(f"bounces/take {number}.wav")
    found = {f.path: f.measured for f in desk.contents() if f.rule == "stray-working-file"}
    assert found == {
        "Slate Choir.slab.bak": "left out of the archive",
        "Slate Choir old.slab": "would ship beside “Slate Choir.slab”",
        "Slate Choir v1.slab": "would ship beside “Slate Choir.slab”",
        "bounces": "3 files (3 B), left out of the archive",
    }


def test_a_folder_of_working_files_is_one_finding_however_deep_they_lie(desk: Desk) -> None:
    desk.put("Extra/_old/take/Slate Choir.slab", "12")
    desk.put("Extra/_old/backup/Slate Choir.slab", "3")
    found = {f.path: f.measured for f in desk.contents()}
    assert found == {"Extra/_old": "2 files (3 B), left out of the archive"}


def test_innocent_neighbours_of_working_files(desk: Desk, rules_of: Ids) -> None:
    desk.put("Old Slate.slab", (desk.folder / "Slate Choir.slab").read_bytes())  # no "Slate.slab" beside it
    desk.put("Session.slabsong")
    desk.put("Samples/Slate C3 (1).wav")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Samples/Slate C3 (1).wav")
    desk.facts = Contents(patches=("*.slab",), samples=("Samples/**",), include=("**", "Session.slabsong"))
    assert rules_of(desk.contents()) == []


def test_a_double_that_the_patch_uses_is_meant(desk: Desk, rules_of: Ids) -> None:
    desk.put("Samples/Slate C3 copy.wav")
    assert rules_of(desk.contents()) == ["sample-unused", "stray-working-file"]
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Samples/Slate C3 copy.wav")
    assert rules_of(desk.contents()) == []


def test_a_double_that_nothing_accounts_for_is_asked_about_and_not_told_twice(desk: Desk) -> None:
    desk.put("notes.txt")
    desk.put("notes old.txt")
    (found,) = desk.contents()
    assert (found.rule, found.path) == ("stray-unasked", "*.txt")
    desk.facts = msgspec.structs.replace(desk.facts, documents=("*.txt",))
    (found,) = desk.contents()
    assert (found.rule, found.path) == ("stray-working-file", "notes old.txt")


def test_samples_of_which_none_is_used_are_told_at_once(desk: Desk) -> None:
    desk.put("Slate Choir.slab", "volume = 3\nScripts/Sway.txt\n")
    (unused,) = [found for found in desk.contents() if found.rule == "sample-unused"]
    assert (unused.path, unused.value, unused.measured) == ("", 2, "nothing refers to any of the 2 samples")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav")
    assert "sample-unused" not in [found.rule for found in desk.contents()]
    desk.patch("Samples/Gong C3.wav")
    assert [found.rule for found in desk.contents()] == ["reference-missing"], "enough is said of it"


def test_a_working_file_that_the_patch_needs_ships(desk: Desk, rules_of: Ids) -> None:
    desk.put("old/Slate F3.wav")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "old/Slate F3.wav")
    assert rules_of(desk.contents()) == []
    assert "old/Slate F3.wav" in desk.scan().selection.paths


def test_names_of_what_ships_are_judged(desk: Desk, rules_of: Ids) -> None:
    desk.facts = Contents(patches=("*.slab",), samples=("Samples/**",), exclude=("kept/**",))
    desk.put("kept/CON.txt")
    assert rules_of(desk.contents()) == []
    desk.facts = msgspec.structs.replace(desk.facts, documents=("ui/*",))
    desk.put("ui/" + "x" * 160 + ".txt")
    assert rules_of(desk.contents()) == []
    assert rules_of(desk.contents(top="Slate Choir")) == ["path-too-long"]


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps any bytes as a name")
def test_hostile_names_are_listed_and_shown_inert(desk: Desk) -> None:
    for name in (b"bad\xff.txt", b"esc\x1b]0;x\x07.txt", "bidi\u202etxt.exe".encode(), b"[@click=app.quit].txt"):
        Path(os.fsdecode(os.fsencode(desk.folder) + b"/" + name)).write_bytes(b"x")
    found = [f for f in desk.contents() if f.rule.startswith("name-")]
    assert sorted(f.rule for f in found) == ["name-forbidden", "name-forbidden", "name-invisible"]
    for finding in found:
        for text in (finding.measured, finding.mend, finding.limit, finding.where):
            assert text.isprintable()
            text.encode()


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege on Windows")
def test_symlink_outside(desk: Desk, tmp_path: Path) -> None:
    (desk.folder / "out.wav").symlink_to(tmp_path / "elsewhere.wav")
    (desk.folder / "up").symlink_to("../beside")
    (desk.folder / "in.wav").symlink_to("Samples/Slate C3.wav")
    (desk.folder / "folder").symlink_to("Samples")
    (desk.folder / "nothing").symlink_to("Samples/gone")
    found = {f.path: f.severity for f in desk.contents() if f.rule == "symlink-outside"}
    assert found == {
        "out.wav": Severity.BLOCKS,
        "up": Severity.BLOCKS,
        "in.wav": Severity.WARNS,
        "folder": Severity.WARNS,
        "nothing": Severity.WARNS,
    }
    assert not {"out.wav", "up", "in.wav", "folder"} & desk.scan().selection.paths


def test_file_empty(desk: Desk, rules_of: Ids) -> None:
    desk.put("Samples/Slate C3.wav", b"")
    assert rules_of(desk.contents()) == ["file-empty"]
    desk.put("Samples/Slate C3.wav", b"1")
    desk.put(".gitkeep", b"")
    assert rules_of(desk.contents()) == ["stray-system-file"]


def test_file_unreadable_and_truncated(desk: Desk) -> None:
    problems = {
        "Samples/Slate C3.wav": AudioProblem(kind="unreadable", text="no chunk\x1b of sound"),
        "Samples/Slate D3.wav": AudioProblem(kind="truncated", text="3 of 12 frames are there"),
        "elsewhere.wav": AudioProblem(kind="unreadable"),
    }
    found = {f.rule: f for f in desk.contents(audio_problems=problems)}
    assert set(found) == {"file-unreadable", "file-truncated"}
    assert found["file-unreadable"].measured == "no chunk\\x1b of sound"
    assert found["file-truncated"].measured == "3 of 12 frames are there"
    assert found["file-truncated"].limit == "as much as the header promises"


@pytest.mark.skipif(os.name == "nt", reason="no pipes on Windows' disks")
def test_what_the_disk_does_not_give_is_unreadable(desk: Desk, rules_of: Ids) -> None:
    os.mkfifo(desk.folder / "pipe.txt")
    assert rules_of(desk.contents()) == ["file-unreadable", "stray-unasked"]


def test_what_may_name_files_is_scanned(desk: Desk) -> None:
    desk.put("list.data")
    desk.put("empty.data", b"")
    desk.put("readme.txt")
    with desk.put("big.data", b"x").open("r+b") as stream:
        stream.truncate((64 << 20) + 1)  # what is that large is no list of files
    desk.put("Scripts/a.lua")
    assert sorted(desk.scan().scans) == ["Scripts/a.lua", "Slate Choir.slab", "list.data"]


def test_nested_archive(desk: Desk, rules_of: Ids) -> None:
    desk.put("extras.zip")
    assert rules_of(desk.contents()) == ["nested-archive", "stray-unasked"]
    desk.facts = msgspec.structs.replace(desk.facts, include=("**", "extras.zip"))
    assert rules_of(desk.contents()) == ["nested-archive"]
    desk.facts = Contents(patches=("*.slab",), samples=("Samples/**",), exclude=("*.zip",))
    assert rules_of(desk.contents()) == []


@pytest.mark.parametrize(
    ("facts", "measured"),
    [
        (Contents(samples=("Samples/**",)), "the facts list no patch"),
        (Contents(patches=("*.slap",), samples=("Samples/**",)), "nothing matches “*.slap”"),
        (Contents(patches=("*.slab",), exclude=("*.slab",)), "stays at home: excluded by the facts"),
        (Contents(patches=("*.slab", "Deep.slab")), "nothing matches “Deep.slab”"),
    ],
)
def test_patch_missing(desk: Desk, facts: Contents, measured: str) -> None:
    desk.facts = facts
    assert [f.measured for f in desk.contents() if f.rule == "patch-missing"] == [measured]
