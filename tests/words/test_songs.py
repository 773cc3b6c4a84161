"""What breaks songs, each with its nearest neighbour that breaks none."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from companion.core.entries import Kind
from companion.core.facts import Control, Facts, Instrument, Layer, Naming
from companion.words.changes import changes_from
from companion.words.renames import renamed
from companion.words.songs import songs_break

BEFORE = Facts(
    instrument=Instrument(title="Slate Choir", version="1.1"),
    naming=Naming(middle_c="C3"),
    layers=(Layer(name="struck", low_key=48, high_key=72), Layer(name="hum")),
    controls=(Control(name="Air", cc=21), Control(name="Tone")),
)


def after(**more: Any) -> Facts:
    return msgspec.structs.replace(BEFORE, instrument=Instrument(title="Slate Choir", version="1.2"), **more)


STRUCK, HUM = BEFORE.layers
AIR, TONE = BEFORE.controls
BREATH = Control(name="Breath", cc=21)


def struck(key: int, high: int) -> Layer:
    return Layer(name="struck", low_key=key, high_key=high)


@pytest.mark.parametrize(
    ("facts", "what", "told"),
    [
        (after(controls=(TONE,)), "control", "The control Air is gone"),
        (after(controls=(Control(name="Breath", cc=21), TONE)), "control", "The control Air is now called Breath"),
        (after(controls=(Control(name="Air", cc=22), TONE)), "controller", "MIDI controller 22 instead of 21"),
        (
            after(controls=(Control(name="Air"), TONE)),
            "controller",
            "no MIDI controller instead of 21: it stands still",
        ),
        (
            after(layers=(Layer(name="struck", low_key=50, high_key=72), HUM)),
            "keys",
            "struck plays D2 to C4 instead of",
        ),
        (after(layers=(Layer(name="struck", low_key=48, high_key=71), HUM)), "keys", "C2 to B3 instead of C2 to C4"),
        (after(layers=(STRUCK,)), "keys", "The layer hum is gone"),
    ],
)
def test_what_is_gone_or_moved_breaks_songs(facts: Facts, what: str, told: str) -> None:
    (one,) = songs_break(before=BEFORE, after=facts)
    assert one.what == what
    assert told in one.text
    assert [change.breaks for change in changes_from(before=BEFORE, after=facts) if change.group != "Added"] == [True]


@pytest.mark.parametrize(
    "facts",
    [
        after(),
        after(controls=(*BEFORE.controls, Control(name="New", cc=1))),
        after(controls=(AIR, Control(name="Tone", cc=30))),
        after(controls=(Control(name="Air", cc=21, rest=0.5, high=2.0), TONE)),
        after(layers=(Layer(name="struck", low_key=36, high_key=96), HUM)),
        after(layers=(Layer(name="struck", low_key=48, high_key=72, round_robins=3), HUM, Layer(name="new"))),
    ],
)
def test_what_is_new_or_only_sounds_otherwise_breaks_none(facts: Facts) -> None:
    assert songs_break(before=BEFORE, after=facts) == ()
    assert not any(change.breaks for change in changes_from(before=BEFORE, after=facts))


def test_a_layer_that_only_bears_another_name_breaks_none_and_one_that_lost_keys_does() -> None:
    """It is known by the files it names."""
    files = ("Samples/struck_*.wav",)
    before = msgspec.structs.replace(BEFORE, layers=(Layer(name="struck", files=files, low_key=48, high_key=72),))
    same = after(layers=(Layer(name="slabs", files=files, low_key=48, high_key=72),))
    assert songs_break(before=before, after=same) == ()
    assert [(one.group, one.text, one.breaks) for one in changes_from(before=before, after=same)] == [
        ("Changed", "Layer struck is now called slabs", False)
    ]
    fewer = after(layers=(Layer(name="slabs", files=files, low_key=50, high_key=72),))
    (one,) = songs_break(before=before, after=fewer)
    assert one.text == "slabs plays D2 to C4 instead of C2 to C4: notes outside are no longer heard"
    assert [change.text for change in changes_from(before=before, after=fewer) if change.breaks] == [
        "Layer slabs: D2 to C4 instead of C2 to C4"
    ]
    other = after(layers=(Layer(name="slabs", files=("Samples/slabs_*.wav",), low_key=48, high_key=72),))
    assert [one.text for one in songs_break(before=before, after=other)] == [
        "The layer struck is gone: what a song plays with it is no longer heard"
    ]


def test_what_is_called_otherwise_is_told_by_both_names() -> None:
    facts = after(controls=(BREATH, TONE))
    told = [(one.group, one.text, one.about, one.breaks) for one in changes_from(before=BEFORE, after=facts)]
    assert told == [("Changed", "Control Air is now called Breath", ("Air", "Breath"), True)]
    moved = [
        ("Soft.eeng", "Gentle.eeng", Kind.PATCH),
        ("Loud.eeng", "Patches/Loud.eeng", Kind.PATCH),
        ("a.wav", "b.wav", Kind.SAMPLE),
    ]
    patches, samples = changes_from(renamed=moved, before=BEFORE, after=after())
    assert patches.text == (
        "2 patches renamed or moved: Soft.eeng is now Gentle.eeng; Loud.eeng is now Patches/Loud.eeng"
    )
    assert {"Soft.eeng", "Gentle.eeng"} <= set(patches.about)
    assert samples.text == "1 sample renamed or moved: b.wav"
    many = [(f"a{n}.eeng", f"b{n}.eeng", Kind.PATCH) for n in range(4)]
    assert changes_from(renamed=many, before=BEFORE, after=after())[0].text == "4 patches renamed or moved"


@pytest.mark.parametrize(
    ("new", "called"),
    [
        ((BREATH, TONE), "Breath"),
        ((BREATH, Control(name="Other", cc=21)), ""),  # two that may be it
        ((Control(name="Breath"), TONE), ""),  # nothing tells that it is the same
        ((AIR, Control(name="Breath", cc=21)), ""),  # it is still there
    ],
)
def test_a_control_is_known_by_its_controller(new: tuple[Control, ...], called: str) -> None:
    assert renamed(BEFORE.controls, new).get("Air", "") == called
    twice = (AIR, Control(name="Wind", cc=21), TONE)
    assert renamed(twice, (BREATH, TONE)) == {}, "one of two, and nobody knows which"


def test_files_that_songs_hold_are_told_and_others_are_not() -> None:
    removed = [
        ("Slate.eeng", Kind.PATCH),
        ("a.wav", Kind.SAMPLE),
        ("cover.png", Kind.PICTURE),
        ("x.txt", Kind.DOCUMENT),
    ]
    renamed = [("Soft.eeng", "Gentle.eeng", Kind.PATCH), ("b.wav", "c.wav", Kind.SAMPLE)]
    found = songs_break(removed=removed, renamed=renamed, before=BEFORE, after=after())
    assert [(one.what, one.was, one.now, one.paths) for one in found] == [
        ("patch", "Slate.eeng", "", ("Slate.eeng",)),
        ("patch", "Soft.eeng", "Gentle.eeng", ("Soft.eeng",)),
        ("samples", "1 sample was removed and 1 sample was renamed or moved", "", ("a.wav", "b.wav")),
    ]
    assert found[0].text == "The patch Slate.eeng is gone: for songs that use it, keep the folder of 1.1"
    assert found[2].text.endswith("may ask for the old ones; keep the folder of 1.1 for it")
    changes = changes_from(removed=removed, renamed=renamed, before=BEFORE, after=after())
    assert {change.text.partition(":")[0]: change.breaks for change in changes} == {
        "1 patch removed": True,
        "1 sample removed": True,
        "1 picture removed": False,
        "1 document removed": False,
        "1 patch renamed or moved": True,
        "1 sample renamed or moved": True,
    }
    only = songs_break(renamed=renamed[1:], before=BEFORE, after=after())
    assert only[0].text.startswith("1 sample was renamed or moved: a song that holds its own copy")
    assert songs_break(removed=removed, renamed=renamed, before=None, after=after()) == ()
