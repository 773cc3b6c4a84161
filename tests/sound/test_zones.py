"""Where a sample plays: the maker's table before the file's name, the name before the chunk; and what a layer is."""

from __future__ import annotations

from typing import Any

import pytest

import companion.sound.zones.zones as zones_module
from companion.core.facts import Facts, Layer, Naming
from companion.sound.zones.naming import Pattern
from companion.sound.zones.zones import Zone, read_table, zones_of

PATH = "S/slate_A3_v20_lo30_hi40_rr2.wav"
FACTS = Facts(naming=Naming(pattern="{layer}_{note}_v{velocity}_lo{low_key}_hi{high_key}_rr{take}", middle_c="C4"))


def zone(one: Any, facts: Facts = FACTS, table: str = "", path: str = PATH) -> Zone:
    return zones_of({path: one}, facts, read_table(table) if table else None)[path]


def test_a_name_says_what_nothing_better_does(good: Any) -> None:
    named = zone(good())
    assert (named.note, named.key, named.source, named.layer, named.take) == (57, 57, "name", "slate", "2")
    assert (named.velocity, named.low_key, named.high_key, named.cents) == (20, 30, 40, 0.0)


def test_the_root_note_of_a_chunk_wins_over_the_name_but_its_ranges_do_not(good: Any) -> None:
    chunk = good(root_note=64, fine_cents=25.0, low_key=1, high_key=2, low_velocity=0, high_velocity=99)
    both = zone(chunk)
    assert (both.note, both.cents, both.source, both.name_note) == (64, 25.0, "chunk", 57)
    assert (both.low_key, both.high_key) == (30, 40)
    assert (both.low_velocity, both.high_velocity) == (0, 99)


def test_the_table_wins_over_both(good: Any) -> None:
    chunk = good(root_note=64, fine_cents=25.0, low_velocity=5)
    rows = (
        f"path,note,velocity,take,layer,low_key,high_key,low_velocity,high_velocity\n{PATH},B2,ff,7,Air,0,C5,mp,127\n"
    )
    tabled = zone(chunk, table=rows)
    assert (tabled.note, tabled.cents, tabled.source, tabled.name_note) == (47, 0.0, "table", 47)
    assert (tabled.velocity, tabled.take, tabled.layer) == (102, "7", "Air")
    assert (tabled.low_key, tabled.high_key, tabled.low_velocity, tabled.high_velocity) == (0, 72, 64, 127)
    silent = zone(chunk, table=f"path,note\n{PATH},\n")
    assert (silent.note, silent.source, silent.layer) == (64, "chunk", "slate")


@pytest.mark.parametrize(("middle_c", "note", "key"), [("C4", 57, 57), ("C3", 69, 69), ("", None, 57)])
def test_a_name_is_read_by_the_convention_of_the_facts(good: Any, middle_c: Any, note: int | None, key: int) -> None:
    facts = Facts(naming=Naming(pattern=FACTS.naming.pattern, middle_c=middle_c))
    named = zone(good(), facts)
    assert (named.note, named.key, named.octave_open) == (note, key, True)


def test_a_layer_of_the_facts_wins_over_the_name(good: Any) -> None:
    layered = Facts(naming=FACTS.naming, layers=(Layer(name="Low", files=("S/slate*",)),))
    assert zone(good(), layered).layer == "Low"
    assert zone(good(), Facts(naming=FACTS.naming, layers=(Layer(name="Low", files=("T/*",)),))).layer == "slate"


@pytest.mark.parametrize(
    ("path", "layer"),
    [
        ("S/Slate hum F#3 v40 rr2.wav", "Slate hum"),
        ("S/Slate hum C2 pp 03.wav", "Slate hum"),
        ("Slate_take2_60.wav", "Slate"),
        ("S/hum", "S/hum"),
    ],
)
def test_without_a_pattern_a_layer_is_what_names_share(good: Any, path: str, layer: str) -> None:
    assert zone(good(), Facts(), path=path).layer == layer


def test_without_a_pattern_the_note_is_guessed_and_with_one_it_is_not(good: Any) -> None:
    assert zone(good(), Facts(), path="S/hum F#3.wav").key == 54
    assert zone(good(), FACTS, path="S/hum F#3.wav").key is None
    assert zone(good(), FACTS, path="S/hum F#3.wav").source == ""


def test_unreadable_files_play_nowhere(good: Any) -> None:
    assert zones_of({PATH: good(problem="unreadable"), "b.wav": good(problem="truncated")}, FACTS).keys() == {"b.wav"}


def test_a_table_of_any_size_or_shape_is_survived(monkeypatch: pytest.MonkeyPatch) -> None:
    assert read_table("Path, NOTE \nS\\a.wav, C3 ,more,and more\n,D3\n") == {
        "S/a.wav": {"path": "S/a.wav".replace("/", "\\"), "note": "C3"}
    }
    assert read_table('path\n"' + "x" * 200_000) == {}
    monkeypatch.setattr(zones_module, "MOST_ROWS", 3)
    assert list(read_table("path\n" + "".join(f"{number}\n" for number in range(9)))) == ["0", "1", "2"]


@pytest.mark.parametrize(("text", "note"), [("128", None), ("127", 127), ("G9", 127), ("G#9", None), ("C-1", 0)])
def test_notes_outside_midi_are_none(text: str, note: int | None) -> None:
    placed = Pattern("{note}").place(f"{text}.wav")
    assert (placed and placed.note_under("C4")) == note


def layers_of(good: Any, names: list[str], facts: Facts | None = None) -> dict[str, str]:
    found = zones_of({f"{name}.wav": good() for name in names}, facts or Facts())
    return {path.removesuffix(".wav"): zone.layer for path, zone in found.items()}


NOTES = ("C3", "D#3", "F#3", "A3")


def test_two_folders_that_hold_the_same_of_a_layer_are_two_instruments(good: Any) -> None:
    both = [f"{folder}/sus_{note}" for folder in ("Viola", "Cello") for note in NOTES]
    assert set(layers_of(good, both).values()) == {"Viola/sus", "Cello/sus"}
    shared = [f"{folder}/sus_{note}" for folder, note in zip(("Low", "Low", "High", "High"), NOTES, strict=True)]
    assert set(layers_of(good, shared).values()) == {"sus"}
    loud = [f"V{number}/sus_{note}_v{40 * number}" for number in (1, 2) for note in NOTES]
    assert set(layers_of(good, loud).values()) == {"sus"}, "they share out its touches"
    touches = [f"Old/sus_{note}_v{v}" for note in NOTES for v in (30, 90)]
    touches += [f"New/sus_{note}_v{v}" for note in NOTES for v in (40, 100)]
    assert set(layers_of(good, touches).values()) == {"Old/sus", "New/sus"}, "each has its own"
    stated = Facts(layers=(Layer(name="sus", files=("*/sus*",)),))
    assert set(layers_of(good, both, stated).values()) == {"sus"}, "the maker's layers stay"


def test_a_note_without_a_number_beside_its_copy_is_the_first_take(good: Any) -> None:
    names = [f"sus {note}{copy}.wav" for note in NOTES for copy in ("", " (1)")]
    found = zones_of({name: good() for name in names}, Facts())
    assert {zone.take for zone in found.values()} == {"0", "1"}
    alone = zones_of({f"sus {note}.wav": good() for note in NOTES}, Facts())
    assert {zone.take for zone in alone.values()} == {""}


def test_microphones_and_releases_are_layers_of_their_own_in_a_layer_of_the_maker(good: Any) -> None:
    facts = Facts(layers=(Layer(name="Harp", files=("*",)),))
    names = [f"harp {note} {place}" for note in NOTES for place in ("close", "room")]
    names += [f"harp {note} rel" for note in NOTES]
    assert set(layers_of(good, names, facts).values()) == {"Harp · close", "Harp · room", "Harp · release"}
    assert {zone.instrument for zone in zones_of({f"{name}.wav": good() for name in names}, facts).values()} == {"Harp"}
