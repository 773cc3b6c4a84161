"""Errors for people: one line that says what happened, where, and what to do."""

from __future__ import annotations

import errno
import os
import pickle
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.core.errors import Busy, Cancelled, CompanionError
from companion.core.files import explain_os_error

ANY = st.text(st.characters(codec=None, categories=None), max_size=30)


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (CompanionError("There is no such folder"), "There is no such folder."),
        (CompanionError("It stopped.", "", "try again."), "It stopped. Try again."),
        (CompanionError("It stopped", "a.wav", "try again"), "It stopped (a.wav). Try again."),
        (CompanionError("Odd", "", "é first"), "Odd. É first."),
    ],
)
def test_the_line(error: CompanionError, line: str) -> None:
    assert error.line == line
    assert str(error) == line


@given(ANY, ANY, ANY)
def test_whatever_is_in_it_the_line_is_one_line_that_can_be_printed(what: str, where: str, do: str) -> None:
    line = CompanionError(what, where, do).line
    line.encode("utf-8")
    assert not [char for char in line if unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp")]


def test_hostile_names_are_shown_for_what_they_are() -> None:
    error = CompanionError("Could not read “\x1b]0;owned\x07.wav”", "x/\u202egnp.wav", "rename caf\udce9.wav\nnow")
    assert error.what == "Could not read “\\x1b]0;owned\\x07.wav”"
    assert error.where == "x/\\u202egnp.wav"
    assert error.line.endswith("Rename caf\\udce9.wav\\x0anow.")


def test_exit_codes_follow_the_contract() -> None:
    assert CompanionError("x").exit_code == 2
    assert Busy("x").exit_code == 2
    assert Cancelled().exit_code == 130
    assert "nothing was changed" in Cancelled().line


def test_an_error_comes_back_whole_from_another_process() -> None:
    error = pickle.loads(pickle.dumps(CompanionError("It stopped", "a.wav", "try again")))
    assert (error.what, error.where, error.do, error.line) == (
        "It stopped",
        "a.wav",
        "try again",
        "It stopped (a.wav). Try again.",
    )


@pytest.mark.parametrize(
    ("number", "advice"),
    [
        (errno.ENOSPC, "free some space"),
        (errno.EDQUOT, "your quota"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "permissions"),
        (errno.EIO, "the disk reports a fault"),
        (errno.ENOENT, "check the name"),
        (errno.ENAMETOOLONG, "shorter"),
        (errno.EBUSY, "try again"),
    ],
)
def test_what_the_system_says_comes_with_what_to_do(number: int, advice: str) -> None:
    error = explain_os_error(OSError(number, os.strerror(number)), "write", Path("releases/a.zip"))
    assert error.line.startswith(f"Could not write: {os.strerror(number)} (")
    assert "a.zip" in error.where
    assert advice in error.do


def test_an_error_without_a_number_is_told_by_its_kind() -> None:
    assert "TimeoutError" in explain_os_error(TimeoutError(), "read", Path("a")).line
