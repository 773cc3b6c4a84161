"""Editing ``release.toml``: one change, and every other line as the maker wrote it."""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

import msgspec
import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.core.facts import Control, Facts, Layer, Waiver, facts_from_toml, facts_to_plain
from companion.core.toml import MOST_BYTES
from companion.steps.deeds.facts_file import edited, read_facts, read_text, with_waiver, without_waiver, write_new

COMMENTED = """# Slate Choir, kept by hand
# (do not sort)

[engine]                       # the host
saved_with = '7.2'             # literal text, on purpose
name       = "Example Engine"
systems = [
    "windows",   # tested at home
    "macos",
]

[instrument]
version = "1.2"
title   = "Slate Choir"   # with a capital C
# who made it
maker   = "Quay Room"
description = \"\"\"
Slabs of slate [struck],
# this is no comment
brushed and hummed over.\"\"\"
tags = ["slate", "choir"]

# The struck layer came first.
[[layers]]
name  = "Struck"               # with the soft mallet
files = ["Samples/Struck/*.wav"]

[[layers]]
# recorded last
name = "Hummed"
low_key = 40                   # lower ones rattle

[[controls]]
name = "Air" # the hiss

[limits]
upload_bytes = 2_000_000_000   # two gigabytes

# why it is let pass: ask Ada
[[waivers]]
rule   = "hum"
path   = "Samples/Struck/C3.wav"
reason = "the room has it"     # 50 Hz
content = "aa"

# the end
"""


def changed_lines(before: str, after: str) -> tuple[list[str], list[str]]:
    """Lines taken out and lines put in."""
    told = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    return [x[2:] for x in told if x.startswith("- ")], [x[2:] for x in told if x.startswith("+ ")]


def held(before: str, after: str) -> bool:
    """Whether each line of ``before`` that is no blank one still stands, in the same order."""
    lines = iter(after.splitlines())
    return all(any(line == other for other in lines) for line in before.splitlines() if line.strip())


def facts_with(key: str, value: Any) -> dict[str, Any]:
    plain = facts_to_plain(facts_from_toml(COMMENTED))
    table, _, name = key.partition(".")
    plain.setdefault(table, {})[name] = value
    return plain


@pytest.mark.parametrize(
    ("key", "value", "out", "put"),
    [
        ("instrument.version", "1.3", ['version = "1.2"'], ['version = "1.3"']),
        (
            "instrument.title",
            "Slate Chorus",
            ['title   = "Slate Choir"   # with a capital C'],
            ['title   = "Slate Chorus"   # with a capital C'],
        ),
        (
            "engine.saved_with",
            "7.3",
            ["saved_with = '7.2'             # literal text, on purpose"],
            ['saved_with = "7.3"             # literal text, on purpose'],
        ),
        (
            "limits.upload_bytes",
            10**9,
            ["upload_bytes = 2_000_000_000   # two gigabytes"],
            ["upload_bytes = 1000000000   # two gigabytes"],
        ),
        ("instrument.tags", ("slate",), ['tags = ["slate", "choir"]'], ['tags = ["slate"]']),
        ("engine.edition", "any", [], ['edition = "any"']),
        ("limits.voices", 64, [], ["voices = 64"]),
        ("limits.upload_bytes", None, ["upload_bytes = 2_000_000_000   # two gigabytes"], []),
        ("instrument.maker", "", ['maker   = "Quay Room"'], []),
        ("instrument.version", "1.2", [], []),
        ("engine.systems", ("windows", "macos"), [], []),
    ],
)
def test_one_key_changes_one_line(key: str, value: Any, out: list[str], put: list[str]) -> None:
    after = edited(COMMENTED, {key: value})
    assert changed_lines(COMMENTED, after) == (out, put)
    table, _, name = key.partition(".")
    told = getattr(getattr(facts_from_toml(after), table), name)
    assert told == (value if value not in (None, "") else getattr(getattr(Facts(), table), name))


text_values = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=30)
TEXT_KEYS = (
    "instrument.title",
    "instrument.version",
    "instrument.maker",
    "instrument.summary",
    "instrument.contact",
    "instrument.rights",
    "engine.name",
    "engine.saved_with",
    "engine.edition",
    "naming.pattern",
)


@settings(max_examples=40)
@given(st.sampled_from(TEXT_KEYS), text_values)
def test_whatever_is_written_under_one_key_all_other_lines_stay(key: str, value: str) -> None:
    after = edited(COMMENTED, {key: value})
    table, _, name = key.partition(".")
    told = facts_from_toml(after)
    assert getattr(getattr(told, table), name) == (value.replace("\r\n", "\n") if "\n" in value else value)
    assert facts_to_plain(told) == {**facts_with(key, getattr(getattr(told, table), name))}
    out, _ = changed_lines(COMMENTED, after)
    assert len(out) <= 1, "at most the line of the key itself"
    assert all(line.startswith(name) for line in out)
    rest = COMMENTED if not out else COMMENTED.replace(out[0] + "\n", "", 1)
    assert held(rest, after)
    assert edited(after, {key: value}) == after, "the same edit again is none"


def test_several_keys_at_once_and_tables_that_are_not_there_yet() -> None:
    after = edited(COMMENTED, {"naming.middle_c": "C3", "naming.pattern": "{note}", "instrument.summary": "Slate."})
    assert held(COMMENTED, after)
    facts = facts_from_toml(after)
    assert (facts.naming.middle_c, facts.naming.pattern, facts.instrument.summary) == ("C3", "{note}", "Slate.")


def test_layers_and_controls_are_edited_one_by_one() -> None:
    layers = facts_from_toml(COMMENTED).layers
    hummed = msgspec.structs.replace(layers[1], low_key=41)
    new = Layer(name="Brushed", files=("Samples/Brushed/*.wav",), round_robins=3)
    plain = [msgspec.to_builtins(layer) for layer in (layers[0], hummed, new)]
    after = edited(COMMENTED, {"layers": plain})
    assert facts_from_toml(after).layers == (layers[0], hummed, new)
    out, put = changed_lines(COMMENTED, after)
    assert out == ["low_key = 40                   # lower ones rattle"]
    assert "low_key = 41                   # lower ones rattle" in put
    for comment in ("# with the soft mallet", "# recorded last", "# The struck layer came first.", "# the hiss"):
        assert comment in after


def test_a_layer_taken_out_takes_only_its_own_lines() -> None:
    hummed = facts_from_toml(COMMENTED).layers[1]
    after = edited(COMMENTED, {"layers": [msgspec.to_builtins(hummed)]})
    assert facts_from_toml(after).layers == (hummed,)
    assert "# recorded last" in after
    assert "# lower ones rattle" in after
    assert "soft mallet" not in after
    assert facts_from_toml(edited(COMMENTED, {"layers": ()})).layers == ()


def test_layers_in_another_order_are_written_anew_and_right() -> None:
    layers = facts_from_toml(COMMENTED).layers[::-1]
    after = edited(COMMENTED, {"layers": [msgspec.to_builtins(layer) for layer in layers]})
    assert facts_from_toml(after).layers == layers
    assert "# with a capital C" in after


@pytest.mark.parametrize(
    "text",
    [
        'layers = [{name = "Struck", high_key = 90}] # short\nwaivers = []\n\n[instrument]\ntitle = "x"\n',
        'layers = [\n  {name = "Struck", high_key = 90}, # one\n]\n[instrument]\ntitle = "x"\n',
        "",
        "# only this\n",
    ],
)
def test_layers_on_one_line_can_be_edited_without_touching_other_facts(text: str) -> None:
    after = edited(text, {"layers": [{"name": "Struck"}, {"name": "Hummed"}]})
    facts = facts_from_toml(after)
    assert facts.layers == (Layer(name="Struck"), Layer(name="Hummed"))
    assert facts.instrument == facts_from_toml(text).instrument
    assert [line for line in text.splitlines() if line.startswith("#")] == [
        x for x in after.splitlines() if x[:1] == "#"
    ]


@pytest.mark.parametrize(
    "text",
    [
        'instrument.title = "x" # dotted\nengine.name = "y"\n',
        'instrument = {title = "x"} # inline\n',
        '[instrument]\ntitle = "x"',
        '[[layers]]\nname = "A"\n',
        "",
    ],
)
def test_every_way_of_writing_toml_can_be_edited(text: str) -> None:
    after = edited(text, {"instrument.title": "new", "instrument.version": "1.0", "engine.minimum": "7.1"})
    facts = facts_from_toml(after)
    assert (facts.instrument.title, facts.instrument.version, facts.engine.minimum) == ("new", "1.0", "7.1")
    assert facts.layers == facts_from_toml(text).layers
    assert facts.engine.name == facts_from_toml(text).engine.name
    assert ("#" in text) == ("#" in after)


def test_line_ends_stay_as_the_file_has_them() -> None:
    windows = COMMENTED.replace("\n", "\r\n")
    after = edited(windows, {"instrument.summary": "two\nlines", "engine.edition": "any"})
    assert after.count("\n") == after.count("\r\n")
    assert facts_from_toml(after).instrument.summary == "two\nlines"
    assert with_waiver(windows, Waiver(rule="a", reason="b")).count("\n") > windows.count("\n")
    assert "\n" not in with_waiver(windows, Waiver(rule="a", reason="b")).replace("\r\n", "")
    assert "\r" not in edited(COMMENTED, {"engine.edition": "any"})


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"instrument.titel": "x"}, "unknown key “instrument.titel”"),
        ({"nonsense.key": "x"}, "unknown key “nonsense”"),
        ({"instrument.title": 3}, "expected text"),
        ({"engine.systems": ("dos",)}, "“windows”, “macos” or “linux”"),
        ({"layers.name": "x"}, "layers"),
        ({"layers": [{"files": ["x"]}]}, "needs the key “name”"),
        ({"instrument.title": "caf\udce9"}, "rename that file first"),
    ],
)
def test_an_edit_that_makes_no_facts_is_refused(changes: dict[str, Any], told: str) -> None:
    with pytest.raises(CompanionError) as caught:
        edited(COMMENTED, changes)
    assert told.lower() in caught.value.line.lower()


@pytest.mark.parametrize("text", ["x = = 1", "[instrument]\ntitel = 1", "x = " + "[" * 500])
def test_a_file_that_is_no_facts_is_not_edited(text: str) -> None:
    with pytest.raises(CompanionError):
        edited(text, {"instrument.title": "x"})
    with pytest.raises(CompanionError):
        with_waiver(text, Waiver(rule="a", reason="b"))
    with pytest.raises(CompanionError):
        without_waiver(text, "a", "")


# -- waivers ----------------------------------------------------------------------------------------------------------

OTHER = Waiver(rule="clipped", path="Samples/[rr1] “é”.wav", reason='as "loud"\nas it was', content="bb")


def test_a_waiver_is_added_behind_the_others_and_taken_out_again() -> None:
    added = with_waiver(COMMENTED, OTHER)
    assert held(COMMENTED, added)
    before = facts_from_toml(COMMENTED)
    assert facts_from_toml(added) == msgspec.structs.replace(before, waivers=(*before.waivers, OTHER))
    taken = without_waiver(added, OTHER.rule, OTHER.path)
    assert facts_from_toml(taken) == before
    assert held(COMMENTED, taken)


def test_a_waiver_given_anew_stays_in_its_place() -> None:
    again = Waiver(rule="hum", path="Samples/Struck/C3.wav", reason="still there", content="cc")
    after = with_waiver(with_waiver(COMMENTED, OTHER), again)
    assert facts_from_toml(after).waivers == (again, OTHER)
    assert 'reason = "still there"     # 50 Hz' in after
    assert "# why it is let pass: ask Ada" in after


def test_a_group_is_written_a_line_a_file_and_brought_up_to_date() -> None:
    group = Waiver(rule="tail-wasteful", path="**", reason="rooms", contents=tuple(f"{n:016x}" for n in range(5)))
    after = with_waiver(COMMENTED, group)
    assert facts_from_toml(after).waivers[-1] == group
    assert held(COMMENTED, after)
    assert [line.strip() for line in after.splitlines() if f"{3:016x}" in line] == [f'"{3:016x}",']
    fewer = msgspec.structs.replace(group, contents=group.contents[:2])
    assert facts_from_toml(with_waiver(after, fewer)).waivers[-1] == fewer
    assert facts_from_toml(without_waiver(after, group.rule, "**")) == facts_from_toml(COMMENTED)


def test_the_last_waiver_can_be_taken_out_and_one_that_is_not_there_cannot() -> None:
    after = without_waiver(COMMENTED, "hum", "Samples/Struck/C3.wav")
    assert facts_from_toml(after).waivers == ()
    assert "# with a capital C" in after
    for rule, path in (("hum", ""), ("hum", "Samples/Struck/D3.wav"), ("silent", "Samples/Struck/C3.wav")):
        with pytest.raises(CompanionError, match="no waiver"):
            without_waiver(COMMENTED, rule, path)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "waivers = []\n",
        'waivers = [{rule = "a", reason = "b"}] # short\n\n[instrument]\ntitle = "x"\n',
        "waivers = [" + ", ".join(f'{{rule = "hum", path = "{n}.wav", reason = "r"}}' for n in range(30)) + "]\n",
        '[[waivers]]\nrule = "clipped"\nreason = "for all"\n\n[engine]\nname = "E" # the end\n',
    ],
)
def test_a_waiver_can_be_added_however_the_others_are_written(text: str) -> None:
    before = facts_from_toml(text)
    after = with_waiver(text, OTHER)
    assert facts_from_toml(after) == msgspec.structs.replace(before, waivers=(*before.waivers, OTHER))
    assert facts_from_toml(without_waiver(after, OTHER.rule, OTHER.path)) == before
    assert ("#" in text) == ("#" in after)


def test_two_waivers_alike_written_by_hand_become_one() -> None:
    twice = COMMENTED + '\n[[waivers]]\nrule = "hum"\npath = "Samples/Struck/C3.wav"\nreason = "again"\n'
    again = Waiver(rule="hum", path="Samples/Struck/C3.wav", reason="once", content="cc")
    assert facts_from_toml(with_waiver(twice, again)).waivers == (again,)
    assert facts_from_toml(without_waiver(twice, again.rule, again.path)).waivers == ()


def test_a_name_that_is_not_utf8_cannot_stand_in_the_facts_and_is_said_so() -> None:
    with pytest.raises(CompanionError, match="cannot hold a name") as caught:
        with_waiver(COMMENTED, Waiver(rule="hum", path="caf\udce9.wav", reason="x"))
    caught.value.line.encode()


# -- reading and writing ----------------------------------------------------------------------------------------------


def test_a_new_file_is_written_once_and_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "release.toml"
    facts = facts_from_toml(COMMENTED)
    write_new(path, facts)
    assert read_facts(path) == facts
    assert path.read_text("utf-8").startswith("# The facts of this release")
    with pytest.raises(CompanionError, match="already has facts"):
        write_new(path, Facts())
    assert read_facts(path) == facts
    assert [each.name for each in tmp_path.iterdir()] == ["release.toml"]


@settings(max_examples=40)
@given(text_values, st.lists(text_values, max_size=3), st.none() | st.integers(0, 127))
def test_what_the_writer_writes_the_reader_reads(text: str, tags: list[str], cc: int | None) -> None:
    facts = Facts(
        instrument=msgspec.structs.replace(Facts().instrument, description=text, tags=tuple(tags)),
        controls=(Control(name=text, cc=cc),),
    )
    written = tomli_w.dumps(facts_to_plain(facts), multiline_strings=True)
    assert repr(facts_from_toml(written)).replace("\\r\\n", "\\n") == repr(facts).replace("\\r\\n", "\\n")


def test_a_byte_order_mark_is_no_part_of_the_facts_and_other_encodings_are_told(tmp_path: Path) -> None:
    path = tmp_path / "release.toml"
    path.write_bytes(b"\xef\xbb\xbf" + COMMENTED.encode())
    assert read_text(path) == COMMENTED
    latin = '[instrument]\ntitle = "Café"\n'.encode("latin-1")
    path.write_bytes(latin)
    with pytest.raises(CompanionError, match=rf"not UTF-8 text \(byte {latin.index(0xE9)}\)"):
        read_facts(path)
    path.write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(CompanionError, match="over 262,144 bytes"):
        read_facts(path)
    with pytest.raises(CompanionError, match="Could not read the facts"):
        read_facts(tmp_path / "none.toml")
