"""Numbers as people read them: bytes, durations, levels, notes."""

import math
import re
from typing import Final

_DECIMAL: Final = ("B", "kB", "MB", "GB", "TB", "PB")
_BINARY: Final = ("B", "KiB", "MiB", "GiB", "TiB", "PiB")
_STEPS: Final = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NAMES: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_GERMAN: Final = ("C", "Cis", "D", "Dis", "E", "F", "Fis", "G", "Gis", "A", "B", "H")
_ACCIDENTALS: Final = {"": 0, "#": 1, "♯": 1, "s": 1, "b": -1, "♭": -1}
NOTE_NAME: Final = r"[A-Ga-g][#♯♭sb]?-?[0-9](?![0-9])"
"""A regular expression for a note name: a letter, a sharp or flat, an octave."""


def _scaled(count: int, base: int, names: tuple[str, ...]) -> str:
    value, index = float(count), 0
    # Three significant figures read as a size, not as a measurement; what rounds up to the next unit is told in it.
    while value >= base - (0.5 if index else 0) and index < len(names) - 1:
        value, index = value / base, index + 1
    if index == 0:
        return f"{count:,} {names[0]}"
    places = 2 if value < 9.995 else 1 if value < 99.95 else 0
    return f"{value:.{places}f} {names[index]}"


def decimal_bytes(count: int) -> str:
    """Return bytes in powers of 1000 (IEC 80000-13, SI prefixes), such as ``1.25 GB``."""
    return _scaled(count, 1000, _DECIMAL)


def binary_bytes(count: int) -> str:
    """Return bytes in powers of 1024 (IEC 80000-13, binary prefixes), such as ``1.16 GiB``."""
    return _scaled(count, 1024, _BINARY)


def both_bytes(count: int) -> str:
    """Return both readings, since systems differ in which one they show: ``1.25 GB (1.16 GiB)``."""
    return decimal_bytes(count) if count < 1000 else f"{decimal_bytes(count)} ({binary_bytes(count)})"


def duration(seconds: float) -> str:
    """Return a span of time at the precision a person wants: ``0.8 s``, ``42 s``, ``3 min 05 s``, ``2 h 10 min``."""
    if seconds < 9.95:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def level(value: float, unit: str = "dBFS") -> str:
    """Return a level with its unit and a true minus sign: ``−3.2 dBFS``."""
    if math.isinf(value):
        return f"−∞ {unit}" if value < 0 else f"+∞ {unit}"
    return f"{round(value, 1) + 0.0:.1f} {unit}".replace("-", "−")  # + 0.0: no minus before a zero


def read_note(text: str) -> tuple[int | None, bool]:
    """Return (note under middle C = C4, whether its octave depends on the convention); (None, False) for no note.

    Digits are a MIDI number, 0–127. MIDI 1.0 itself names no octaves: where middle C is C3 a name lies 12 higher.
    """
    if text.isascii() and text.isdigit():
        return (int(text) if int(text) <= 127 else None), False
    if not re.fullmatch(NOTE_NAME, text):
        return None, False
    name = text.rstrip("0123456789").rstrip("-")
    return 12 * (int(text[len(name) :]) + 1) + _STEPS[name[0].upper()] + _ACCIDENTALS[name[1:]], True


def note_name(number: int, middle_c: str = "C3", language: str = "") -> str:
    """Return the name of a MIDI note number under an octave convention: ``60`` is ``C3`` or ``C4``.

    language: ``german`` for names in which 59 is an H.
    """
    names = _GERMAN if language == "german" else _NAMES
    return f"{names[number % 12]}{number // 12 - 5 + int(middle_c[1:])}"
