from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.archive.names import name_problem, portable_name
from companion.archive.plan import ArchivePlan, archive_name, plan, top_folder
from companion.core.errors import CompanionError

FORBIDDEN = set('<>:"/\\|?*')
DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{name}{n}" for name in ("COM", "LPT") for n in "123456789¹²³")}


def test_members_are_sorted_under_one_folder(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    made = planned(tmp_path, {"b.wav": b"b", "a/z.wav": b"z", "run.sh": b"s"}, **{"README.txt": b"read me"})
    assert [member.name for member in made.members] == [
        "Slate Choir/README.txt",
        "Slate Choir/a/z.wav",
        "Slate Choir/b.wav",
        "Slate Choir/run.sh",
    ]
    assert made.manifest["Slate Choir/README.txt"] == (7, hashlib.sha256(b"read me").hexdigest())
    assert made.size == 10


def test_made_text_replaces_the_file_of_that_path(tmp_path: Path, planned: Callable[..., ArchivePlan]) -> None:
    made = planned(tmp_path, {"README.txt": b"old"}, **{"README.txt": b"new"})
    assert [member.data for member in made.members] == [b"new"]


@pytest.mark.parametrize(
    ("paths", "says"),
    [
        ([], "nothing to pack"),
        (["../a.wav"], "climbs"),
        (["a\\b.wav"], "backslash"),
        (["a//b.wav"], "empty part"),
        (["./b.wav"], "empty part"),
        (["a/"], "no name"),
        (["bad\udcff.wav"], "not UTF-8"),
        (["A.wav", "a.wav"], "one on some systems"),
        (["é.wav", "e\u0301.wav"], "one on some systems"),
        (["a", "A/b.wav"], "A file and a folder"),
    ],
)
def test_names_no_archive_should_carry_are_refused(paths: list[str], says: str) -> None:
    with pytest.raises(CompanionError, match=says):
        plan("Slate Choir", [(path, Path("x"), 1, "00") for path in paths])


def test_neighbours_of_refused_names_are_planned() -> None:
    paths = ["a..b.wav", "..a.wav", "a b.wav", "ä.wav", "a/b", "ab", "a.b/c"]
    made = plan("Slate Choir", [(path, Path("x"), 1, "00") for path in paths])
    assert len(made.members) == len(paths)


def test_names_of_folder_and_archive() -> None:
    assert top_folder("Slate Choir") == "Slate Choir"
    assert archive_name("Slate Choir", "1.0") == "Slate Choir 1.0.zip"
    assert archive_name("Slate Choir", "1.1", since="1.0") == "Slate Choir 1.0 to 1.1.zip"
    assert archive_name('Slate: "Choir" / loud?', "1.0") == "Slate Choir loud 1.0.zip"
    assert top_folder("  ...  ") == "Instrument"
    assert top_folder("Aux") == "Aux files"
    assert top_folder("Auxiliary") == "Auxiliary"
    assert top_folder("-rf .hidden") == "rf .hidden"
    assert top_folder("岩" * 90) == "岩" * 60
    assert top_folder("a" * 90) == "a" * 80


@pytest.mark.parametrize("title", ["Slate " * 20, "a" * 76, "岩" * 57, "岩" * 90, "CON", "a" * 79 + "1"])
def test_a_long_title_costs_no_version(title: str) -> None:
    names = [archive_name(title, "1.0"), archive_name(title, "1.1"), archive_name(title, "1.1", since="1.0")]
    assert len(set(names)) == 3  # one over the other would be the loss of a released archive
    for name, ending in zip(names, (" 1.0.zip", " 1.1.zip", " 1.0 to 1.1.zip"), strict=True):
        assert name.endswith(ending)
        assert portable_name(name.removesuffix(".zip")) == name.removesuffix(".zip")
    assert archive_name(title, "1").endswith(" 1.zip")
    assert archive_name(title, "9" * 200) == "9" * 80 + ".zip"


@given(st.text())
def test_any_title_gives_a_name_every_system_takes(title: str) -> None:
    # Microsoft, "Naming Files, Paths, and Namespaces".
    name = portable_name(title)
    assert name
    assert len(name) <= 90
    assert len(name.encode()) <= 190
    assert not FORBIDDEN & set(name)
    assert all(ord(char) >= 32 for char in name)
    assert not name.endswith((" ", "."))
    assert not name.startswith((".", "-", " "))
    assert name.partition(".")[0].rstrip().upper() not in DEVICES
    name.encode("utf-8")
    assert portable_name(name) == name
    assert not name_problem(f"{name}/file.wav")


def test_a_title_of_any_length_costs_little() -> None:
    """A book of a title, pasted by mistake: each cut of it was once tried from its end, which took hours."""
    for char in ("x", "7.", "\\", "é", "- .", "\u0301"):
        name = archive_name(char * 1_000_000, "1.0")
        assert name.endswith("1.0.zip")
        assert len(name) <= 84
    assert archive_name(" " * 500 + "Slate Choir" + "." * 500, "1.0") == "Slate Choir" + "." * 65 + " 1.0.zip"
