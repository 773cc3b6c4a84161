"""What a person is asked to try: each control alone, all of them in several orders, and every pair of extremes."""

import hashlib
import json
import re
from collections.abc import Sequence
from itertools import combinations, islice
from math import comb
from typing import Final, Literal

import msgspec

from companion.core.facts import Control
from companion.core.text import visible

TrialKind = Literal["alone", "left to right", "right to left", "shuffled", "pairs", "by ear", "measured"]
ORDERS: Final[tuple[TrialKind, ...]] = ("left to right", "right to left", "shuffled")

_AT_REST: Final = "Set every control to its rest position and play a few notes, soft and hard."
_ORDER_EXPECT: Final = (
    "All the way out it sounds the same in whatever order the controls were moved; back at rest it sounds as it did "
    "at the start. Nothing clicks, jumps or hangs on the way."
)
_PAIRS_EXPECT: Final = "Every note speaks, at soft and at hard touch; nothing cuts out, overloads or hangs."


class Setting(msgspec.Struct, frozen=True):
    """One move: the control's name as the facts have it, and the value it is set to."""

    control: str
    value: float


class Trial(msgspec.Struct, frozen=True, kw_only=True):
    """One thing to try and judge.

    id: stable, made from the content, so that an answer is never taken for another trial's. steps: the moves in their
    order; none for what is listened to by ear, or was measured. instruction: the whole of it in words for a person.
    expect: what makes it a pass. title, instruction and expect are safe to show; names in ``steps`` are as the facts
    have them.
    """

    id: str
    kind: TrialKind
    title: str
    steps: tuple[Setting, ...]
    instruction: str
    expect: str


def trials(controls: Sequence[Control], seed: int) -> tuple[Trial, ...]:
    """Return every trial of ``controls``, in the order to make them.

    seed: decides the shuffled order and nothing else; the same seed gives the same order on every computer.
    Each control gives one trial that visits both its ends, because an effect is heard by comparing them. One control
    has no order and no pair; two have no third order.
    """
    return (*(_alone(control) for control in controls), *_orders(controls, seed), *_pairs(controls))


def planned(controls: Sequence[Control]) -> tuple[Trial, ...]:
    """Return every trial of ``controls``; the same controls give the same shuffled order."""
    return trials(controls, seed_from(" ".join(control.name for control in controls)))


def seed_from(text: str) -> int:
    """Return a seed below 10,000 (short enough to say aloud) that depends on nothing but ``text``."""
    return int.from_bytes(hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()[:8], "big") % 10_000


def covering_rows(count: int) -> tuple[tuple[bool, ...], ...]:
    """Return rows of low (False) and high (True) such that any two of ``count`` columns meet in all four ways.

    Strength 2, two levels, and as few rows as can be: N rows serve C(N − 1, ⌈N/2⌉) columns and no more (Katona 1973,
    Periodica Mathematica Hungarica 3, 19–26; Kleitman and Spencer 1973, Discrete Mathematics 6, 255–262). Each column
    is low in the first row and high in its own choice of ⌈N/2⌉ others: two different choices of one size each have a
    row of their own, and two such choices among N − 1 rows must share one. Fewer than two columns need no rows.
    """
    if count < 2:
        return ()
    rows = 4
    while comb(rows - 1, (rows + 1) // 2) < count:
        rows += 1
    columns = list(islice(combinations(range(1, rows), (rows + 1) // 2), count))
    return tuple(tuple(row in column for column in columns) for row in range(rows))


def shuffled(count: int, seed: int) -> tuple[int, ...]:
    """Return 0 … ``count`` − 1 in an order that ``seed`` decides, neither rising nor falling where a third exists.

    Sorted by SHA-256, so no library's generator can change it from one version to the next.
    """
    plain = tuple(range(count))
    for attempt in range(64):
        keys = [hashlib.sha256(f"{seed}/{attempt}/{index}".encode()).digest() for index in plain]
        order = tuple(sorted(plain, key=keys.__getitem__))
        if count < 3 or order not in (plain, plain[::-1]):
            return order
    return (*plain[1:], 0)  # never reached by chance: 64 draws in a row


def trial_of(
    kind: TrialKind, title: str, steps: tuple[Setting, ...], instruction: str, expect: str, claim: str = ""
) -> Trial:
    """Return a trial whose id comes from its moves and its ``claim``.

    The words a person reads may be improved without their answers being lost; what is claimed may not.
    """
    content = json.dumps([kind, [[s.control, repr(s.value)] for s in steps], claim])
    mark = hashlib.sha256(content.encode()).hexdigest()[:12]
    return Trial(
        id=f"{kind.replace(' ', '-')}-{mark}",
        kind=kind,
        title=visible(title),
        steps=steps,
        instruction=visible(instruction),
        expect=visible(expect),
    )


def _move_text(control: Control, value: float) -> str:
    """Return one move in words: ``turn “Tone” to 0.5``."""
    name, number = f"“{control.name}”", f"{value:g}".replace("-", "−")
    match control.kind:
        case "switch" if value in (control.low, control.high) and control.low != control.high:
            return f"switch {name} {'on' if value == control.high else 'off'}"
        case "menu":
            return f"choose entry {number} of {name}"
        case "slider":
            return f"move {name} to {number}"
        case _:
            return f"turn {name} to {number}"


def _ends(control: Control) -> tuple[float, ...]:
    return (control.low,) if control.low == control.high else (control.low, control.high)


def _far(control: Control) -> float:
    """Return the end that lies farther from rest: the larger move shows more."""
    return control.high if abs(control.high - control.rest) >= abs(control.low - control.rest) else control.low


def _alone(control: Control) -> Trial:
    ends = _ends(control)
    moves = ", play the same notes, then ".join(_move_text(control, value) for value in ends)
    by = f" It answers to MIDI controller {control.cc}: move it from there as well." if control.cc is not None else ""
    effect = re.sub(r"\s+", " ", control.effect).strip().rstrip(".")
    expect = (
        f"Between its ends you hear: {effect}. Nothing else changes."
        if effect
        else "You hear a difference between its ends, and it is the one its name promises."
    )
    return trial_of(
        "alone",
        f"{control.name} alone",
        tuple(Setting(control.name, value) for value in ends),
        f"{_AT_REST} Then {moves}, and play the same notes again.{by}",
        expect,
        claim=expect,
    )


def _orders(controls: Sequence[Control], seed: int) -> list[Trial]:
    count = len(controls)
    if count < 2:
        return []
    plain = tuple(range(count))
    orders: list[tuple[TrialKind, str, tuple[int, ...]]] = [
        ("left to right", "All controls left to right", plain),
        ("right to left", "All controls right to left", plain[::-1]),
    ]
    if count > 2:
        orders.append(("shuffled", "All controls shuffled", shuffled(count, seed)))
    found = []
    for kind, title, order in orders:
        chosen = [controls[index] for index in order]
        out = tuple(Setting(control.name, _far(control)) for control in chosen)
        back = tuple(Setting(control.name, control.rest) for control in chosen)
        moves = "; ".join(_move_text(control, _far(control)) for control in chosen)
        found.append(
            trial_of(
                kind,
                title,
                out + back,
                f"{_AT_REST} Then, with a note held, move one after the other: {moves}. "
                "Play a few notes. Then put each back to rest in the same order and play them again.",
                _ORDER_EXPECT,
            )
        )
    return found


def _pairs(controls: Sequence[Control]) -> list[Trial]:
    able = [control for control in controls if control.low != control.high]
    rows = covering_rows(len(able))
    found = []
    for number, row in enumerate(rows, start=1):
        values = [control.high if high else control.low for control, high in zip(able, row, strict=True)]
        moves = "; ".join(_move_text(control, value) for control, value in zip(able, values, strict=True))
        found.append(
            trial_of(
                "pairs",
                f"Extremes together {number} of {len(rows)}",
                tuple(Setting(control.name, value) for control, value in zip(able, values, strict=True)),
                f"{_AT_REST} Then {moves}. Play low, middle and high notes, soft and hard.",
                _PAIRS_EXPECT,
            )
        )
    return found
