"""Controls and layers as a person writes them: one a line, its parts set off by semicolons.

``Tone; knob; 0 to 1; rest 0.5; cc 74; brighter towards the right``
``Struck; samples/struck/*.wav; keys 36 to 84; velocities 1 to 127; round robins 2``

The first part is the name; of the others, those that read as a kind, a range, a rest position, a controller, keys,
velocities or round robins are that; what is left over is the files, or at the end of a control its effect.
"""

import re
from collections.abc import Iterable
from typing import Any, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import Control, Layer
from companion.core.text import visible

_NUMBER: Final = r"[-−]?\d+(?:[.,]\d+)?"
_RANGE: Final = re.compile(rf"({_NUMBER})\s*(?:to|…|–|\.\.)\s*({_NUMBER})")
_REST: Final = re.compile(rf"rest\s+({_NUMBER})")
_CC: Final = re.compile(r"cc\s*(\d+)")
_SPAN: Final = re.compile(r"(keys|velocities)\s+(\d+)\s*(?:to|…|–|\.\.)\s*(\d+)")
_TAKES: Final = re.compile(r"round robins\s+(\d+)")
KINDS: Final = ("knob", "slider", "switch", "menu")


def _number(text: str) -> float:
    return float(text.replace("−", "-").replace(",", "."))


def _plain(value: float) -> str:
    return f"{int(value)}" if value.is_integer() and abs(value) < 1e15 else repr(value)


def _parts(line: str, what: str) -> list[str]:
    parts = [part.strip() for part in line.split(";")]
    if not parts[0]:
        raise CompanionError(f"A {what} needs a name", do="write it first, before the first semicolon")
    return parts


def control_line(control: Control) -> str:
    """Return a control as one line."""
    span, rest = f"{_plain(control.low)} to {_plain(control.high)}", f"rest {_plain(control.rest)}"
    cc = "" if control.cc is None else f"cc {control.cc}"
    return "; ".join(part for part in (control.name, control.kind, span, rest, cc, control.effect) if part)


def control_of(line: str) -> Control:
    """Return the control that one line describes. Raises :class:`CompanionError` naming what cannot be read."""
    name, *rest = _parts(line, "control")
    found: dict[str, Any] = {}
    effect: list[str] = []
    for part in rest:
        lowered = part.lower()
        before = len(found)
        if lowered in KINDS and "kind" not in found:
            found["kind"] = lowered
        elif (match := _RANGE.fullmatch(lowered)) and "low" not in found:
            found["low"], found["high"] = _number(match[1]), _number(match[2])
        elif (match := _REST.fullmatch(lowered)) and "rest" not in found:
            found["rest"] = _number(match[1])
        elif (match := _CC.fullmatch(lowered)) and "cc" not in found:
            found["cc"] = int(match[1])
        elif part:
            effect.append(part)
        if effect and len(found) > before:
            raise CompanionError(
                f"“{effect[0]}” is no kind of control", visible(name),
                do=f"write {', '.join(KINDS[:-1])} or {KINDS[-1]}; what it does comes last",
            )  # fmt: skip
    found.setdefault("rest", found.get("low", 0.0))
    return Control(name=name, effect="; ".join(effect), **found)


def layer_line(layer: Layer) -> str:
    """Return a layer as one line."""
    keys = f"keys {layer.low_key} to {layer.high_key}"
    velocities = f"velocities {layer.low_velocity} to {layer.high_velocity}"
    takes = f"round robins {layer.round_robins}" if layer.round_robins else ""
    return "; ".join(part for part in (layer.name, ", ".join(layer.files), keys, velocities, takes) if part)


def layer_of(line: str) -> Layer:
    """Return the layer that one line describes. Raises :class:`CompanionError` naming what cannot be read."""
    name, *rest = _parts(line, "layer")
    found: dict[str, Any] = {}
    files: list[str] = []
    for part in rest:
        lowered = part.lower()
        if match := _SPAN.fullmatch(lowered):
            which = "key" if match[1] == "keys" else "velocity"
            found[f"low_{which}"], found[f"high_{which}"] = int(match[2]), int(match[3])
        elif match := _TAKES.fullmatch(lowered):
            found["round_robins"] = int(match[1])
        elif lowered.startswith(("keys ", "velocities ", "round robins")):
            raise CompanionError(f"“{part}” cannot be read", name, "write it as: keys 36 to 84")
        else:
            files += [item.strip() for item in part.split(",") if item.strip()]
    return Layer(name=name, files=tuple(files), **found)


def tables(items: Iterable[Control | Layer]) -> list[dict[str, Any]]:
    """Return controls or layers as plain tables for the facts; what is the default is left out."""
    found = []
    for item in items:
        plain, default = msgspec.to_builtins(item), msgspec.to_builtins(type(item)(name=item.name))
        found.append({key: value for key, value in plain.items() if key == "name" or value != default[key]})
    return found
