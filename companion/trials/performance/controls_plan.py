"""The performance of the controls: each alone from end to end, then every pair of ends, in four orders."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import Control, ControlKind
from companion.trials.performance.score import Clock, Move, Note, Score, Slot, mark_of
from companion.trials.plan import covering_rows

LOW, MIDDLE, HIGH = 0, 64, 127
"""Controller values at a control's low end, half way, and at its high end."""
BETWEEN: Final = (32, MIDDLE, 96)
SETTLE: Final = 160
FADE: Final = 900
"""Milliseconds of rest where a long release or a hall of one state would be heard in the next, and be taken for it."""
LONG: Final = 700
LONG_GAP: Final = 450
SHORT: Final = 100
SHORT_GAP: Final = 420
PAD_GAP: Final = 300
STILL: Final = 500
STAY: Final = 350
GLIDE: Final = 800
PAIRS: Final = 6
"""Pairs of stretches in a note in which a control moves back and forth;"""
STRETCH: Final = 150
BEFORE: Final = 250
VISITS: Final = 3
"""and how many such notes there are: what dies away is too soft soon."""
MOST_TAKES: Final = 12
HOMES: Final = 4
_LAYER: Final = re.compile(r"\blayers?\b|\bfrom (?:no|without|nothing|silence|silent|none|off)\b", re.IGNORECASE)


class Knob(msgspec.Struct, frozen=True, kw_only=True):
    """A control that a controller moves. rest: where it lies when the patch opens, as a controller value.

    layer: it fades a part of the sound in, as its maker's words say, so that another part may be heard alone.
    """

    name: str
    cc: int
    rest: int = 0
    kind: ControlKind = "knob"
    effect: str = ""
    layer: bool = False

    @property
    def steady(self) -> bool:
        """Whether it is meant to glide: a switch and a menu are not."""
        return self.kind not in ("switch", "menu")


class Panel(msgspec.Struct, frozen=True, kw_only=True):
    """What is played while controls move. key: one MIDI note that every layer has. takes: the most round robins a note
    has. patch: the content's mark. passes: in how many orders the pairs of ends are set.
    """

    knobs: tuple[Knob, ...]
    key: int = 60
    velocity: int = 100
    takes: int = 1
    patch: str = ""
    passes: int = 4


def knobs_of(controls: Sequence[Control]) -> tuple[tuple[Knob, ...], dict[str, str]]:
    """Return the controls that can be played, and why each of the others cannot, by name."""
    found: list[Knob] = []
    out: dict[str, str] = {}
    for control in controls:
        if control.cc is None:
            out[control.name] = "no MIDI controller moves it"
        elif control.low == control.high:
            out[control.name] = "both its ends are the same"
        elif not 0 <= control.cc <= 119 or control.cc in (0, 6, 32, 38, 64, *range(98, 102)):
            out[control.name] = f"controller {control.cc} means something else to every host"
        elif any(knob.cc == control.cc for knob in found):
            out[control.name] = f"controller {control.cc} moves another control as well"
        else:
            rest = round(127 * (control.rest - control.low) / (control.high - control.low))
            found.append(
                Knob(
                    name=control.name,
                    cc=control.cc,
                    rest=min(max(rest, LOW), HIGH),
                    kind=control.kind,
                    effect=control.effect,
                    layer=bool(_LAYER.search(control.effect)),
                )
            )
    return tuple(found), out


class _PanelWriter:
    """Writes slots one behind the other, and knows where each control stands."""

    def __init__(self, clock: Clock, panel: Panel) -> None:
        self.clock, self.panel = clock, panel
        self.slots: list[Slot] = []
        self.state = [-1] * len(panel.knobs)

    @property
    def home(self) -> tuple[int, ...]:
        return tuple(knob.rest for knob in self.panel.knobs)

    def _moves(self, state: Sequence[int], order: Sequence[int], apart: int = 12) -> list[Move]:
        moves = []
        for place in order:
            if self.state[place] != state[place]:
                moves.append(Move(self.clock.now, self.panel.knobs[place].cc, state[place]))
                self.clock.run(apart)
        self.state = list(state)
        return moves

    def _note(self, held: int, gap: int) -> Note:
        note = Note(self.clock.now, self.clock.now + held, self.panel.key, self.panel.velocity)
        self.clock.run(held)
        self.clock.gap(gap)
        return note

    def probe(
        self,
        kind: str,
        title: str,
        state: Sequence[int],
        order: Sequence[int] = (),
        control: int = -1,
        settle: int = SETTLE,
    ) -> None:
        """Set the controls to ``state`` one after the other in ``order``, then play a long note and short ones.

        There are as many short ones as let each state meet the same takes, where takes go by turns.
        """
        start = self.clock.now
        moves = self._moves(state, order or range(len(state)))
        self.clock.run(settle)
        notes = [self._note(LONG, LONG_GAP), self._note(SHORT, SHORT_GAP)]
        takes = min(max(1, self.panel.takes), MOST_TAKES)
        notes += [self._note(SHORT, PAD_GAP) for _ in range(-2 % takes)]
        self._keep(kind, title, start, notes, moves, control, tuple(state))

    def held(self, control: int) -> None:
        """One held note while a control jumps four times and glides once, from rest to its ends and home again."""
        start = self.clock.now
        knob = self.panel.knobs[control]
        state = list(self.home)
        state[control] = LOW
        moves = self._moves(state, range(len(state)))
        self.clock.run(SETTLE)
        on = self.clock.now
        self.clock.run(STILL)
        for value in (HIGH, LOW, HIGH, LOW):
            moves.append(Move(self.clock.now, knob.cc, value))
            self.clock.run(STAY)
        begin = self.clock.now
        moves += [Move(begin + GLIDE * value // HIGH, knob.cc, value) for value in range(1, HIGH + 1)]
        self.clock.run(GLIDE + STAY)
        note = Note(on, self.clock.now, self.panel.key, self.panel.velocity)
        self.clock.gap(SHORT_GAP)
        self.state[control] = HIGH
        notes = [note]
        takes = min(max(1, self.panel.takes), MOST_TAKES)
        notes += [self._note(SHORT, PAD_GAP) for _ in range(-1 % takes)]
        state[control] = HIGH
        self._keep("held", f"{knob.name} moved while a note sounds", start, notes, moves, control, tuple(state))

    def paired(self, control: int, mark: str) -> None:
        """Held notes in which a control moves back and forth, in pairs of stretches; which end comes first is drawn."""
        start = self.clock.now
        knob = self.panel.knobs[control]
        state = list(self.home)
        notes, moves = [], []
        for visit in range(VISITS):
            values = [value for rises in _rising(f"{mark}/paired/{control}/{visit}") for value in _ends(rises)]
            state[control] = values[0]
            moves += self._moves(state, range(len(state)))
            self.clock.run(SETTLE)
            on = self.clock.now
            self.clock.run(BEFORE)
            for before, value in pairwise([-1, *values]):
                if value != before:
                    moves.append(Move(self.clock.now, knob.cc, value))
                self.clock.run(STRETCH)
            notes.append(Note(on, self.clock.now, self.panel.key, self.panel.velocity))
            self.clock.gap(SHORT_GAP)
            state[control] = self.state[control] = values[-1]
        takes = min(max(1, self.panel.takes), MOST_TAKES)
        notes += [self._note(SHORT, PAD_GAP) for _ in range(-VISITS % takes)]
        self._keep("paired", f"{knob.name} moved back and forth", start, notes, moves, control, tuple(state))

    def _keep(
        self,
        kind: str,
        title: str,
        start: int,
        notes: Sequence[Note],
        moves: Sequence[Move],
        control: int,
        state: tuple[int, ...],
    ) -> None:
        self.slots.append(
            Slot(
                kind=kind,
                title=title,
                start=start,
                end=self.clock.now,
                notes=tuple(notes),
                moves=tuple(moves),
                control=control,
                state=state,
            )
        )


def plan_controls(panel: Panel, seed: int = 0, most_seconds: float | None = None) -> Score:
    """Return the performance of the controls; see :func:`plan_panel`."""
    return plan_panel(panel, seed, most_seconds)[0]


def plan_panel(panel: Panel, seed: int = 0, most_seconds: float | None = None) -> tuple[Score, Panel]:
    """Return the performance of the controls, and those that it moves.

    Where ``most_seconds`` is too short for all, first fewer orders, then fewer controls (the last ones are left out and
    counted).

    Raises ValueError where there is no control to play, :class:`CompanionError` where there is no time for one.
    """
    if not panel.knobs:
        raise ValueError("no control to play")
    shorter, left_out = panel, 0
    while True:
        score = _planned(shorter, seed, left_out)
        if most_seconds is None or score.length <= 1000 * most_seconds:
            return score, shorter
        if shorter.passes > 2:
            shorter = msgspec.structs.replace(shorter, passes=shorter.passes - 2)
        elif len(shorter.knobs) > 1:
            left_out += 1
            shorter = msgspec.structs.replace(shorter, knobs=shorter.knobs[:-1])
        else:
            raise _too_short(most_seconds, score)


def split_panel(panel: Panel, seed: int, most_seconds: float) -> tuple[tuple[Score, Panel], ...]:
    """Return the performance in as few parts as fit, each with controls that stand side by side.

    Pairs across two parts are set in none of them. Raises as :func:`plan_panel` does.
    """
    count = len(panel.knobs)
    for parts in range(1, count + 1):
        size = -(-count // parts)
        panels = [
            msgspec.structs.replace(panel, knobs=panel.knobs[first : first + size]) for first in range(0, count, size)
        ]
        scores = [_planned(one, seed, 0, number) for number, one in enumerate(panels, start=1)]
        if all(score.length <= 1000 * most_seconds for score in scores):
            whole = [msgspec.structs.replace(score, parts=len(scores)) for score in scores]
            return tuple(zip(whole, panels, strict=True))
    raise _too_short(most_seconds, max(scores, key=lambda score: score.length))


def _too_short(most_seconds: float, score: Score) -> CompanionError:
    needed = -(-score.length // 1000)
    return CompanionError(
        f"{most_seconds:g} s are too short: one control alone is played in {needed} s",
        "",
        f"give it {needed} s or more",
    )


def _planned(panel: Panel, seed: int, left_out: int, number: int = 1) -> Score:
    mark = mark_of(["controls", 2, seed, number, panel])
    writer = _PanelWriter(Clock(mark), panel)
    for time in range(1, HOMES + 1):
        writer.probe("home", f"all at rest, {time} of {HOMES}", writer.home)
    for place in range(len(panel.knobs)):
        _alone(writer, place, mark)
    _layers(writer)
    _together(writer, mark)
    writer.probe("home", "all at rest, at the end", writer.home)
    return Score(
        part="controls",
        mark=mark,
        slots=tuple(writer.slots),
        length=writer.clock.now,
        left_out=left_out,
        number=number,
        takes=panel.takes,
    )


def _rising(name: str) -> list[bool]:
    """Return which of the pairs rise: half of them, drawn by name."""
    keys = [hashlib.sha256(f"{name}/{place}".encode()).digest() for place in range(PAIRS)]
    first = sorted(range(PAIRS), key=keys.__getitem__)[: PAIRS // 2]
    return [place in first for place in range(PAIRS)]


def _ends(rises: bool) -> tuple[int, int]:
    return (LOW, HIGH) if rises else (HIGH, LOW)


def _alone(writer: _PanelWriter, place: int, mark: str) -> None:
    knob = writer.panel.knobs[place]
    points = (LOW, LOW, *BETWEEN, HIGH, HIGH, MIDDLE) if knob.steady else (LOW, LOW, HIGH, HIGH)
    for number, value in enumerate(points):
        state = list(writer.home)
        state[place] = value
        settle = FADE if number == len(points) - 1 and knob.steady else SETTLE
        writer.probe("probe", f"{knob.name} at {value}", state, control=place, settle=settle)
    if len(writer.panel.knobs) > 1:
        # What shapes another control's effect does nothing while that one is down.
        # Low twice: what moves by itself, half way up, is not alike either.
        for value in (LOW, HIGH, LOW):
            state = [HIGH if other.layer else MIDDLE for other in writer.panel.knobs]
            state[place] = value
            writer.probe("company", f"{knob.name} at {value}, the others half way", state, control=place)
    writer.held(place)
    writer.paired(place, mark)
    writer.probe("home", f"{knob.name} back at rest", writer.home, control=place, settle=FADE)


def _layers(writer: _PanelWriter) -> None:
    """Each layer alone, where there are at least two of them."""
    layers = [place for place, knob in enumerate(writer.panel.knobs) if knob.layer]
    if len(layers) < 2:
        return
    state = [HIGH if place in layers else value for place, value in enumerate(writer.home)]
    writer.probe("layers", "all layers up", state)
    for alone in layers:
        state = list(writer.home)
        for place in layers:
            state[place] = HIGH if place == alone else LOW
        writer.probe("layer", f"{writer.panel.knobs[alone].name} alone", state, control=alone)
    writer.probe("home", "all at rest, after the layers", writer.home, settle=FADE)


def _together(writer: _PanelWriter, mark: str) -> None:
    """Every pair of ends, set left to right, right to left, and in shuffled orders; home again after each."""
    knobs = writer.panel.knobs
    layers = [place for place, knob in enumerate(knobs) if knob.layer]
    rows = [tuple(HIGH if high else LOW for high in row) for row in covering_rows(len(knobs))]
    if len(layers) == len(knobs) or len(layers) > 1:
        # With every layer down there is silence, and that is no fault.
        rows = [row for row in rows if any(row[place] for place in layers)]
    plain = tuple(range(len(knobs)))
    orders = [("left to right", plain), ("right to left", plain[::-1])]
    orders += [(f"shuffled {number}", _drawn(mark, number, len(knobs))) for number in (1, 2)]
    for number, (title, order) in enumerate(orders[: writer.panel.passes] if rows else ()):
        # The rows too come in another order, so that each state is reached from elsewhere.
        turned = rows if number % 2 == 0 else rows[::-1]
        for row in turned:
            writer.probe("row", f"ends together {rows.index(row) + 1}, {title}", row, order, settle=FADE)
        writer.probe("home", f"all at rest, after {title}", writer.home, order, settle=FADE)


def _drawn(mark: str, number: int, count: int) -> tuple[int, ...]:
    keys = [hashlib.sha256(f"{mark}/order/{number}/{place}".encode()).digest() for place in range(count)]
    return tuple(sorted(range(count), key=keys.__getitem__))


def glide_of(slot: Slot) -> tuple[tuple[int, ...], int, int]:
    """Return of a held slot when the control jumps, and when it begins and ends to glide, in ms."""
    note = slot.notes[0]
    inside = [move.at for move in slot.moves if move.at > note.on]
    jumps = tuple(inside[:4])
    return jumps, inside[4], inside[-1]


def visits_of(slot: Slot) -> list[tuple[int, list[tuple[int, int]], int]]:
    """Return of a slot in which a control moves back and forth each held note: when it begins, its stretches (when,
    value), and when it ends, in ms.
    """
    found = []
    cc = slot.moves[-1].cc
    for note in slot.notes[:VISITS]:
        begins = [note.on + BEFORE + STRETCH * place for place in range(2 * PAIRS)]
        moves = [move for move in slot.moves if move.cc == cc]
        values = [next(move.value for move in reversed(moves) if move.at <= begin) for begin in begins]
        found.append((note.on, list(zip(begins, values, strict=True)), note.off))
    return found


def apart(slots: Sequence[Slot]) -> bool:
    """Tell whether slots follow each other without overlap, as they must."""
    return all(one.end <= two.start for one, two in pairwise(slots))
