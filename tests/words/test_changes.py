from __future__ import annotations

import msgspec
import pytest

from companion.core.entries import Kind
from companion.core.facts import Control, Engine, Facts, Instrument, Layer, Naming
from companion.words.changes import changes_from
from companion.words.story import GROUPS, Change

BEFORE = Facts(
    instrument=Instrument(title="Slate Choir", version="1.1", licence="CC-BY-4.0"),
    engine=Engine(name="Example Engine", saved_with="7.0", minimum="7.0", edition="free", systems=("windows", "linux")),
    naming=Naming(middle_c="C3"),
    layers=(Layer(name="Slate low", files=("samples/low/**",), low_key=36, high_key=60, round_robins=2),),
    controls=(Control(name="Mix", cc=11),),
)


def texts(changes: tuple[Change, ...]) -> list[tuple[str, str]]:
    return [(change.group, change.text) for change in changes]


def samples(folder: str, count: int) -> list[tuple[str, Kind]]:
    return [(f"{folder}/s{number:02d}.wav", Kind.SAMPLE) for number in range(count)]


def test_files_are_named_by_layer_and_folder() -> None:
    changes = changes_from(
        added=[*samples("samples/low/soft", 24), *samples("samples/Slate high", 24), ("Hall.wav", Kind.IMPULSE)],
        removed=samples("samples/low", 12),
        changed=[("Slate Choir.patch", Kind.PATCH), ("Slate.png", Kind.PICTURE)],
        renamed=[("a/x.wav", "b/x.wav", Kind.SAMPLE)],
        before=BEFORE,
        after=BEFORE,
    )
    assert texts(changes) == [
        ("Added", "48 samples added: 24 in Slate high and 24 in Slate low"),
        ("Added", "1 impulse response added: Hall.wav"),
        ("Changed", "1 patch changed: Slate Choir.patch"),
        ("Changed", "1 picture changed: Slate.png"),
        ("Changed", "1 sample renamed or moved: x.wav"),
        ("Removed", "12 samples removed: Slate low"),
    ]
    assert len(changes[0].paths) == 48
    assert "Slate low" in changes[0].about


def test_what_is_the_makers_own_affair_is_left_out() -> None:
    files = [("mix.old", Kind.WORKING), (".DS_Store", Kind.SYSTEM), ("x.zip", Kind.ARCHIVE)]
    assert changes_from(added=files, before=BEFORE, after=BEFORE) == ()
    (change,) = changes_from(changed=[("manual.pdf", Kind.DOCUMENT)], before=BEFORE, after=BEFORE)
    assert (change.about, change.noun) == ((), "")


def test_the_first_release_has_changed_nothing() -> None:
    assert changes_from(added=samples("samples", 3), labels=["Add all"], before=None, after=BEFORE) == ()


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        ({"minimum": "6.9"}, ("Changed", "Needs Example Engine 6.9 or newer instead of 7.0")),
        ({"saved_with": "7.2"}, ("Changed", "Saved with Example Engine 7.2 instead of 7.0")),
        ({"edition": "full"}, ("Changed", "Needs the full edition of Example Engine instead of free")),
        ({"systems": ("windows",)}, ("Removed", "No longer made with Linux in mind")),
        ({"name": "Other Engine"}, ("Changed", "Made for Other Engine instead of Example Engine")),
    ],
)
def test_facts_of_the_engine(after: dict[str, object], expected: tuple[str, str]) -> None:
    engine = msgspec.structs.replace(BEFORE.engine, **after)
    changes = changes_from(before=BEFORE, after=msgspec.structs.replace(BEFORE, engine=engine))
    assert texts(changes) == [expected]


def test_facts_of_layers_and_controls() -> None:
    after = msgspec.structs.replace(
        BEFORE,
        layers=(
            msgspec.structs.replace(BEFORE.layers[0], high_key=72, round_robins=4),
            Layer(name="Slate high"),
        ),
        controls=(Control(name="Mix", cc=12, high=2.0), Control(name="Air", effect="more breath")),
    )
    assert texts(changes_from(before=BEFORE, after=after)) == [
        ("Added", "Layer Slate high added"),
        ("Added", "Control Air added: more breath"),
        ("Changed", "Layer Slate low: 4 round robins instead of 2"),
        ("Changed", "Layer Slate low: C1 to C4 instead of C1 to C3"),
        ("Changed", "Control Mix: answers to MIDI controller 12 instead of MIDI controller 11"),
        ("Changed", "Control Mix: from 0 to 2 instead of 0 to 1"),
    ]
    back = texts(changes_from(before=after, after=BEFORE))
    assert ("Removed", "Layer Slate high removed") in back
    assert ("Removed", "Control Air removed") in back


def test_the_same_facts_change_nothing_and_neither_does_the_version() -> None:
    assert changes_from(before=BEFORE, after=BEFORE) == ()
    raised = msgspec.structs.replace(
        BEFORE, instrument=Instrument(title="Slate Choir", version="1.2", licence="CC-BY-4.0")
    )
    assert changes_from(before=BEFORE, after=raised) == ()


def test_labels_that_say_what_was_done_become_lines() -> None:
    labels = [
        "Fix the loop of C3",
        "added a brush",
        "before lunch",
        "wip",
        "Fix",
        "newer idea",
        "Fix the loop of C3",
        "mended\x1b x",
    ]
    assert texts(changes_from(before=BEFORE, after=BEFORE, labels=labels)) == [
        ("Added", "Added a brush"),
        ("Fixed", "Fix the loop of C3"),
        ("Fixed", "Mended\x1b x"),
    ]


def test_groups_come_in_the_order_of_keep_a_changelog() -> None:
    """Keep a Changelog 1.1.0, “Types of changes”."""
    assert GROUPS == ("Added", "Changed", "Deprecated", "Removed", "Fixed", "Security")


@pytest.mark.parametrize(
    ("then", "now", "told"),
    [
        ("7.1", "7.3", ["Where Example Engine is older than 7.3, stay with 1.1, which needs 7.1"]),
        ("7.3", "7.1", []),
        ("7.1", "7.1.0", []),
        ("", "7.3", []),
    ],
)
def test_who_cannot_follow_a_raised_minimum_is_told_what_to_keep(then: str, now: str, told: list[str]) -> None:
    def of(version: str, minimum: str) -> Facts:
        return Facts(
            instrument=Instrument(title="Slate Choir", version=version),
            engine=Engine(name="Example Engine", minimum=minimum),
        )

    found = changes_from(before=of("1.1", then), after=of("1.2", now))
    raised = ["Needs Example Engine 7.3 or newer instead of 7.1", *told] if told else []
    assert [change.text for change in found if told or "stay with" in change.text] == raised
