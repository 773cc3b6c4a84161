from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.contents.model import NamesModel
from companion.contents.rules import check_names
from companion.core.findings import Severity
from companion.core.portable import name_bytes, portable_name


def rules(*paths: str) -> list[str]:
    return [finding.rule for finding in check_names(paths)]


@pytest.mark.parametrize(
    ("path", "rule"),
    [
        ("Samples/a:b.wav", "name-forbidden"),
        ("Samples/what?.wav", "name-forbidden"),
        ("a\\b.wav", "name-forbidden"),
        ("a\x1b[31mb.wav", "name-forbidden"),
        ("bad\udcff.wav", "name-forbidden"),
        ("CON.wav", "name-reserved"),
        ("Samples/nul", "name-reserved"),
        ("com¹.tar.gz", "name-reserved"),
        ("Lpt9 .wav", "name-reserved"),
        ("aux/x.wav", "name-reserved"),
        ("Samples./a.wav", "name-ends-badly"),
        ("a.wav ", "name-ends-badly"),
        ("a\u202ewav.exe", "name-invisible"),
        ("a\u200bb.wav", "name-invisible"),
        ("a\x85.wav", "name-invisible"),
    ],
)
def test_faults(path: str, rule: str) -> None:
    assert rules(path) == [rule]


@pytest.mark.parametrize(
    "path",
    [
        "Samples/Slate [rr1] (soft), #2 & é = 50%.wav",
        "Samples/[@click=app.quit].wav",
        "CONtrol.wav",
        "COM10.wav",
        "a.con",
        ".hidden",
        "Samples v1.2/a.wav",
        " leading.wav",
        "鐘.wav",
        unicodedata.normalize("NFD", "é.wav"),
    ],
)
def test_innocent_names(path: str) -> None:
    assert rules(path) == []


def test_a_bad_folder_is_one_fault_not_one_for_each_file() -> None:
    found = check_names([f"Bad./{n}.wav" for n in range(500)])
    assert [(f.rule, f.path) for f in found] == [("name-ends-badly", "Bad.")]


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("A.wav", "a.wav"),
        (unicodedata.normalize("NFC", "é.wav"), unicodedata.normalize("NFD", "é.wav")),
        ("Straße.wav", "STRASSE.wav"),
        ("Samples/a.wav", "samples/b.wav"),
        ("Samples/a.wav", "samples/a.wav"),
        ("kit", "Kit/a.wav"),
    ],
)
def test_twins(one: str, two: str) -> None:
    assert rules(one, two) == ["name-twins"]


def test_no_twins() -> None:
    assert rules("A.wav", "b/a.wav", "B2/a.wav", "é.wav", "e.wav") == []


def test_path_length_leaves_room_for_the_players_folder() -> None:
    # Microsoft: 260 with a closing zero; 90 for the folder, one for the separator behind it.
    assert NamesModel(paths=()).room == 168
    assert NamesModel(paths=(), top="Slate Choir").room == 156
    folder = "f" * 100
    assert rules(f"{folder}/{'a' * 67}") == []
    (found,) = check_names([f"{folder}/{'a' * 68}"])
    assert (found.rule, found.severity) == ("path-too-long", Severity.WARNS)
    assert check_names([f"{folder}/{'a' * 67}"], "Top")[0].measured == "168 characters"
    assert len(check_names(["😀" * 63])) == 0
    assert len(check_names(["x/" + "😀" * 60 + "/" + "😀" * 25])) == 1  # two units each, as Windows counts


def test_a_name_over_255_bytes_blocks() -> None:
    (found,) = check_names(["é" * 128])
    assert found.severity is Severity.BLOCKS
    assert found.measured == "a name of 256 bytes"
    assert check_names(["é" * 127]) == []


@pytest.mark.parametrize(
    ("name", "new"),
    [
        ("CON.wav", "CON_.wav"),
        ("nul", "nul_"),
        ("a:b?.wav", "a-b-.wav"),
        ("x. . ", "x"),
        ("...", "unnamed"),
        ("", "unnamed"),
        ("a\u202eb.wav", "ab.wav"),
        ("bad\udcff.wav", "bad-.wav"),
        ("Slate C3.wav", "Slate C3.wav"),
        ("é" * 200 + ".wav", "é" * 125 + ".wav"),
    ],
)
def test_portable_names(name: str, new: str) -> None:
    assert portable_name(name) == new


_nasty = st.text(
    st.one_of(
        st.sampled_from('CONcomLPTnul123¹².. /\\<>:"|?*\x00\x1f\u202e\u200b\u0301é\udc80ß'),
        st.characters(),
        st.characters(categories=["Cs"]),
    ),
    max_size=300,
)


@settings(max_examples=300, deadline=None)
@given(_nasty)
def test_a_portable_name_passes_every_rule_and_stays(name: str) -> None:
    new = portable_name(name)
    assert [finding for finding in check_names([new]) if finding.bound != NamesModel(paths=()).room] == []
    assert portable_name(new) == new
    assert 0 < name_bytes(new) <= 255


def test_the_mend_offers_a_name_and_shows_it_harmless() -> None:
    (found,) = check_names(["x/evil\x1b]0;\x07.wav"])
    assert "“evil-]0;-.wav”" in found.mend
    assert "\x1b" not in found.mend + found.measured
    assert found.path == "x/evil\x1b]0;\x07.wav"
