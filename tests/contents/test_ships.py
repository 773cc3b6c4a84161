"""What ships, what stays, what is asked about: the grounds, the groups, and that nothing is lost or told twice."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from companion.contents.account import GROUNDS, Account, account_for, is_catch_all
from companion.contents.groups import grouped
from companion.contents.named import named_by_facts
from companion.contents.ships import ShipList, kinds_text, ship_list
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents, Facts, Instrument, Layer, Naming
from companion.core.findings import Finding, Severity

Desk = Any
Ids = Callable[[list[Finding]], list[str]]


def account(desk: Desk, **more: Any) -> Account:
    found = desk.scan()
    return account_for(found.selection, found.references, Facts(contents=desk.facts, **more))


def listed(desk: Desk) -> ShipList:
    found = desk.scan()
    return ship_list(found.inventory, found.selection, account(desk), desk.facts)


def groups(desk: Desk) -> dict[str, tuple[str, ...]]:
    return {group.id: group.paths for group in account(desk).asked}


def entry(path: str, size: int = 1) -> Entry:
    return Entry(path=path, size=size, mtime_ns=0, inode=0, kind=Kind.OTHER)


# The rule: the fault and its nearest innocent neighbour


def test_stray_unasked(desk: Desk, rules_of: Ids) -> None:
    desk.put("todo.txt", "call the printer")
    desk.put("Invoice 2026-11.pdf", "x" * 2000)
    desk.put("me in the studio.png")
    found = {f.path: f for f in desk.contents() if f.rule == "stray-unasked"}
    assert set(found) == {"todo.txt", "Invoice 2026-11.pdf", "me in the studio.png"}
    assert all(f.severity is Severity.BLOCKS for f in found.values())
    assert found["Invoice 2026-11.pdf"].measured == "nothing accounts for it (2.00 kB)"
    desk.facts = msgspec.structs.replace(desk.facts, exclude=("todo.txt", "*.pdf"), include=("**", "me in *"))
    assert "stray-unasked" not in rules_of(desk.contents())
    assert listed(desk).of("stays")[0].path == "Invoice 2026-11.pdf"


def test_its_neighbours_are_accounted_for(desk: Desk, rules_of: Ids) -> None:
    for name in (
        "README.md",
        "Read me first.txt",
        "LICENSE",
        "licence.de.txt",
        "Changelog.txt",
        "Credits.txt",
        "Lizenz.txt",
        "Liesmich.txt",
    ):
        desk.put(name)
    desk.put("IRs/Licence.txt", "for the responses")
    desk.put("LICENSES/CC0-1.0.txt")
    desk.put("Panel.svg")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Panel.svg")
    assert rules_of(desk.contents()) == []


def test_a_readme_or_a_list_of_changes_elsewhere_is_not_ours(desk: Desk) -> None:
    desk.put("Ideas/README.txt")
    desk.put("Licence notes for the lawyer.txt")
    desk.put("Lizenzgebühren 2026.txt")
    desk.put("credits still to add.txt")
    desk.put("readme.zip")
    assert set(groups(desk)) == {"Ideas/", "*.txt", "readme.zip"}


def test_what_is_asked_about_says_that_a_patch_could_not_be_read(desk: Desk) -> None:
    desk.put("Slate Choir.slab", b"\x7fSLB" + bytes(range(256)) * 8)
    desk.put("todo.txt")
    (found,) = [f for f in desk.contents() if f.rule == "stray-unasked"]
    assert found.measured == "nothing accounts for it (1 B); what the patch uses cannot be read"


def test_a_group_names_its_first_files_and_how_many_there_are(desk: Desk) -> None:
    for name in ("c.png", "a.png", "b {value}.png"):
        desk.put(f"Me/{name}", "12")
    (found,) = [f for f in desk.contents() if f.rule == "stray-unasked"]
    assert (found.path, found.value) == ("Me/", 3)
    assert found.measured == "nothing accounts for 3 files (6 B): a.png, b {value}.png and 1 more"
    assert found.at.others == ("Me/a.png", "Me/b {value}.png", "Me/c.png")


# The grounds, one by one


GROUND: dict[str, tuple[str, Facts]] = {
    "a patch that players open": ("Second.slab", Facts()),
    "contents.samples of the facts: “Takes/*.wav”": ("Takes/x.wav", Facts(contents=Contents(samples=("Takes/*.wav",)))),
    "contents.impulses of the facts: “IR/**”": ("IR/x.wav", Facts(contents=Contents(impulses=("IR/**",)))),
    "contents.scripts of the facts: “x.lua”": ("x.lua", Facts(contents=Contents(scripts=("x.lua",)))),
    "contents.documents of the facts: “*.txt”": ("x.txt", Facts(contents=Contents(documents=("*.txt",)))),
    "layer “struck” of the facts": ("Takes/x.wav", Facts(layers=(Layer(name="struck", files=("Takes/*",)),))),
    "instrument.licence_file of the facts names it": (
        "terms.txt",
        Facts(instrument=Instrument(licence_file="terms.txt")),
    ),
    "naming.zones of the facts names it": ("z.csv", Facts(naming=Naming(zones="z.csv"))),
    "you let it ship: “x.pdf”": ("x.pdf", Facts(contents=Contents(include=("**", "x.pdf")))),
    "you let it ship: “x/**”, and what comes there later": (
        "x/y.pdf",
        Facts(contents=Contents(include=("**", "x/**"))),
    ),
    "a licence": ("Copying", Facts()),
    "a text that goes with every release": ("Readme.txt", Facts()),
}


@pytest.mark.parametrize("why", GROUND)
def test_each_ground_accounts_for_a_file_and_without_it_the_file_is_asked_about(desk: Desk, why: str) -> None:
    path, facts = GROUND[why]
    desk.put(path)
    contents = facts.contents
    desk.facts = msgspec.structs.replace(contents, patches=("*.slab",), samples=(*contents.samples, "Samples/**"))
    found = desk.scan()
    stated = msgspec.structs.replace(facts, contents=desk.facts)
    named = named_by_facts(stated, found.selection.paths)
    assert account_for(found.selection, found.references, stated, named).why[path] == why
    if facts != Facts():
        bare = Facts(contents=Contents(patches=("*.slab",), samples=("Samples/**",)))
        asked = account_for(found.selection, found.references, bare).asked
        assert [path in group.paths for group in asked] == [True]


def test_every_ground_is_in_the_table() -> None:
    assert len(GROUNDS) == 6  # patch, lists, layers, facts that name, answers, texts: a new one gets its row above


def test_a_wide_list_accounts_for_its_own_kind_alone(desk: Desk) -> None:
    desk.put("Samples/todo.txt")
    desk.put("Samples/me.png")
    assert set(groups(desk)) == {"Samples/todo.txt", "Samples/me.png"}


def test_what_only_an_unaccounted_file_names_is_not_accounted_for(desk: Desk) -> None:
    desk.put("Panel.png")
    desk.put("Song.project", b"\0\0\0\x09Panel.png\0")
    assert set(groups(desk)) == {"Panel.png", "Song.project"}
    desk.facts = msgspec.structs.replace(desk.facts, include=("**", "Song.project"))
    assert groups(desk) == {}
    assert account(desk).why["Panel.png"] == "“Song.project” names it"


def test_what_a_file_names_that_the_patch_names_is_accounted_for(desk: Desk) -> None:
    desk.put("Map.data", b"\0\0\0\x09Panel.png\0")
    desk.put("Panel.png")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Map.data")
    assert groups(desk) == {}


def test_all_that_fit_a_name_equally_well_are_accounted_for(desk: Desk) -> None:
    for folder in ("a", "b", "c"):
        desk.put(f"{folder}/Panel.png")
    desk.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav", "Panel.png")
    desk.patch("Panel.png", name="Other.slab")
    assert groups(desk) == {}


@pytest.mark.parametrize("pattern", ["**", "*", "**/*", "*.*", "./**"])
def test_a_pattern_for_everything_answers_nothing(desk: Desk, pattern: str) -> None:
    assert is_catch_all(pattern)
    desk.put("todo.txt")
    desk.facts = msgspec.structs.replace(desk.facts, include=("**", pattern))
    assert set(groups(desk)) == {"todo.txt"}
    assert not is_catch_all("todo.*")


def test_facts_name_files_to_the_letter_and_in_any_table() -> None:
    facts = Facts(
        instrument=Instrument(title="Slate Choir", licence_file="./Terms.txt", credits=("Thanks.txt",)),
        contents=Contents(patches=("a.slab",)),
        naming=Naming(zones="Data\\z.csv"),
    )
    found = named_by_facts(facts, ["Terms.txt", "Thanks.txt", "Data/z.csv", "a.slab", "Slate Choir/x.txt"])
    assert found == {
        "Terms.txt": "instrument.licence_file of the facts names it",
        "Thanks.txt": "instrument.credits of the facts names it",
        "Data/z.csv": "naming.zones of the facts names it",
    }


# Groups


def test_a_folder_of_which_nothing_ships_is_one_group_however_deep(desk: Desk) -> None:
    desk.put("Extras/a/b/one.txt")
    desk.put("Extras/two.png")
    desk.put("Samples/Old takes/x.pdf")
    assert groups(desk) == {
        "Extras/": ("Extras/a/b/one.txt", "Extras/two.png"),
        "Samples/Old takes/": ("Samples/Old takes/x.pdf",),
    }


def test_beside_what_ships_files_are_grouped_by_their_endings() -> None:
    entries = [
        entry(path, 2) for path in ("a.pdf", "B.PDF", "note", "other", "S/x/1.txt", "S/y/2.txt", "S/3.doc", "T/q")
    ]
    found = {group.id: (group.paths, group.bytes, group.whole) for group in grouped(entries, ["S/x/k", "S/y/k"])}
    assert found == {
        "*.pdf": (("B.PDF", "a.pdf"), 4, False),
        "*.": (("note", "other"), 4, False),
        "S/*.txt": (("S/x/1.txt", "S/y/2.txt"), 4, False),
        "S/3.doc": (("S/3.doc",), 2, False),
        "T/": (("T/q",), 2, True),
    }
    assert grouped([], ["a"]) == ()


def test_a_sample_that_nothing_refers_to_is_asked_about_and_not_told_as_unused_too(desk: Desk, rules_of: Ids) -> None:
    desk.facts = Contents(patches=("*.slab",))
    desk.put("Samples/Slate E3.wav")
    assert rules_of(desk.contents()) == ["stray-unasked"]
    desk.facts = msgspec.structs.replace(desk.facts, samples=("Samples/*.wav",))
    assert rules_of(desk.contents()) == ["sample-unused"]


def test_where_the_patch_cannot_be_read_samples_that_facts_name_are_accounted_for(desk: Desk, rules_of: Ids) -> None:
    desk.put("Slate Choir.slab", b"\x7fSLB" + bytes(range(256)) * 8)
    assert "stray-unasked" not in rules_of(desk.contents())
    desk.facts = Contents(patches=("*.slab",))
    assert groups(desk) == {"Samples/": ("Samples/Slate C3.wav", "Samples/Slate D3.wav")}


# The list


def test_each_file_stands_in_the_list_once_with_its_reason(desk: Desk) -> None:
    desk.put("todo.txt", "12")
    desk.put("Samples/.DS_Store")
    desk.put("old/x.wav")
    desk.put("Sketches/y.wav", "123")
    desk.put("release.toml")
    desk.facts = msgspec.structs.replace(desk.facts, exclude=("Sketches/**",))
    found = listed(desk)
    assert [file.path for file in found.files] == sorted(
        str(path.relative_to(desk.folder).as_posix()) for path in desk.folder.rglob("*") if path.is_file()
    )
    why = {file.path: (file.fate, file.why, file.group) for file in found.files}
    assert why["todo.txt"] == ("asked", "neither the patch nor a fact accounts for it", "todo.txt")
    assert why["Samples/.DS_Store"] == ("stays", "a system left it behind", "")
    assert why["old/x.wav"] == ("stays", "its name says it is work in progress", "")
    assert why["Sketches/y.wav"] == ("stays", "you left it at home: “Sketches/**”", "")
    assert why["release.toml"] == ("stays", "the companion’s own", "")
    assert why["Samples/Slate C3.wav"] == ("ships", "“Slate Choir.slab” names it", "")
    assert kinds_text(found.ships) == "1 patch, 2 samples"
    assert [(total.kind, total.files, total.bytes) for total in found.asked] == [(Kind.DOCUMENT, 1, 2)]
    assert sum(total.files for total in found.stays) == 4


def test_what_is_not_included_stays_and_says_so(desk: Desk) -> None:
    desk.put("todo.txt")
    desk.facts = msgspec.structs.replace(desk.facts, include=("Samples/**", "*.slab"))
    assert [(f.fate, f.why) for f in listed(desk).files if f.path == "todo.txt"] == [
        ("stays", "not among what contents.include lets ship")
    ]


def test_a_companion_of_a_folder_inside_stays_and_is_listed(desk: Desk, rules_of: Ids) -> None:
    desk.put("Sub/.companion/evidence/x.json")
    desk.put("Sub/.companion/history.git/HEAD")
    assert rules_of(desk.contents()) == []
    assert [(f.path, f.fate, f.why) for f in listed(desk).of("stays")] == [
        (path, "stays", "the companion’s own")
        for path in ("Sub/.companion/evidence/x.json", "Sub/.companion/history.git/HEAD")
    ]


def test_a_link_stays(desk: Desk, tmp_path: Path) -> None:
    try:
        (desk.folder / "in.wav").symlink_to("Samples/Slate C3.wav")
    except OSError:
        pytest.skip("links need a privilege here")
    assert [(f.path, f.why) for f in listed(desk).of("stays")] == [("in.wav", "a link: archives carry none")]
