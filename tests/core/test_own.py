"""What a person likes is kept on their computer, apart from every folder, and a broken file costs nothing."""

from __future__ import annotations

from pathlib import Path

import platformdirs
import pytest

from companion.core.errors import CompanionError
from companion.core.own import choice, keep_choice, own_folder


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "made" / "when needed"
    monkeypatch.setenv("COMPANION_HOME", str(place))
    return place


def test_choices_are_kept_side_by_side(home: Path) -> None:
    assert choice("colours") == ""
    assert not home.exists(), "nothing is made by asking"
    keep_choice("colours", "light")
    keep_choice("other", "x")
    keep_choice("colours", "dark")
    assert (choice("colours"), choice("other"), choice("none")) == ("dark", "x", "")


@pytest.mark.parametrize(
    "kept", [b"", b"[]", b"\xff\xfe", b'{"colours": 3}', b"[" * 60_000, b'{"a": "' + b"x" * 70_000]
)
def test_what_cannot_be_read_counts_as_not_chosen(home: Path, kept: bytes) -> None:
    home.mkdir(parents=True)
    (home / "choices.json").write_bytes(kept)
    assert choice("colours") == ""
    keep_choice("colours", "light")
    assert choice("colours") == "light"


def test_a_disk_that_takes_nothing_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("COMPANION_HOME", str(tmp_path / "file" / "inside"))
    with pytest.raises(CompanionError, match="holds until you quit, and is not kept"):
        keep_choice("colours", "light")


def test_without_a_word_it_lies_where_the_system_keeps_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COMPANION_HOME")
    assert own_folder() == platformdirs.user_config_path("release-companion", appauthor=False)
