"""The readme of an update: every step in the order that works on every system."""

from __future__ import annotations

import pytest

from companion.archive.update import UpdateInfo
from companion.steps.deeds.update import note_lines, note_name


def _info(**told: object) -> UpdateInfo:
    return UpdateInfo(since="1.0", top="Slate Choir", **told)  # type: ignore[arg-type]


def _steps(info: UpdateInfo) -> list[str]:
    return [line for line in note_lines(info, "1.1")[2:-2] if line]


def test_a_changed_text_costs_no_sample() -> None:
    assert _steps(_info(changed=("Licence.txt",))) == [
        "1. You need version 1.0. Its samples need not be downloaded again.",
        "2. Unzip this archive into the folder that “Slate Choir” lies in, and let it replace files.",
    ]


@pytest.mark.parametrize(
    ("changed", "added", "says"), [(1, 0, "the 1 sample in here"), (2, 3, "the 5 samples in here")]
)
def test_samples_in_it_are_counted(changed: int, added: int, says: str) -> None:
    info = _info(
        changed=("Licence.txt", *(f"{n}.WAV" for n in range(changed))),
        added=tuple(f"new {n}.flac" for n in range(added)),
    )
    assert says in _steps(info)[0]


def test_what_goes_is_deleted_before_what_comes_is_unpacked() -> None:
    # Where case does not count, deleting “A.wav” after unpacking “a.wav” would lose the new file.
    steps = _steps(_info(added=("Samples/a.wav",), removed=("Samples/A.wav", "old\x1b.wav")))
    assert steps[1:3] == [
        "2. Delete what this version no longer has, before you unzip:\n   Samples/A.wav\n   old\\x1b.wav",
        "3. Unzip this archive into the folder that “Slate Choir” lies in, and let it replace files.",
    ]


def test_a_folder_that_became_a_file_goes_as_a_folder() -> None:
    info = _info(added=("Box", "thing/inner.txt"), removed=("box/a/one.txt", "box/two.txt", "boxes/x", "thing"))
    assert _steps(info)[1].splitlines()[1:] == ["   box (the folder)", "   boxes/x", "   thing"]


def test_a_renamed_folder_is_renamed_first() -> None:
    steps = _steps(_info(renamed_from="Slate", changed=("x",), removed=("y",)))
    assert [step.split(" ")[1] for step in steps] == ["You", "Rename", "Delete", "Unzip"]
    assert steps[1] == "2. Rename your folder “Slate” to “Slate Choir”."


@pytest.mark.parametrize(
    ("paths", "name"),
    [
        (["Licence.txt", "Notes/UPDATE.txt"], "UPDATE.txt"),
        (["UPDATE.txt"], "UPDATE 1.txt"),
        (["update.TXT/inner.wav", "UPDATE 1.txt"], "UPDATE 2.txt"),
    ],
)
def test_the_readme_takes_the_name_of_no_file(paths: list[str], name: str) -> None:
    assert note_name(paths) == name
