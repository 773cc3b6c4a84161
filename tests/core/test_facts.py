"""The facts: what reads as facts, what is refused, and in which words."""

from __future__ import annotations

import time
import tomllib
from typing import Any

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.core.facts import (
    Control,
    Engine,
    Facts,
    Instrument,
    Layer,
    Limits,
    Waiver,
    facts_from_plain,
    facts_from_toml,
    facts_to_plain,
)
from companion.core.toml import DEEPEST, parse_toml


def refusal(text: str) -> str:
    with pytest.raises(CompanionError) as caught:
        facts_from_toml(text)
    assert "\n" not in caught.value.line
    return caught.value.line


ORDINARY = """
[instrument]
title = "Slate Choir"
version = "1.2"
maker = "Quay Room"
tags = ["slate", "struck", "hummed"]

[engine]
name = "Example Engine"
saved_with = "7.1.2"
systems = ["windows", "macos"]

[naming]
pattern = "{layer}_{note}_v{velocity}_rr{take}"
middle_c = "C3"

[[layers]]
name = "Struck"
files = ["Samples/Struck/*.wav"]
high_key = 96

[[controls]]
name = "Air"
cc = 21
rest = 0.5

[limits]
true_peak_dbtp = -1
upload_bytes = 2_000_000_000

[[waivers]]
rule = "hum"
path = "Samples/Struck/C3.wav"
reason = "the room has it"
"""


def test_ordinary_facts_are_read_as_they_stand() -> None:
    facts = facts_from_toml(ORDINARY)
    assert facts.instrument.title == "Slate Choir"
    assert facts.instrument.tags == ("slate", "struck", "hummed")
    assert facts.engine.systems == ("windows", "macos")
    assert facts.layers == (Layer(name="Struck", files=("Samples/Struck/*.wav",), high_key=96),)
    assert facts.controls == (Control(name="Air", cc=21, rest=0.5),)
    assert facts.limits.true_peak_dbtp == -1.0
    assert facts.limits.voices is None
    assert facts.waivers[0].reason == "the room has it"
    assert facts_from_plain(facts_to_plain(facts)) == facts


def test_an_empty_file_holds_empty_facts() -> None:
    assert facts_from_toml("") == Facts()
    assert facts_from_toml("# nothing yet\n") == Facts()


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('titel = "x"', "“titel”"),
        ('[instrument]\ntitel = "x"', "“instrument.titel”"),
        ("[engin]", "“engin”"),
        ('[[layers]]\nname = "Low"\nlow = 3', "“layers[0].low”"),
        ('[[controls]]\nname = "A"\n[[controls]]\nname = "B"\nCC = 3', "“controls[1].CC”"),
    ],
)
def test_a_key_nobody_knows_is_named_with_its_place(text: str, key: str) -> None:
    assert refusal(text).startswith(f"unknown key {key} (release.toml).")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[instrument]\ntitle = true", "“instrument.title”: expected text, found true or false"),
        ("[instrument]\nversion = 1.0", "“instrument.version”: expected text, found a number"),
        ("[instrument]\nversion = 2024-01-31", "“instrument.version”: expected text, found a date"),
        ('[instrument]\ntags = "slate"', "“instrument.tags”: expected a list, found text"),
        ("[instrument]\ntags = [1]", "“instrument.tags[0]”: expected text, found a whole number"),
        ('instrument = "Slate Choir"', "“instrument”: expected a table, found text"),
        ('[[layers]]\nname = "A"\nlow_key = 1.5', "“layers[0].low_key”: expected a whole number, found a number"),
        ("[limits]\nvoices = 2.0", "“limits.voices”: expected a whole number, found a number"),
        ('[limits]\nnoise_dbfs = "-60"', "“limits.noise_dbfs”: expected a number, found text"),
        ('[naming]\nmiddle_c = "C6"', "“naming.middle_c”: expected “C3”, “C4” or “C5”, found 'C6'"),
        ('[engine]\nsystems = ["beos"]', "“engine.systems[0]”: expected “windows”, “macos” or “linux”, found 'beos'"),
        ('[[controls]]\nname = "A"\nkind = "dial"', "expected “knob”, “slider”, “switch” or “menu”, found 'dial'"),
        ('[[layers]]\nfiles = ["x"]', "“layers[0]” needs the key “name”"),
        ('[[waivers]]\nrule = "hum"', "“waivers[0]” needs the key “reason”"),
    ],
)
def test_a_wrong_value_is_named_with_what_was_expected_in_plain_words(text: str, told: str) -> None:
    line = refusal(text)
    assert told in line
    assert "`" not in line
    assert "mend that key" in line.lower()


@pytest.mark.parametrize("text", ["x = = 1", "[instrument", 'title = "a', "a = 1\na = 2", "a", "x = " + "9" * 5000])
def test_what_is_no_toml_is_refused_with_the_line(text: str) -> None:
    assert "not valid TOML" in refusal(text)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[limits]\ncover_bytes = 9223372036854775808", "“limits.cover_bytes” is a number of more than 64 bits"),
        ("[limits]\ncover_bytes = -9223372036854775809", "“limits.cover_bytes” is a number of more than 64 bits"),
        ("[limits]\ncover_bytes = 1" + "0" * 400, "“limits.cover_bytes” is a number of more than 64 bits"),
        ("[limits]\ncover_bytes = 0x8000000000000000", "“limits.cover_bytes” is a number of more than 64 bits"),
        ("[[controls]]\nname = 'a'\nkind = 'knob'\ncc = 1" + "0" * 30, "“controls.cc” is a number of more"),
        ("[engine]\nsystems = [1, [18446744073709551616]]", "“engine.systems” is a number of more"),
    ],
)
def test_a_number_that_toml_cannot_hold_is_named(text: str, told: str) -> None:
    """TOML 1.0.0, Integer: 64 bits with a sign; "if an integer cannot be represented losslessly, an error"."""
    assert told in refusal(text)


@pytest.mark.parametrize("number", [(1 << 63) - 1, -(1 << 63)])
def test_the_largest_numbers_of_toml_are_read(number: int) -> None:
    assert facts_from_toml(f"[limits]\ncover_bytes = {number}").limits.cover_bytes == number


def test_hostile_text_in_an_unknown_key_is_shown_inert() -> None:
    line = refusal('"\\u001b[31m\\u202e" = 1')
    assert "\x1b" not in line
    assert "\\x1b[31m\\u202e" in line


HOSTILE = {
    "brackets": "x = " + "[" * 500 + "]" * 500,
    "spaced brackets": "x = " + "[ " * 500 + "]" * 500,
    "brackets on lines of their own": "x = " + "[ # c\n" * 500 + "]" * 500,
    "brackets among texts": "x = " + '["[a]", ' * 500 + "]" * 500,
    "brackets behind closed ones": "x = " + "[[], " * 500 + "]" * 500,
    "inline tables": "x = " + "{a = " * 500 + "1" + "}" * 500,
    "inline tables and lists": "x = " + "{a = [" * 300 + "1" + "]}" * 300,
    "brackets behind a text": 'a = """]]]"""\nb = \'[\'\nx = ' + "[" * 500,
    "dotted key": "a." * 20_000 + "b = 1",
    "dotted table": "[" + "a." * 20_000 + "b]",
    "quoted dotted key": '"x y"."z" . ' * 4_000 + "b = 1",
    "dotted key in an inline table": "x = {" + "a." * 20_000 + "b = 1}",
    "16 MB of tables": "[a]\n" * 4_000_000,
    "16 MB of text": 'x = "' + "a" * (16 << 20) + '"',
    "many lines": "\n" * 20_001,
}


@pytest.mark.parametrize("name", HOSTILE)
def test_what_only_an_attack_would_hold_is_refused_at_once(name: str) -> None:
    began = time.thread_time()
    line = refusal(HOSTILE[name])
    assert time.thread_time() - began < 0.2
    assert "deeper than facts ever do" in line or "far too large" in line


LONG = 1 << 18


@pytest.mark.parametrize(
    "text",
    [
        "a" * LONG,
        '"' * LONG,
        "'" * LONG,
        "'\"-" * (LONG // 4),
        'x = """' + '""\\' * (LONG // 4),
        "a" + " " * LONG + ".",
        ("a" * 100 + "\n") * (LONG // 100),
        "#" * LONG,
        "x = " + "[]" * (LONG // 2),
        '"\\' * (LONG // 2),
    ],
)
def test_no_text_keeps_the_guard_busy(text: str) -> None:
    began = time.thread_time()
    with pytest.raises(CompanionError):
        facts_from_toml(text + "\n=")
    assert time.thread_time() - began < 1.5, "one pass; what is not takes minutes for this much"


INNOCENT = {
    "30 waivers on one line": "waivers = ["
    + ", ".join(f'{{rule = "hum", path = "Samples/[rr{n}].wav", reason = "r"}}' for n in range(30))
    + "]",
    "30 layers on one line": "layers = ["
    + ", ".join(f'{{name = "L{n}", files = ["Samples/L{n}/*.wav", "More/L{n}/*.wav"]}}' for n in range(30))
    + "]",
    "200 layers on lines": "layers = [\n"
    + "".join(f'  {{name = "L{n}", files = ["Samples/L{n}/*.wav"]}}, # [{n}]\n' for n in range(200))
    + "]",
    "300 layer tables": "".join(f'[[layers]]\nname = "L{n}"\nfiles = ["a", "b"]\n\n' for n in range(300)),
    "dots in a text": '[instrument]\nsummary = "a.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p"',
    "a long version": '[instrument]\nversion = "1.2.3.4.5.6.7.8.9.10.11.12.13.14.15.16"',
    "an address": '[instrument]\ncontact = "https://a.b.c.d.e.f.g.h.i.j.k.l.example.org/x.y/z.html?a[]=1&b[]=2"',
    "many sentences": '[instrument]\ndescription = "' + "One. Two. " * 60 + '"',
    "trailing dots": '[instrument]\nsummary = "wait' + "." * 60 + '"',
    "brackets in a text": '[instrument]\ndescription = "' + "[x] (y) {z} " * 60 + '"',
    "only opening brackets in a text": '[instrument]\ndescription = "' + "[{" * 60 + '"',
    "brackets in a literal text": "[instrument]\ndescription = '" + "[[{{" * 30 + "'",
    "brackets behind an escaped quote": '[instrument]\ndescription = "\\"' + "[" * 60 + '\\""',
    "brackets in lines of text": '[instrument]\ndescription = """\n' + "- [a] [b [c {d\n" * 40 + '"""',
    "quotes and brackets in lines of text": '[instrument]\ndescription = """\n""[[[[[[["" \\""" [[[[[[[[\n""""',
    "an escaped quote before brackets": '[instrument]\ndescription = """a \\" b\n' + "[ [ [\n" * 20 + '"""',
    "brackets in literal lines": "[instrument]\ndescription = '''\n''" + "[[ a.b.c\n" * 40 + "'''",
    "a comment of brackets": "# " + "[" * 60 + "\n# a.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p.q = [\n[instrument]\n",
    "a quote in a comment": '# it is "\n[instrument]\ntitle = "x" # don\'t ' + "[" * 40,
    "40 tags": "[instrument]\ntags = [" + ", ".join(f'"[t{n}]"' for n in range(40)) + "]",
    "patterns with classes": "[contents]\ninclude = [" + ", ".join(f'"[a-c]{n}*.w.a.v"' for n in range(40)) + "]",
    "numbers with points": "[[controls]]\nname = 'x'\nlow = -1.5\nhigh = 2.5e3\nrest = 0.0",
    "Windows line ends": '[instrument]\r\ntitle = "x"\r\n[engine]\r\nname = "y"\r\n',
    "a long description": '[instrument]\ndescription = """' + "Slabs of slate [struck], brushed. " * 5_000 + '"""',
    "dotted keys": 'instrument.title = "x"\nengine.name = "y"\n' + "engine . systems = []",
}


@pytest.mark.parametrize("name", INNOCENT)
def test_what_a_maker_may_well_write_is_let_through(name: str) -> None:
    assert facts_from_toml(INNOCENT[name]) == facts_from_plain(tomllib.loads(INNOCENT[name]))


def test_the_guard_stands_exactly_at_its_limit() -> None:
    deep, deeper = ("x = " + "[" * n + "]" * n for n in (DEEPEST, DEEPEST + 1))
    assert parse_toml(deep, "here")["x"] is not None
    with pytest.raises(CompanionError, match="deeper"):
        parse_toml(deeper, "here")
    assert parse_toml("a." * (DEEPEST - 1) + "b = 1", "here")["a"] is not None
    with pytest.raises(CompanionError, match="deeper"):
        parse_toml("a." * DEEPEST + "b = 1", "here")


def depth(value: Any) -> int:
    if isinstance(value, dict):
        return 1 + max(map(depth, value.values()), default=0)
    return 1 + max(map(depth, value), default=0) if isinstance(value, list) else 0


PIECES = ["[", "]", "{", "}", '"', '""', '"""', "'", "'''", "\\", "\n", "#", "a", ".", "=", ",", " ", "a = ", "1"]


@settings(max_examples=200)
@given(st.lists(st.sampled_from(PIECES), max_size=40).map("".join))
@example('a = """"[["""" ')
@example("a = ''''[[''''")
@example('a = [""", [[[""", "]"]')
@example("a = '\\'\nb = [[[[[[[[[[[[[[]]]]]]]]]]]]]]")
def test_the_guard_sees_texts_and_comments_where_the_parser_sees_them(text: str) -> None:
    """Where the parser reads a text as TOML, the guard may refuse it only for being deep, and must if it is."""
    try:
        plain = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return
    if depth(plain) - 1 <= DEEPEST:  # the outermost table has no bracket
        assert parse_toml(text, "here") == plain
    else:
        with pytest.raises(CompanionError):
            parse_toml(text, "here")


words = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=8)
key = st.integers(0, 127)
some_facts = st.builds(
    Facts,
    instrument=st.builds(Instrument, title=words, tags=st.lists(words, max_size=3).map(tuple)),
    engine=st.builds(Engine, name=words, systems=st.sampled_from([(), ("linux",), ("windows", "macos")])),
    layers=st.lists(st.builds(Layer, name=words, low_key=key, high_key=key), max_size=2).map(tuple),
    controls=st.lists(
        st.builds(Control, name=words, cc=st.none() | key, low=st.floats(-9, 9), rest=st.just(0.0)), max_size=2
    ).map(tuple),
    limits=st.builds(Limits, dc_offset=st.none() | st.just(0.0), voices=st.none() | st.integers(0, 9)),
    waivers=st.lists(st.builds(Waiver, rule=words, reason=words), max_size=2).map(tuple),
)


@settings(max_examples=50)
@given(some_facts)
def test_facts_survive_being_plain_and_nothing_empty_is_written(facts: Facts) -> None:
    plain = facts_to_plain(facts)
    assert facts_from_plain(plain) == facts

    def filled(value: Any) -> bool:
        if isinstance(value, dict):
            return all(item not in (None, "", [], {}, ()) and filled(item) for item in value.values())
        return all(map(filled, value)) if isinstance(value, list) else True

    assert filled(plain)


def test_facts_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        Facts().instrument.title = "other"  # type: ignore[misc]
    assert msgspec.structs.replace(Facts().instrument, title="other").title == "other"
