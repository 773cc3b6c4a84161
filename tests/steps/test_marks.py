"""Fingerprints: each change makes exactly the steps stale that judged what changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import msgspec
import pytest

from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.evidence import Answer
from companion.core.facts import Control, Facts, Layer, Waiver
from companion.core.folder import Places
from companion.steps.desk import Desk
from companion.steps.marks import Marks, mark_of, marks
from companion.steps.model import State, Status, StepStatus
from companion.steps.table import BY_ID, looks_with

Entries = Callable[..., tuple[Entry, ...]]
Spoil = Callable[..., Facts]

FOLDER = {
    "IR/Hall.wav": "hall",
    "LICENCE.txt": "licence",
    "Pictures/Front.png": "front",
    "README.txt": "readme",
    "Samples/Struck_C3.wav": "c3",
    "Scripts/main.lua": "script",
    "Slate Choir.patch": "patch",
    "release.toml": "facts",
}
STAYS = ("release.toml", "Old/notes.txt")


def found(entries: tuple[Entry, ...]) -> Marks:
    return marks(mark_of(entries), [entry for entry in entries if entry.path not in STAYS])


def desk_of(folder: Path, marks_now: Marks, facts: Facts) -> Desk:
    """A desk over an empty folder, with these fingerprints of its files."""
    desk = Desk(Places(folder), facts, Cache(None), steps=BY_ID)
    desk.__dict__["_known"] = SimpleNamespace(marks=marks_now, asked="")
    return desk


def every_mark(folder: Path, marks_now: Marks, facts: Facts) -> dict[str, str]:
    desk = desk_of(folder, marks_now, facts)
    return {step: desk.mark(step) for step in BY_ID}


@pytest.fixture
def every(entries: Entries, tmp_path: Path) -> Callable[[dict[str, str], Facts], dict[str, str]]:
    """The fingerprints of all ten steps for a folder of files and facts."""
    return lambda files, facts: every_mark(tmp_path, found(entries(files)), facts)


Every = Callable[[dict[str, str], Facts], dict[str, str]]


def stale(before: dict[str, str], after: dict[str, str]) -> set[str]:
    return {step for step in before if before[step] != after[step]}


SHIPS = {"facts", "contents", "paths", "archive", "out"}
"""Steps that judge all that ships, whatever it is."""


@pytest.mark.parametrize(
    ("path", "steps"),
    [
        ("README.txt", SHIPS | {"words"}),
        ("LICENCE.txt", SHIPS | {"words"}),
        ("Samples/Struck_C3.wav", SHIPS | {"sound", "away", "needs", "words"}),
        ("IR/Hall.wav", SHIPS | {"sound", "controls", "away", "needs", "words"}),
        ("Slate Choir.patch", SHIPS | {"controls", "away", "needs", "words"}),
        ("Scripts/main.lua", SHIPS | {"controls", "away", "needs", "words"}),
        ("Pictures/Front.png", SHIPS | {"away", "needs", "words"}),
        ("Old/notes.txt", {"contents"}),
        ("release.toml", set()),
    ],
)
@pytest.mark.parametrize("how", ["changed", "gone", "renamed"])
def test_a_file_makes_stale_what_judged_it(every: Every, facts: Facts, path: str, steps: set[str], how: str) -> None:
    if path == "release.toml" and how != "changed":
        return
    before = FOLDER if path in FOLDER else {**FOLDER, path: "notes"}
    after = dict(before)
    content = after.pop(path)
    if how == "changed":
        after[path] = content + " again"
    elif how == "renamed":
        folder, _, name = path.rpartition("/")
        new = f"{folder}/other {name}" if folder else f"other {name}"
        after[new] = content
        if path in STAYS:
            return
    if how == "changed" and path.startswith("Pictures/"):
        steps = steps - {"away", "needs"}  # what is on it is not played, and it is found as before
    assert stale(every(before, facts), every(after, facts)) == steps


def test_what_comes_back_is_proven_again(every: Every, facts: Facts) -> None:
    changed = every({**FOLDER, "README.txt": "x"}, facts)
    assert changed != every(FOLDER, facts) == every(dict(reversed(FOLDER.items())), facts)


@pytest.mark.parametrize(
    ("change", "steps"),
    [
        ({"waivers": (Waiver(rule="hum", reason="the room has it"),)}, set()),
        ({"instrument": {"version": "1.3"}}, {"facts", "words", "archive", "out"}),
        ({"instrument": {"title": "Slate Chorus"}}, {"facts", "contents", "words", "archive", "out"}),
        ({"instrument": {"summary": "Other words."}}, {"facts", "words"}),
        ({"instrument": {"rights": "Ours."}}, {"facts", "words"}),
        ({"engine": {"minimum": "7.1"}}, {"facts", "needs", "words"}),
        ({"engine": {"name": "Other Engine"}}, {"facts", "away", "needs", "words"}),
        ({"engine": {"systems": ("linux",)}}, {"facts", "needs", "words"}),
        ({"contents": {"exclude": ("Old/**",)}}, {"facts", "contents", "paths", "words"}),
        ({"naming": {"middle_c": "C4"}}, {"facts", "sound", "words"}),
        ({"layers": (Layer(name="Struck", low_key=40),)}, {"facts", "sound", "words"}),
        ({"controls": (Control(name="Air", cc=22, rest=0.5),)}, {"facts", "controls", "words"}),
        ({"limits": {"pitch_cents": 5.0}}, {"facts", "sound", "words"}),
        ({"limits": {"upload_bytes": 10**9}}, {"facts", "sound", "words", "archive", "out"}),
    ],
    ids=lambda value: "+".join(sorted(value)) if isinstance(value, (dict, set)) else None,
)
def test_a_fact_makes_stale_what_rests_on_it(
    every: Every, facts: Facts, spoil: Spoil, change: dict[str, object], steps: set[str]
) -> None:
    assert stale(every(FOLDER, facts), every(FOLDER, spoil(**change))) == steps


def test_what_words_rest_on_besides_files_and_facts(entries: Entries, facts: Facts, tmp_path: Path) -> None:
    def words(**more: object) -> str:
        desk = desk_of(tmp_path, found(entries(FOLDER)), facts)
        desk.__dict__.update(more)
        return desk.mark("words")

    answers = (Answer(subject="Air alone", result="pass"), Answer(subject="Body alone", result="fail", note="a click"))
    assert len({words(), words(answers=answers[:1]), words(answers=answers)}) == 3
    page = tmp_path / "releases" / "Slate Choir 1.2 page.md"
    page.parent.mkdir()
    bare = words()
    page.write_text("# Slate Choir\n", encoding="utf-8")
    assert words() != bare


def test_a_sample_declared_an_impulse_response_is_judged_anew_by_its_own_rules(
    entries: Entries, facts: Facts, tmp_path: Path
) -> None:
    as_sample = entries(FOLDER)
    as_impulse = tuple(
        msgspec.structs.replace(entry, kind=Kind.IMPULSE) if entry.path.startswith("Samples/") else entry
        for entry in as_sample
    )
    before, after = (every_mark(tmp_path, found(kinds), facts) for kinds in (as_sample, as_impulse))
    assert stale(before, after) == {"sound", "controls"}
    neighbour = entries({path: content for path, content in FOLDER.items() if not path.startswith("IR/")})
    moved = tuple(msgspec.structs.replace(e, kind=Kind.IMPULSE) if e.kind is Kind.SAMPLE else e for e in neighbour)
    assert found(neighbour).audible != found(moved).audible


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"sha256": "aa"}, {"sha256": "bb"}),
        ({"link": "a", "sha256": ""}, {"link": "b", "sha256": ""}),
        ({"sha256": "", "problem": "denied"}, {"sha256": "", "problem": "gone"}),
        ({"sha256": "", "problem": "denied"}, {"sha256": "denied"}),
    ],
)
def test_content_link_and_trouble_are_told_apart(
    entries: Entries, one: dict[str, object], other: dict[str, object]
) -> None:
    kind = {"kind": Kind.SAMPLE}
    first, second = (found(entries({"a.wav": ""}, **{**kind, **more})) for more in (one, other))
    assert first.ships != second.ships
    assert first.everything != second.everything


def test_size_and_times_do_not_count(entries: Entries) -> None:
    assert found(entries(FOLDER)) == found(entries(FOLDER, mtime_ns=9, inode=3))


def test_a_hostile_name_stands_for_no_other_file(entries: Entries) -> None:
    """A line feed may stand in a name: with lines joined by one, a file could pass for two."""
    two = entries({"a": "1", "b": "2"}, sha256="s")
    for name in ("a\nb", "a\n-s\nb", "a/s\nb", "a\\0-s\\0b"):
        assert found(entries({name: "2"}, sha256="s")).ships != found(two).ships
    assert found(entries({"caf\udce9.wav": "1"})) != found(entries({"caf\udce8.wav": "1"}))


@pytest.mark.parametrize(("without", "moved"), [(("controls",), False), (("samples",), True)])
def test_what_there_is_none_of_concerns_the_sound_only_where_it_is_samples(
    tmp_path: Path, without: tuple[str, ...], moved: bool
) -> None:
    facts, same = Facts(), Marks(**dict.fromkeys(Marks.__struct_fields__, "x"))
    stated = msgspec.structs.replace(facts, instrument=msgspec.structs.replace(facts.instrument, without=without))
    before, after = every_mark(tmp_path, same, facts), every_mark(tmp_path, same, stated)
    assert (before["sound"] != after["sound"]) is moved


def test_a_look_takes_along_what_it_rests_on_where_that_is_stale_and_costs_little() -> None:
    def status(**states: State) -> Status:
        steps = [
            StepStatus(id=one, title=one, question="", state=states.get(one, State.PROVEN), because="", next="",
                       fingerprint="", findings=(), details={})
            for one in BY_ID
        ]  # fmt: skip
        return Status(title="", version="", steps=tuple(steps))

    assert looks_with("words", status()) == ("words",)
    assert looks_with("words", status(contents=State.STALE, sound=State.STALE)) == ("contents", "words")
    assert looks_with("words", status(contents=State.OPEN, paths=State.FAILING)) == ("words",)
    assert looks_with("paths", status(contents=State.STALE)) == ("paths",)
    assert looks_with("words", None) == ("words",)
