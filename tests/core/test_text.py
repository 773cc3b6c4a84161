"""Text from strangers' disks: nothing in it moves a cursor, turns a line round or stops the printing."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from companion.core.text import has_invisible, listed, plural, same_name_key, shorten, visible, visible_lines

ANY = st.text(st.characters(codec=None, categories=None), max_size=60)
"""Any code points at all, lone surrogates and controls among them."""
ODD = st.text(st.sampled_from("ab \\\x00\x07\x1b\x7f\x9b\n\r\t\u202e\u2066\u200f\u2028\ud800\udcff\ufeff\u3164é[@/]"))

BIDI_CONTROL = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Bidi_Control in PropList.txt, Unicode 15."""


@given(st.one_of(ANY, ODD))
@example("\x1b]8;;http://x\x07Brass\x1b]8;;\x07.wav")
@example("Pad \u202evaw.exe")
@example("caf\udce9.wav")
def test_what_is_shown_is_one_line_of_plain_characters_that_can_be_written(text: str) -> None:
    shown = visible(text)
    shown.encode("utf-8")
    assert not [char for char in shown if unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp")]
    assert not set(shown) & set(BIDI_CONTROL)
    assert len(shown.splitlines()) <= 1
    assert visible(shown) is shown, "text that is safe stays the same object"
    assert not has_invisible(shown)


@given(st.text(st.sampled_from("abcé日本🎹 [@click=app.quit]{}$\\/'\"<script>"), max_size=40))
def test_ordinary_text_of_any_script_is_left_alone(text: str) -> None:
    assert visible(text) is text
    assert visible_lines(text) == text
    assert not has_invisible(text)


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("\x1b[2J", "\\x1b[2J"),
        ("a\x9bb", "a\\x9bb"),
        ("\u202egnp.exe", "\\u202egnp.exe"),
        ("caf\udce9", "caf\\udce9"),
        ("a\nb\r\tc", "a\\x0ab\\x0d\\x09c"),
        ("tag\U000e0041", "tag\\U000e0041"),
        ("filler\u3164\uffa0", "filler\\u3164\\uffa0"),
        ("beat\U0001d173", "beat\\U0001d173"),
        ("bom\ufeff", "bom\\ufeff"),
        ("❤️ and 👍🏽", "❤️ and 👍🏽"),
    ],
)
def test_each_kind_of_hostile_character_is_written_out(raw: str, shown: str) -> None:
    assert visible(raw) == shown
    assert has_invisible(raw) == (raw != shown)


@given(st.one_of(ANY, ODD))
def test_several_lines_keep_their_line_feeds_and_tabs_and_nothing_else_that_moves(text: str) -> None:
    shown = visible_lines(text)
    shown.encode("utf-8")
    controls = {char for char in shown if unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp")}
    assert controls <= {"\n", "\t"}
    assert visible_lines(shown) == shown
    assert shown.count("\n") == text.count("\n")


def test_line_ends_of_another_system_do_not_show() -> None:
    assert visible_lines("one\r\ntwo\rthree\n") == "one\ntwo\\x0dthree\n"


@given(ANY)
def test_names_that_normalise_alike_are_one_name(name: str) -> None:
    key = same_name_key(name)
    assert same_name_key(unicodedata.normalize("NFD", name)) == key
    assert same_name_key(unicodedata.normalize("NFC", name)) == key


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("Slate A.wav", "slate a.WAV", True),
        ("Caf\u00e9", "cafe\u0301", True),
        ("STRASSE", "straße", True),
        ("ΣΊΣΥΦΟΣ", "σίσυφος", True),
        ("\u212bngstrom", "ångstrom", True),
        ("Slate A", "Slate B", False),
        ("cafe", "café", False),
        ("a1", "a\u00b9", False),  # compatibility is another matter: the two lie side by side on every disk
    ],
)
def test_which_names_are_twins(one: str, other: str, same: bool) -> None:
    assert (same_name_key(one) == same_name_key(other)) is same


@given(st.text("abcdef", max_size=40), st.integers(1, 40))
def test_a_shortened_text_fits_and_keeps_both_ends(text: str, width: int) -> None:
    short = shorten(text, width)
    assert len(short) == min(len(text), width)
    if len(text) > width:
        head, tail = short.split("…")
        assert text.startswith(head)
        assert text.endswith(tail)
        assert abs(len(head) - len(tail)) <= 1
    else:
        assert short == text


def test_counting_and_listing() -> None:
    assert [plural(0, "sample"), plural(1, "sample"), plural(2000, "sample")] == [
        "0 samples",
        "1 sample",
        "2,000 samples",
    ]
    assert plural(3, "patch", "patches") == "3 patches"
    assert [listed([]), listed(["a"]), listed(["a", "b"])] == ["", "a", "a and b"]
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(("a", "b", "c", "d")) == "a, b, c and 1 more"
    assert listed(["a", "b", "c"], 2, "or") == "a, b or 1 more"
