"""A path as it is typed, pasted or dragged into a terminal."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from companion.core.pasted import place_of, places_of


@pytest.mark.parametrize(
    ("given", "place"),
    [
        ("/tmp/a b.wav", "/tmp/a b.wav"),
        ("  '/tmp/a b.wav' ", "/tmp/a b.wav"),
        ('"/tmp/a b.wav"', "/tmp/a b.wav"),
        ("file:///tmp/a%20b.wav", "/tmp/a b.wav"),
        ("FILE://localhost/tmp/a.wav", "/tmp/a.wav"),
        ("file://elsewhere/a.wav", "file://elsewhere/a.wav"),
        ("~nobody-of-that-name/a.wav", "~nobody-of-that-name/a.wav"),
        ("a.wav", "a.wav"),
        (r"C:\a b\c.wav", r"C:\a b\c.wav"),
        (r"\\host\c.wav", r"\\host\c.wav"),
    ],
)
def test_a_path_is_read_as_it_was_meant(given: str, place: str) -> None:
    assert place_of(given) == Path(place)


@pytest.mark.parametrize("given", ["", "  ", "''", '""'])
def test_nothing_is_no_place(given: str) -> None:
    assert place_of(given) is None


def test_a_home_is_found(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    assert place_of("~/a.wav") == tmp_path / "a.wav"


@pytest.mark.skipif(os.name == "nt", reason="a backslash is a separator there")
def test_backslashes_of_a_terminal_are_taken_away_and_those_of_a_name_are_not(tmp_path: Path) -> None:
    assert place_of(f"{tmp_path}/a\\ b\\(1\\).wav ") == tmp_path / "a b(1).wav"
    odd = tmp_path / "a\\ b.wav"
    odd.touch()
    assert place_of(str(odd)) == odd


def test_several_that_were_dragged_in_together_are_several_where_all_are_there(tmp_path: Path) -> None:
    one, two = tmp_path / "a b.txt", tmp_path / "c.wav"
    one.touch()
    assert places_of(f"'{one}' {two}") == [place_of(f"'{one}' {two}")]
    two.touch()
    assert places_of(f"'{one}' {two}") == [one, two]
    assert places_of(str(one)) == [one]
    assert places_of(f"{tmp_path}/it's") == [tmp_path / "it's"], "a quote that nothing closes"
    assert places_of("  ") == []
