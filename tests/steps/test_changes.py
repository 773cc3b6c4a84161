"""What changed, in the maker's terms: facts as what they mean, sound by what differs in it."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest

from companion.history.store import refs
from companion.sound.measures.measured import Measured
from companion.steps.account.changes import difference, facts_lines
from companion.workshop import Workshop

BEFORE = """
[instrument]
title = "Slate Choir"
version = "1.1"
licence = "CC-BY-4.0"
tags = ["slate"]
[engine]
name = "Example Engine"
saved_with = "7.1"
minimum = "7.1"
systems = ["windows"]
"""


def told(*edits: tuple[str, str]) -> tuple[str, ...]:
    after = BEFORE
    for old, new in edits:
        assert old in after
        after = after.replace(old, new)
    return facts_lines(BEFORE, after)


def test_nothing_changed_is_nothing_told() -> None:
    assert facts_lines(BEFORE, BEFORE) == ()
    assert facts_lines(BEFORE, BEFORE + "# a comment\n") == ()


@pytest.mark.parametrize(
    ("edit", "lines"),
    [
        (('version = "1.1"', 'version = "1.2"'), ("instrument.version: “1.2” instead of “1.1”",)),
        (('title = "Slate Choir"', 'title = "Slate"'), ("Now called Slate instead of Slate Choir",)),
        (('minimum = "7.1"', 'minimum = "7.2"'), ("Needs Example Engine 7.2 or newer instead of 7.1",)),
        (('tags = ["slate"]', 'tags = ["slate", "choir"]'), ("instrument.tags: slate, choir instead of slate",)),
        (('tags = ["slate"]', ""), ("instrument.tags: nothing instead of slate",)),
        (
            ('systems = ["windows"]', 'systems = ["windows", "linux"]'),
            ("engine.systems: windows, linux instead of windows",),
        ),
        (('licence = "CC-BY-4.0"', 'licence = "CC0-1.0"'), ("Licence CC0-1.0 instead of CC-BY-4.0",)),
    ],
)
def test_each_changed_fact_is_told_once(edit: tuple[str, str], lines: tuple[str, ...]) -> None:
    assert told(edit) == lines


MORE = """
[contents]
exclude = ["Sketches/**"]
[limits]
upload_bytes = 500000000
[[layers]]
name = "struck"
low_key = 40
high_key = 70
[[controls]]
name = "Cave"
rest = 0.2
cc = 4
"""


@pytest.mark.parametrize(
    ("edits", "lines"),
    [
        ({'"Sketches/**"': '"Sketches/**", "*.txt"'}, ("contents.exclude: Sketches/**, *.txt instead of Sketches/**",)),
        ({"500000000": "0"}, ("limits.upload_bytes: 0 instead of 500000000",)),
        ({"upload_bytes = 500000000": ""}, ("limits.upload_bytes: nothing instead of 500000000",)),
        ({"low_key = 40": 'low_key = 40\nfiles = ["*.wav"]'}, ("layers.struck.files: *.wav instead of nothing",)),
        ({"cc = 4": 'cc = 4\neffect = "wide"'}, ("controls.Cave.effect: “wide” instead of nothing",)),
        ({"rest = 0.2": "rest = 0.3"}, ("Control Cave: rests at 0.3 instead of 0.2",)),
    ],
)
def test_facts_no_player_meets_are_told_to_the_maker(edits: dict[str, str], lines: tuple[str, ...]) -> None:
    after = MORE
    for old, new in edits.items():
        assert old in after
        after = after.replace(old, new)
    assert facts_lines(BEFORE + MORE, BEFORE + after) == lines


def test_what_players_are_told_of_a_layer_is_told_once() -> None:
    after = MORE.replace("low_key = 40", "low_key = 41").replace("high_key = 70", "high_key = 72")
    (line,) = facts_lines(BEFORE + MORE, BEFORE + after)
    assert "instead of" in line
    assert "struck" in line
    assert facts_lines(BEFORE + MORE, BEFORE + MORE.replace('"Cave"', '"Room"'))  # gone and come, in words for players


def test_a_fact_is_told_though_its_value_stands_in_the_line_of_another() -> None:
    lines = told(('version = "1.1"', 'version = "7.2"'), ('minimum = "7.1"', 'minimum = "7.2"'))
    assert "instrument.version: “7.2” instead of “1.1”" in lines
    assert any(line.startswith("Needs Example Engine 7.2") for line in lines)
    lines = told(('saved_with = "7.1"', 'saved_with = "7.2"'), ('minimum = "7.1"', 'minimum = "7.2"'))
    assert "engine.saved_with: “7.2” instead of “7.1”" in lines


def test_an_engine_of_another_name_is_told_once() -> None:
    lines = told(('name = "Example Engine"', 'name = "Example Host"'), ('minimum = "7.1"', 'minimum = "7.2"'))
    assert sorted(lines) == [
        "Made for Example Host instead of Example Engine",
        "Needs Example Host 7.2 or newer instead of 7.1",
    ]


def test_waivers_are_counted_and_facts_that_cannot_be_read_are_said_to_be_so() -> None:
    waiver = '[[waivers]]\nrule = "hum"\nreason = "the room"\n'
    assert facts_lines(BEFORE, BEFORE + waiver) == ("1 waiver instead of 0",)
    assert facts_lines(BEFORE + waiver, BEFORE) == ("0 waivers instead of 1",)
    assert facts_lines(BEFORE, "[nonsense]") == ("the facts changed (one side of them cannot be read)",)
    assert facts_lines("", BEFORE) != ()


def measured(**more: object) -> Measured:
    values: dict[str, object] = {"seconds": 2.0, "peak_dbfs": -3.0, "pitch_cents": 6000.0}
    return Measured(**{**values, **more})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("now", "told"),
    [
        ({}, ""),
        ({"seconds": 2.0009}, ""),
        ({"seconds": 2.0011}, "2.000 s → 2.001 s"),
        ({"peak_dbfs": -3.09}, ""),
        ({"peak_dbfs": -3.2}, "peak −3.0 → −3.2 dBFS"),
        ({"pitch_cents": 6000.9}, ""),
        ({"pitch_cents": 5988.0}, "pitch −12 cents"),
        ({"pitch_cents": 6012.0, "seconds": 1.5}, "2.000 s → 1.500 s, pitch +12 cents"),
        ({"peak_dbfs": None, "pitch_cents": None}, ""),
    ],
)
def test_how_a_recording_differs_from_a_millisecond_a_tenth_of_a_decibel_and_a_cent(
    now: dict[str, object], told: str
) -> None:
    assert difference(measured(), measured(**now)) == told


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    folder = tmp_path / "Slate Choir"
    (folder / "Scripts").mkdir(parents=True)
    (folder / "Samples").mkdir()
    (folder / "release.toml").write_text(BEFORE, encoding="utf-8")
    (folder / "Scripts" / "sway.lua").write_text("one\ntwo\n")
    (folder / "Slate.patch").write_bytes(b"\0patch")
    (folder / "Samples" / "a.wav").write_bytes(b"RIFF" * 8_000_000)
    (folder / "link.txt").symlink_to("Scripts/sway.lua")
    shop = Workshop.open(folder)
    shop.snapshot("first")
    return shop


def test_what_changed_in_a_text_is_told_line_by_line(shop: Workshop) -> None:
    (shop.folder / "Scripts" / "sway.lua").write_text("one\n\x1b[31mtwo\n")
    (shop.folder / "Slate.patch").write_bytes(b"\0other")
    changes = shop.compare(1)
    assert [path for path, _ in changes.texts] == ["Scripts/sway.lua"]
    assert changes.lines[-5:] == ("in Scripts/sway.lua:", "  @@ -1,2 +1,2 @@", "   one", "  -two", "  +\\x1b[31mtwo")
    (shop.folder / "Scripts" / "sway.lua").write_text("x" * 70_000)
    assert shop.compare(1).texts == (), "a table, not a script"


def test_the_facts_are_called_so_and_a_size_that_reads_the_same_is_told_once(shop: Workshop) -> None:
    facts = shop.folder / "release.toml"
    facts.write_text(facts.read_text("utf-8") + "# a" + " " * (4_000 - facts.stat().st_size), encoding="utf-8")
    shop.snapshot("second")
    facts.write_text(facts.read_text("utf-8") + ".", encoding="utf-8")
    assert "changed: release.toml (facts, 4.00 kB)" in shop.compare(2).lines


def test_a_text_that_cannot_be_read_back_is_not_told_as_a_new_one(shop: Workshop) -> None:
    (shop.folder / "Scripts" / "sway.lua").write_text("one\n")
    with shop.history as history:
        kept = history.files(1)["Scripts/sway.lua"].blob
        place = history._store.packs.places[bytes.fromhex(kept)]
    with place.pack.path.open("r+b") as stream:
        stream.seek((place.start + place.end) // 2)
        stream.write(b"XX")
    assert shop.compare(1).texts == ()


def test_a_link_is_compared_as_a_link(shop: Workshop, tmp_path: Path) -> None:
    (tmp_path / "outside.txt").write_text("a letter")
    (shop.folder / "link.txt").unlink()
    (shop.folder / "link.txt").symlink_to("../outside.txt")
    changes = shop.compare(1)
    assert changes.texts == (("link.txt", "--- before\n+++ after\n@@ -1 +1 @@\n-Scripts/sway.lua\n+../outside.txt"),)


def test_a_large_sample_is_not_read_into_memory(shop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refs, "_MOST", 1 << 20)  # Python sets aside as much as may be read, whatever there is
    (shop.folder / "Samples" / "a.wav").write_bytes(b"LIST" * 8_000_000)
    shop.compare(1)  # imports what it needs
    tracemalloc.start()
    try:
        assert shop.compare(1).changed == ("Samples/a.wav",)
        assert tracemalloc.get_traced_memory()[1] < 16_000_000
    finally:
        tracemalloc.stop()
