"""Controls and layers in a small table: rows are shown, added, changed, moved and taken out, and kept exactly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from companion.core.errors import CompanionError
from companion.core.facts import Control, Facts, Layer, facts_from_toml
from companion.core.text import visible
from companion.steps.deeds import facts_file
from companion.tui.parts.rows import KINDS, item_of, items_from, lines_of, tables, text_of_items, texts_of
from companion.tui.parts.table import TableInput
from tests.tui.conftest import HOSTILE, Bench, Hand, Opened

CONTROLS = (
    Control(name="Tone", kind="slider", low=-1.0, high=1.0, rest=0.25, cc=74, effect="brighter; to the right"),
    Control(name="A; knob; 0 to 1"),
    *(Control(name=name, effect=name) for name in HOSTILE[:-1]),
)
LAYERS = (
    Layer(name="Struck", files=("Samples/a, b/*.wav", "x.wav"), low_key=36, high_key=84, round_robins=2),
    Layer(name="All"),
    *(Layer(name=name, files=(name,)) for name in HOSTILE[:-1]),
)


@pytest.mark.parametrize(("shape", "items"), [("controls", CONTROLS), ("layers", LAYERS)])
def test_what_a_field_holds_is_exactly_what_the_facts_say(shape: Any, items: Any) -> None:
    assert tuple(items_from(shape, text_of_items(items))) == items
    assert text_of_items(items).isascii()


@pytest.mark.parametrize(("shape", "items"), [("controls", CONTROLS), ("layers", LAYERS)])
def test_a_row_left_as_it_is_shown_stays_what_it_is(shape: Any, items: Any) -> None:
    for item in items:
        shown: dict[str, Any] = dict(texts_of(item))
        for key in ("low", "high", "rest"):
            shown |= {key: float(shown[key])} if key in shown else {}
        for key in ("cc", "low_key", "high_key", "low_velocity", "high_velocity", "round_robins"):
            shown |= {key: int(shown[key]) if shown[key] else None} if key in shown else {}
        if "files" in shown:
            shown["files"] = [one.strip() for one in shown["files"].split(",") if one.strip()]
        assert item_of(shape, shown, item) == item


@pytest.mark.parametrize(("shape", "items"), [("controls", CONTROLS), ("layers", LAYERS)])
@pytest.mark.parametrize("width", [30, 52, 96])
def test_rows_are_inert_and_no_wider_than_asked(shape: Any, items: Any, width: int) -> None:
    head, *rows = lines_of(shape, items, width)
    assert head.startswith("Name")
    assert len(rows) == len(items)
    assert max(map(len, (head, *rows))) <= width
    assert all(visible(row) == row for row in rows)


def test_what_is_empty_is_the_default() -> None:
    assert item_of("controls", {"name": "Tone", "kind": "menu", "low": None, "cc": None, "effect": ""}) == Control(
        name="Tone", kind="menu"
    )
    assert item_of("controls", {"name": "Tone", "low": 2.0, "high": 4.0}).rest == 2.0  # type: ignore[union-attr]
    assert item_of("layers", {"name": "All", "files": [], "high_key": None}) == Layer(name="All")
    assert tables([Control(name="Tone"), Layer(name="All", low_key=3)]) == [
        {"name": "Tone"},
        {"name": "All", "low_key": 3},
    ]


@pytest.mark.parametrize(
    ("shape", "values", "where"),
    [
        ("controls", {"name": " "}, "name"),
        ("controls", {"name": "T", "kind": "dial"}, "kind"),
        ("controls", {"name": "T", "low": 1.0, "high": 1.0}, "high"),
        ("controls", {"name": "T", "rest": 1.5}, "rest"),
        ("controls", {"name": "T", "rest": -0.1}, "rest"),
        ("controls", {"name": "T", "cc": 128}, "cc"),
        ("layers", {"name": ""}, "name"),
        ("layers", {"name": "L", "low_key": 128, "high_key": 128}, "low_key"),
        ("layers", {"name": "L", "low_velocity": -1}, "low_velocity"),
        ("layers", {"name": "L", "low_key": 60, "high_key": 59}, "high_key"),
        ("layers", {"name": "L", "low_velocity": 2, "high_velocity": 1}, "high_velocity"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(shape: Any, values: dict[str, Any], where: str) -> None:
    with pytest.raises(CompanionError) as refused:
        item_of(shape, values)
    assert refused.value.where == where


def test_what_just_can_be_is_taken() -> None:
    assert item_of("controls", {"name": "T", "rest": 1.0, "cc": 127})
    assert item_of("layers", {"name": "L", "low_key": 127, "high_key": 127, "low_velocity": 0, "high_velocity": 0})


@pytest.mark.parametrize(("kind", "known"), [*((kind, True) for kind in KINDS), ("dial", False), ("Knob", False)])
def test_an_unknown_kind_in_the_file_is_an_error_and_not_a_knob(kind: str, known: bool) -> None:
    text = f'[[controls]]\nname = "Tone"\nkind = "{kind}"\n'
    if known:
        assert facts_from_toml(text).controls[0].kind == kind
    else:
        with pytest.raises(CompanionError, match="kind"):
            facts_from_toml(text)


def kept(folder: Path) -> Facts:
    return facts_file.read_facts(folder / "release.toml", newer=False)


def names(bench: Bench) -> list[str]:
    return [one.name for one in kept(bench.folder).controls]


async def to_table(hand: Hand) -> TableInput:
    await hand.press("1")
    body = hand.app.workspace.body
    assert body
    await body.go("controls")
    body.enter()
    await hand.rest()
    table = hand.app.query(TableInput).first()
    assert hand.app.focused is table
    return table


async def test_a_row_is_added_changed_moved_and_taken_out(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await to_table(hand)
        assert hand.shows("Name Kind Range Rest CC What it does", "Tone knob 0 to 1 0", "+ Add a control", "x Take out")
        await hand.press("plus")
        assert hand.shows("A new control", "1 of 7 Name")
        await hand.write("Mix")
        await hand.press("enter", "right", *["enter"] * 6)
        assert names(bench) == ["Tone", "Air", "Mix"]
        assert kept(bench.folder).controls[2].kind == KINDS[1]
        assert hand.shows("Kept: controls, left to right.")
        await hand.press("left_square_bracket", "left_square_bracket")
        assert names(bench) == ["Mix", "Tone", "Air"]
        await hand.press("x")
        assert names(bench) == ["Tone", "Air"]
        await hand.press("enter")
        assert hand.shows("Tone", "1 of 7 Name")
        await hand.write("Body")
        await hand.press(*["enter"] * 7)
        assert names(bench) == ["Body", "Air"]
        assert kept(bench.folder).controls[0].effect == "brighter to the right"
        assert "# the first" in (bench.folder / "release.toml").read_text("utf-8"), "comments stay"


async def test_what_is_wrong_with_a_row_is_told_beside_its_field_and_esc_changes_nothing(
    bench: Bench, opened: Opened
) -> None:
    async with opened(bench) as hand:
        await to_table(hand)
        await hand.press("enter", "enter", "enter", "enter", "enter")
        await hand.write("7")
        await hand.press("enter", "enter", "enter")
        assert hand.shows("At rest it lies outside of its range")
        await hand.press("escape")
        assert len(hand.app.screen_stack) == 1
        assert names(bench) == ["Tone", "Air"]
        await hand.press("up")
        assert not isinstance(hand.app.focused, TableInput), "at its end the cursor goes on to the next field"
