"""Controls and layers as rows of a table: what stands in each column, and how one row is asked for. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, Literal, get_args

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import Control, ControlKind, Layer
from companion.core.text import shorten, visible

Shape = Literal["controls", "layers"]
Item = Control | Layer
KINDS: Final[tuple[str, ...]] = get_args(ControlKind)
TYPES: Final[Mapping[Shape, type[Control] | type[Layer]]] = {"controls": Control, "layers": Layer}
_DECODERS: Final[Mapping[Shape, msgspec.json.Decoder[Any]]] = {
    "controls": msgspec.json.Decoder(list[Control]),
    "layers": msgspec.json.Decoder(list[Layer]),
}
ONE: Final[Mapping[Shape, str]] = {"controls": "control", "layers": "layer"}
HEADS: Final[Mapping[Shape, tuple[str, ...]]] = {
    "controls": ("Name", "Kind", "Range", "Rest", "CC", "What it does"),
    "layers": ("Name", "Keys", "Velocities", "Takes", "Files"),
}
_MIDI: Final = ("cc", "low_key", "high_key", "low_velocity", "high_velocity")
_GAP: Final = 2
_NAME: Final = 18


def _plain(value: float) -> str:
    return f"{int(value)}" if float(value).is_integer() and abs(value) < 1e15 else repr(value)


def cells_of(item: Item) -> tuple[str, ...]:
    """Return what stands in the columns of :data:`HEADS`, inert."""
    if isinstance(item, Control):
        span = f"{_plain(item.low)} to {_plain(item.high)}"
        cc = "" if item.cc is None else str(item.cc)
        return visible(item.name), item.kind, span, _plain(item.rest), cc, visible(item.effect)
    keys, touches = f"{item.low_key} to {item.high_key}", f"{item.low_velocity} to {item.high_velocity}"
    takes = str(item.round_robins) if item.round_robins else ""
    return visible(item.name), keys, touches, takes, visible(", ".join(item.files))


def lines_of(shape: Shape, items: Sequence[Item], width: int) -> list[str]:
    """Return the head of the columns, then a line for each item, cut to a width in cells, the last column first."""
    rows = [HEADS[shape], *map(cells_of, items)]
    rows = [(shorten(row[0], _NAME), *row[1:]) for row in rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]) - 1)]
    lines = []
    for row in rows:
        start = "".join(f"{cell:<{size + _GAP}}" for cell, size in zip(row, widths, strict=False))
        room = max(4, width - len(start))
        lines.append(shorten(f"{start}{row[-1][: room - 1] + '…' if len(row[-1]) > room else row[-1]}".rstrip(), width))
    return lines


def items_from(shape: Shape, text: str) -> list[Item]:
    """Return the items that :func:`text_of_items` wrote. Raises :class:`CompanionError` for what is none."""
    try:
        return list(_DECODERS[shape].decode(text or "[]"))
    except msgspec.ValidationError as error:
        raise CompanionError(f"It cannot be read: {error}", do="change that row") from error


def text_of_items(items: Iterable[Item]) -> str:
    """Return items as one text that holds them exactly, whatever is in their names."""
    return json.dumps(tables(items))


def tables(items: Iterable[Item]) -> list[dict[str, Any]]:
    """Return controls or layers as plain tables for the facts; what is the default is left out."""
    found = []
    for item in items:
        plain, default = msgspec.to_builtins(item), msgspec.to_builtins(type(item)(name=item.name))
        found.append({key: value for key, value in plain.items() if key == "name" or value != default[key]})
    return found


def texts_of(item: Item) -> dict[str, str]:
    """Return what the fields of a row hold to begin with; empty where it is not stated."""
    if isinstance(item, Control):
        numbers = {key: _plain(getattr(item, key)) for key in ("low", "high", "rest")}
        cc = "" if item.cc is None else str(item.cc)
        return {"name": visible(item.name), "kind": item.kind, **numbers, "cc": cc, "effect": visible(item.effect)}
    numbers = {key: str(getattr(item, key)) for key in ("low_key", "high_key", "low_velocity", "high_velocity")}
    takes = str(item.round_robins) if item.round_robins else ""
    return {"name": visible(item.name), **numbers, "round_robins": takes, "files": ", ".join(map(visible, item.files))}


def item_of(shape: Shape, values: Mapping[str, Any], before: Item | None = None) -> Item:
    """Return the item of a row's values; what is empty is the default.

    before: what the row held; texts that were left as they were shown stay as they are there, whatever is in them.
    Raises :class:`CompanionError` whose ``where`` is the field that is wrong.
    """
    if not str(values.get("name", "")).strip():
        raise CompanionError(f"A {ONE[shape]} needs a name", "name", "write what stands beside it")
    stated: dict[str, Any] = {key: value for key, value in values.items() if value not in ("", None, [])}
    if before:
        stated |= _left_alone(stated, before)
    if shape == "controls":
        stated.setdefault("rest", stated.get("low", 0.0))
    _refuse_odd(shape, stated)
    try:
        return msgspec.convert(stated, TYPES[shape])
    except msgspec.ValidationError as error:
        place = str(error).rpartition("$.")[2].rstrip("`")
        raise CompanionError(str(error).partition(" - at")[0], place, "choose one that there is") from error


def _left_alone(stated: Mapping[str, Any], before: Item) -> dict[str, Any]:
    """Return the texts that stand as they were shown, which is made inert, as they really are."""
    shown = texts_of(before)
    same: dict[str, Any] = {
        key: getattr(before, key) for key in ("name", "effect") if key in shown and stated.get(key) == shown[key]
    }
    if isinstance(before, Layer) and ", ".join(stated.get("files", ())) == shown["files"]:
        same["files"] = before.files
    return same


def _refuse_odd(shape: Shape, stated: Mapping[str, Any]) -> None:
    if shape == "controls":
        low, high = stated.get("low", 0.0), stated.get("high", 1.0)
        if low >= high:
            raise CompanionError("It ends where it begins, or before", "high", "write a higher value")
        if not low <= stated["rest"] <= high:
            raise CompanionError("At rest it lies outside of its range", "rest", "write a value between its ends")
    for key in _MIDI:
        if not 0 <= stated.get(key, 0) <= 127:
            raise CompanionError("It goes from 0 to 127", key, "write such a number")
    for key, to in (("low_key", "high_key"), ("low_velocity", "high_velocity")):
        if stated.get(key, 0) > stated.get(to, 127):
            raise CompanionError("It ends before it begins", to, "write a higher one")
