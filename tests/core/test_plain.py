"""Plain twins: whatever a terminal cannot show is written so that it can be read, and nothing ends a run."""

from __future__ import annotations

import ctypes
import io
import os
import unicodedata
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from companion.core import plain
from companion.core.plain import ERRORS, TWINS, Charset, twin
from companion.steps.model import State
from tests.core.windows import on_windows

SIGNS = "".join(chr(point) for point in (*range(0xA0, 0x2FFF), 0xD800, 0xDCFF, 0x1F7E2, 0x6D1E, 0xFFFD))
NOT_SHOWN = "✅🟢"
"""Signs that are only looked for in what others wrote."""


@pytest.mark.parametrize("encoding", ["ascii", "cp437", "cp1252", "latin-1", "koi8-r", "shift_jis", "utf-8"])
def test_every_sign_is_written_in_every_encoding(encoding: str) -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding)
    plain.prepare(stream)
    stream.write(SIGNS)
    stream.flush()
    shown = Charset(encoding).shown(SIGNS)
    if encoding == "utf-8":
        assert shown == SIGNS, "what is shown is not touched; lone halves are the stream's to write"
        assert "\\udcff" in raw.getvalue().decode("utf-8")
    else:
        assert shown.encode(encoding, "strict").decode(encoding) == raw.getvalue().decode(encoding)


def test_names_stay_told_apart() -> None:
    ascii_ = Charset("ascii")
    assert ascii_.shown("höhle 洞 ✓ “x” 1–2 … −3 dB") == 'h\\xf6hle \\u6d1e + "x" 1-2 ... -3 dB'
    assert ascii_.shown("plain") == "plain"
    assert Charset("cp437").shown("höhle ✓ ■ ≤") == "höhle + ■ ≤", "what is there stays"
    assert Charset("cp1252").shown("“x” … − ✗") == "“x” … - x"


@pytest.mark.parametrize(
    ("terminal", "text", "shown"),
    [
        ("xterm", "é ✓ ■", "é ✓ ■"),
        ("linux", "é ✓ ■ 洞", "é + ■ 洞"),  # its font is not asked about names
        ("dumb", "é ✓ ■ 洞", "é + # 洞"),
        ("", "é ✓", "é ✓"),
    ],
)
def test_a_terminal_is_known_by_its_name(terminal: str, text: str, shown: str) -> None:
    assert Charset("utf-8", terminal).shown(text) == shown


@pytest.mark.parametrize("encoding", ["", "nonsense"])
def test_an_encoding_nobody_knows_is_taken_for_the_least(encoding: str) -> None:
    assert Charset(encoding).shown("✓") == "+"


def test_a_twin_in_a_cell_is_as_wide_as_what_it_stands_for() -> None:
    from rich.cells import cell_len

    cells = Charset("ascii").cells
    for sign in TWINS:
        assert len(cells(sign)) == cell_len(sign) == 1, sign
    assert cells("洞e\u0301") == "??e"
    assert Charset("ascii").named("洞 ≤ … ✓") == "\\u6d1e <= … ✓", "a name is written out, a mark is left to its cell"


def test_what_can_be_shown_is_not_touched() -> None:
    for charset in (Charset("utf-8"), Charset("ascii"), Charset("cp437")):
        for told in (charset.shown, charset.named, charset.cells):
            assert told("plain | text") == "plain | text"
    whole = Charset("utf-8")
    assert whole.whole
    assert whole.shown("✓ 洞") == whole.named("✓ 洞") == whole.cells("✓ 洞") == "✓ 洞"


@pytest.mark.parametrize(
    ("signs", "plain_"), [("┌\u257f", "+"), ("▀\u259f", "#"), ("\u2801\u28ff", "#"), ("\u24ff\u2900洞", "")]
)
def test_frames_blocks_and_braille_have_a_twin_each(signs: str, plain_: str) -> None:
    assert {twin(sign) for sign in signs} == {plain_}


def test_twins_tell_the_states_apart() -> None:
    marks = [twin(state.mark) or state.mark for state in State]
    assert len(set(marks)) == len(State)
    assert all(mark.isascii() and len(mark) == 1 for mark in marks)
    assert all(text.isascii() for text in TWINS.values())


def test_every_mark_of_ours_has_a_twin() -> None:
    package = Path(plain.__file__).parent.parent
    signs = {sign for path in package.rglob("*.py") for sign in path.read_text("utf-8") if not sign.isascii()}
    without = {sign for sign in signs if not unicodedata.category(sign).startswith("L") and not twin(sign)}
    assert without <= set(NOT_SHOWN)


def test_only_what_cannot_be_written_is_stood_in_for() -> None:
    with pytest.raises(UnicodeDecodeError):
        b"\xff".decode("utf-8", ERRORS)


@pytest.mark.skipif(os.name == "nt", reason="plays another system on this one")
@pytest.mark.parametrize(
    ("told", "family", "tty", "encoding"),
    [
        (1, 0x30, True, "cp437"),  # a font of pixels
        (1, 0x36, True, "utf-8"),  # an outline font
        (1, 0x30, False, "utf-8"),  # no console: a pipe
        (0, 0x30, True, "utf-8"),  # it does not say
    ],
)
def test_a_windows_console_of_old_shows_its_code_page(
    monkeypatch: pytest.MonkeyPatch, told: int, family: int, tty: bool, encoding: str
) -> None:
    def font_of(output: object, largest: bool, font: Any) -> int:
        assert font._obj.size == ctypes.sizeof(font._obj)
        font._obj.family = family
        return told

    kernel = SimpleNamespace(
        GetStdHandle=lambda number: 7, GetCurrentConsoleFontEx=font_of, GetConsoleOutputCP=lambda: 437
    )
    stream = SimpleNamespace(isatty=lambda: tty, encoding="utf-8")
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    plain._page.cache_clear()
    assert plain.charset_of(stream).encoding == "utf-8", "other systems are not asked"
    on_windows(monkeypatch, plain)
    assert plain.charset_of(stream).encoding == encoding
    plain._page.cache_clear()
