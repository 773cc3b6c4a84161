"""The first look: what can be seen is proposed, the rest is asked, nothing is guessed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from companion.core.entries import Entry, Kind
from companion.core.errors import CompanionError
from companion.core.facts import Engine, Facts, facts_from_toml
from companion.steps.deeds.facts_file import read_text, write_new
from companion.steps.deeds.start import ASKS, proposal, propose, refuse_unknown, sample_folders, with_answers

Entries = Callable[..., tuple[Entry, ...]]

NOTES = ("C3", "D3", "E3", "F3")
FOLDER = {
    "LICENCE.txt": "",
    "Slate Choir.patch": "",
    "Pictures/Front.png": "",
    "IR/Hall.wav": "",
    **{f"Samples/Struck_{note}_rr{take}.wav": "" for note in NOTES for take in (1, 2)},
    **{f"Hummed/Hummed_{note}_rr1.wav": "" for note in NOTES[:2]},
}


def opaque(found: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """A folder without facts: nothing says yet what a patch is."""
    return tuple(msgspec.structs.replace(e, kind=Kind.OTHER) if e.kind is Kind.PATCH else e for e in found)


def test_what_can_be_seen_is_proposed(entries: Entries) -> None:
    found = proposal("Slate Choir", opaque(entries(FOLDER)))
    assert found.facts.instrument.title == "Slate Choir"
    assert found.facts.instrument.licence_file == "LICENCE.txt"
    assert found.facts.contents.patches == ("Slate Choir.patch",)
    assert found.facts.naming.pattern == "{layer}_{note}_rr{take}"
    told = " ".join(found.lines)
    assert "10 samples in Samples and Hummed." in told
    assert "Patch: Slate Choir.patch." in told
    assert "1 impulse response." in told
    assert "1 picture." in told


def test_what_no_folder_tells_is_left_open_and_asked(entries: Entries) -> None:
    found = proposal("Slate Choir", opaque(entries(FOLDER)))
    assert found.facts.naming.middle_c == "", "the octave convention is never guessed"
    assert found.facts.engine == Engine()
    assert [key for key, _ in found.asks] == [key for key, _ in ASKS if key != "instrument.title"]
    assert all(question.endswith("?") for _, question in found.asks)


def test_without_a_patch_it_is_asked_for_and_without_notes_in_names_no_convention_is(entries: Entries) -> None:
    found = proposal("Loose", entries({"Samples/one.wav": "", "Samples/two.wav": "", "notes/readme": ""}))
    keys = [key for key, _ in found.asks]
    assert keys[0] == "contents.patches"
    assert "naming.middle_c" not in keys
    assert found.facts.contents.patches == ()
    assert found.facts.naming.pattern == ""
    assert "No file looks like a patch." in found.lines


def test_an_empty_folder_is_no_trouble() -> None:
    found = proposal("", ())
    assert found.facts == Facts()
    assert "0 samples." in found.lines


def test_what_is_ours_or_lies_deeper_is_no_patch(entries: Entries) -> None:
    found = proposal("x", entries({"Samples/a.dat": "", ".hidden": "", "noextension": "", "a.dat": ""}))
    assert found.facts.contents.patches == ("a.dat",)


def patches(entries: Entries, *paths: str, names: dict[str, int] | None = None) -> tuple[str, ...]:
    return proposal("x", opaque(entries(dict.fromkeys(paths, ""))), names).facts.contents.patches


def test_patches_in_a_folder_are_proposed(entries: Entries) -> None:
    assert patches(entries, "Patches/b.eng", "Patches/a.eng", "Docs/c.dat") == ("Patches/a.eng", "Patches/b.eng")
    assert patches(entries, "Slate/a.eng", "Slate/Deep/b.eng") == ("Slate/Deep/b.eng", "Slate/a.eng")
    assert patches(entries, "Slate/a.eng", "Slate/Deep/b.dat") == ("Slate/a.eng",), "the nearest to the top"
    assert patches(entries, "top.eng", "More/b.eng", "More/c.dat") == ("More/b.eng", "top.eng"), "what ends alike"


def test_what_names_sounds_is_the_patch_wherever_it_lies(entries: Entries) -> None:
    paths = ("Look.dat", "In/a.eng", "In/b.eng", "Samples/c.eng")
    assert patches(entries, *paths, names={"In/a.eng": 3, "Look.dat": 0}) == ("In/a.eng", "In/b.eng")
    assert patches(entries, *paths, names={"Samples/c.eng": 1}) == ("In/a.eng", "In/b.eng", "Samples/c.eng")


@pytest.mark.parametrize(
    "path",
    ["crash.log", "host.err", "Song.project", "My.xproj", "Day.session", "Logs/a.eng", "Host Projects/a.eng", "a.json",
     "settings.cfg", "Sessions/x/b.eng", "noending"],
)  # fmt: skip
def test_logs_projects_and_data_are_no_patches_whatever_they_name(entries: Entries, path: str) -> None:
    assert patches(entries, path, names={path: 9}) == ()
    found = proposal("x", opaque(entries({path: "", "a.eng": ""})), {path: 9})
    assert found.facts.contents.patches == ("a.eng",)
    assert f"Not taken for patches: {path}." in found.lines


def test_many_patches_of_a_folder_are_named_by_their_ending(entries: Entries) -> None:
    many = [f"Patches/{number}.eng" for number in range(9)]
    assert patches(entries, *many, "a.eng") == ("Patches/*.eng", "a.eng")
    assert patches(entries, *many[:8]) == tuple(many[:8])
    assert patches(entries, *[path.partition("/")[2] for path in many]) == ("*.eng",)


def test_a_folder_of_its_own_is_told_by_what_its_patches_hold(tmp_path: Path) -> None:
    (tmp_path / "Samples").mkdir()
    (tmp_path / "In").mkdir()
    (tmp_path / "Samples" / "Struck_C3.wav").write_bytes(b"RIFF")
    (tmp_path / "In" / "Choir.eng").write_bytes(b"\x02ENG\x15\0Samples/Struck_C3.wav\0" + bytes(range(256)))
    (tmp_path / "Other.dat").write_bytes(bytes(range(256)))
    found = propose(tmp_path)
    assert found.facts.contents.patches == ("In/Choir.eng",)
    assert "Not taken for patches: Other.dat." in found.lines


def test_a_patch_that_is_not_there_is_refused_by_its_name() -> None:
    files = ["Patches/a.eng", "b.eng"]
    refuse_unknown(["Patches/*.eng", "B.eng", "Patches\\a.eng"], files)
    with pytest.raises(CompanionError, match="There is no such patch") as refused:
        refuse_unknown(["b.eng", "c.eng"], files)
    assert refused.value.where == "c.eng"


def test_hostile_names_are_shown_inert_and_the_facts_can_be_written(entries: Entries, tmp_path: Path) -> None:
    files = {"caf\udce9.patch": "", "LICENCE.\udce9": "", "S\x1b[2J/Str\udce9_C3.wav": "", "S\x1b[2J/Str_D3.wav": ""}
    found = proposal("Sl\u202eate\udce9", opaque(entries(files)))
    assert found.facts.instrument.title == "Sl\\u202eate\\udce9"
    assert found.facts.contents.patches == ("LICENCE.?", "caf?.patch"), "the wildcard for one character"
    for line in found.lines:
        line.encode()
        assert "\x1b" not in line
    write_new(tmp_path / "release.toml", found.facts)
    assert facts_from_toml(read_text(tmp_path / "release.toml")) == found.facts


def test_samples_beside_the_patch_are_told_in_words(entries: Entries) -> None:
    both = proposal("x", entries({"a.wav": "", "b.wav": "", "Takes/c.wav": ""}))
    assert both.lines[0] == "3 samples in the folder itself and Takes."
    assert proposal("x", entries({"Takes/c.wav": ""})).lines[0] == "1 sample in Takes."


def test_sample_folders_come_fullest_first() -> None:
    assert sample_folders(["a/1", "b/1", "b/2/3", "top"]) == ["b", "a", "."]
    assert sample_folders([]) == []


def test_answers_are_taken_and_the_safe_minimum_with_them() -> None:
    facts = with_answers(
        Facts(),
        {
            "instrument.version": "1.0",
            "engine.saved_with": "7.2",
            "contents.patches": "Slate Choir.patch",
            "instrument.summary": "",
            "naming.middle_c": None,
        },
    )
    assert facts.instrument.version == "1.0"
    assert facts.engine.minimum == "7.2", "the one minimum that needs no further evidence"
    assert facts.contents.patches == ("Slate Choir.patch",)
    assert (facts.instrument.summary, facts.naming.middle_c) == ("", "")
    assert with_answers(Facts(), {"engine.saved_with": "7.2", "engine.minimum": "7.1"}).engine.minimum == "7.1"
    assert with_answers(facts, {"engine.saved_with": "7.3"}).engine.minimum == "7.2"
    assert with_answers(facts, {}) == facts


@pytest.mark.parametrize(
    "answers", [{"title": "x"}, {"nonsense.x": "y"}, {"instrument.titel": "x"}, {"naming.middle_c": "C6"}]
)
def test_an_answer_to_nothing_is_refused(answers: dict[str, str]) -> None:
    with pytest.raises(CompanionError):
        with_answers(Facts(), answers)


def test_looking_writes_nothing(tmp_path: Path) -> None:
    (tmp_path / "Samples").mkdir()
    (tmp_path / "Samples" / "Struck_C3.wav").write_bytes(b"RIFF")
    (tmp_path / "Choir.patch").write_bytes(b"\x00")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    found = propose(tmp_path)
    assert sorted(path.name for path in tmp_path.rglob("*")) == before
    assert found.facts.contents.patches == ("Choir.patch",)
    assert "1 sample in Samples." in found.lines
