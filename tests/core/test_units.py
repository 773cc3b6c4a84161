"""Numbers as people read them."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from companion.core.units import binary_bytes, both_bytes, decimal_bytes, duration, level, note_name, read_note

MIDDLE_C = ("C3", "C4")
SI = {"B": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "PB": 10**15}
IEC = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40, "PiB": 2**50}
"""The values of the prefixes: IEC 80000-13:2008, clause 4 (binary) and the SI brochure, table 7 (decimal)."""


def told(text: str, prefixes: dict[str, int]) -> tuple[float, str]:
    number, unit = text.split(" ")
    return float(number.replace(",", "")) * prefixes[unit], unit


@given(st.integers(0, 10**18))
@example(999)
@example(1000)
@example(999_499)
@example(999_500)
@example(999_999)
@example(9_995)
@example(1023)
@example(1024)
@example(1024 * 1024 - 1)
def test_sizes_are_true_to_half_of_the_last_figure_shown_and_in_the_right_unit(count: int) -> None:
    for text, prefixes, base in ((decimal_bytes(count), SI, 1000), (binary_bytes(count), IEC, 1024)):
        value, unit = told(text, prefixes)
        figure = text.split(" ")[0]
        step = 10.0 ** -len(figure.partition(".")[2])
        assert abs(value - count) <= 0.5001 * step * prefixes[unit]
        assert unit == "PB" or unit == "PiB" or float(figure.replace(",", "")) < base
        assert unit == "B" or float(figure) >= 1


@pytest.mark.parametrize(
    ("count", "decimal", "binary"),
    [
        (0, "0 B", "0 B"),
        (999, "999 B", "999 B"),
        (1000, "1.00 kB", "1,000 B"),
        (1024, "1.02 kB", "1.00 KiB"),
        (9_997, "10.0 kB", "9.76 KiB"),
        (99_960, "100 kB", "97.6 KiB"),
        (999_999, "1.00 MB", "977 KiB"),
        (1_048_575, "1.05 MB", "1.00 MiB"),
        (1_250_000_000, "1.25 GB", "1.16 GiB"),
        (20 * 10**9, "20.0 GB", "18.6 GiB"),
        (123_456_789, "123 MB", "118 MiB"),
    ],
)
def test_sizes_as_written(count: int, decimal: str, binary: str) -> None:
    assert decimal_bytes(count) == decimal
    assert binary_bytes(count) == binary
    assert both_bytes(count) == (decimal if count < 1000 else f"{decimal} ({binary})")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0.0 s"),
        (0.04, "0.0 s"),
        (0.84, "0.8 s"),
        (9.94, "9.9 s"),
        (9.96, "10 s"),
        (42.4, "42 s"),
        (59.4, "59 s"),
        (59.7, "1 min 00 s"),
        (60, "1 min 00 s"),
        (185, "3 min 05 s"),
        (3599.4, "59 min 59 s"),
        (3599.7, "1 h 00 min"),
        (7800, "2 h 10 min"),
        (7859, "2 h 10 min"),
        (90000, "25 h 00 min"),
    ],
)
def test_durations_at_their_edges(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@given(st.floats(0, 1e6))
def test_no_duration_shows_sixty_of_anything(seconds: float) -> None:
    text = duration(seconds)
    assert not re.search(r"\b60 (?:s|min)\b", text)
    assert text != "10.0 s"


def test_every_midi_note_goes_to_its_name_and_back() -> None:
    """A name is read as if middle C were C4; where it is C3 the same name lies an octave higher."""
    for middle_c, higher in (("C4", 0), ("C3", 12)):
        names = [note_name(number, middle_c) for number in range(128)]
        assert len(set(names)) == 128
        read = [read_note(name) for name in names if name[-2:] != "-2"]
        assert read == [(number - higher, True) for number in range(128) if number >= higher]
        assert read == [read_note(name.lower().replace("#", "♯")) for name in names if name[-2:] != "-2"]


def test_the_two_conventions_are_an_octave_apart_everywhere() -> None:
    assert note_name(60, "C3") == "C3"
    assert note_name(60, "C4") == "C4"
    assert read_note("A4") == (69, True)  # 440 Hz, ISO 16
    assert note_name(0, "C3") == "C-2"
    assert read_note("C-2") == (-12, True)
    assert note_name(127, "C4") == "G9"


@pytest.mark.parametrize(
    ("name", "number"), [("Db4", 61), ("D♭4", 61), ("C♯4", 61), ("Cs4", 61), ("Cb4", 59), ("B#3", 60), ("e4", 64)]
)
def test_spellings_of_a_note(name: str, number: int) -> None:
    assert read_note(name) == (number, True)


@pytest.mark.parametrize(("digits", "number"), [("0", 0), ("60", 60), ("127", 127), ("128", None)])
def test_digits_are_the_number_itself(digits: str, number: int | None) -> None:
    assert read_note(digits) == (number, False)


@pytest.mark.parametrize("name", ["", "H3", "C", "-3", "C##3", "C30", "Cm3", "C3 4", "Choir", "３", "C３", "C--1"])
def test_what_is_no_note_is_none(name: str) -> None:
    assert read_note(name) == (None, False)


def test_levels() -> None:
    assert level(20 * math.log10(0.5)) == "−6.0 dBFS"
    assert level(1.25, "dBTP") == "1.2 dBTP"
    assert level(-0.04) == "0.0 dBFS"
    assert level(-0.06) == "−0.1 dBFS"
    assert (level(-math.inf), level(math.inf, "LUFS")) == ("−∞ dBFS", "+∞ LUFS")
