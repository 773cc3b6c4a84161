"""The performance: what can be played of the instrument, its files, and which of them a bounce may be of."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.evidence import fingerprint
from companion.core.files import read_capped, write_safely
from companion.core.text import plural, visible
from companion.core.units import note_name
from companion.steps.desk import Desk

if TYPE_CHECKING:
    from companion.sound.zones.naming import Placed
    from companion.trials.performance.controls_plan import Panel
    from companion.trials.performance.keys import Playable
    from companion.trials.performance.midi import Asked
    from companion.trials.performance.score import Score

PERFORMANCE: Final = "performance"
"""Where the evidence of bounces lies, beside that of the steps."""
HUSH: Final = "Keep the monitors low for the first playback: a patch that misreads its samples can be very loud."
_MOST_MIDI: Final = 4 << 20
_MOST_TOUCHES: Final = 4


GIVE_ONE: Final = (
    "To have such a control played, let a MIDI controller of its own move it in the engine (1 to 119, none that hosts "
    "use themselves), save the patch, and state the number as cc beside the control in the facts"
)
"""How a control gets a controller, in words that fit any engine."""


class PerformanceFile(msgspec.Struct, frozen=True, kw_only=True):
    """One MIDI file of the performance. part: keys or controls; number, parts: which of several. seconds: its length.

    covers: what it plays, in words. left_out: keys, or controls, there was no time for. file: where it lies, once it is
    written.
    """

    part: str
    number: int
    parts: int
    seconds: float
    notes: int
    covers: str
    left_out: int
    mark: str
    file: str = ""


class Performed(msgspec.Struct, frozen=True, kw_only=True):
    """The performance as it was written. by_hand: controls it does not play, and why. give_one: how to have one of them
    played; empty where all are.
    """

    files: tuple[PerformanceFile, ...]
    by_hand: tuple[str, ...]
    give_one: str = ""
    caution: str = HUSH


def content_mark(desk: Desk) -> str:
    """Return the mark of what a bounce is evidence for: all that is heard, and what the facts say of it."""
    stated = {name: desk.stated(name) for name in ("controls", "layers", "naming")}
    return fingerprint([("sounding", desk.marks.sounding)], stated)


def named_notes(desk: Desk) -> dict[str, tuple[Placed, int]]:
    """Return what the names of the samples say, and their MIDI notes, by path; those that name no note are left out."""
    from companion.sound.zones.naming import Placed
    from companion.sound.zones.reading import read_names

    naming = desk.facts.naming
    named = read_names((entry.path for entry in desk.of_kind(Kind.SAMPLE)), naming).places
    if not (naming.pattern or naming.more):  # touches and takes are played where a fact says how they are read
        named = {path: Placed(note=place.note, octave_open=place.octave_open) for path, place in named.items()}
    return {
        path: (place, note) for path, place in named.items() if (note := place.note_under(naming.middle_c)) is not None
    }


def _take_counts(named: Mapping[str, tuple[Placed, int]], note: int | None = None) -> set[int]:
    """Return how many takes there are of a note at one touch in one folder; of all notes, or of one."""
    takes: dict[tuple[Any, ...], set[str]] = defaultdict(set)
    for path, (place, own) in named.items():
        if place.take and note in (None, own) and not place.release:
            takes[touch_of(path, place, own)].add(place.take)
    return {len(several) for several in takes.values()}


def touch_of(path: str, place: Placed, note: int) -> tuple[Any, ...]:
    """Return what is the same for takes of one note: their folder, the note, its touch and its microphone."""
    return path.rpartition("/")[0], note, place.velocity, place.low_velocity, place.microphone


def playable_of(desk: Desk) -> Playable:
    """Return what can be played: keys and takes as the facts state them, else as the names of the samples have them.

    Raises :class:`CompanionError` where neither says which keys there are: silence on a key that nobody promised is no
    fault.
    """
    from companion.trials.performance.keys import Playable, spread

    facts, named = desk.facts, named_notes(desk)
    stated = [layer for layer in facts.layers if (layer.low_key, layer.high_key) != (0, 127)]
    keys = {key for layer in stated for key in range(max(0, layer.low_key), min(127, layer.high_key) + 1)}
    notes = [note for _, note in named.values()]
    if not keys and notes:
        keys = set(range(min(notes), max(notes) + 1))
    if not keys:
        raise CompanionError(
            "Neither the facts nor the names of the samples say which keys play",
            "layers",
            "state low_key and high_key of each layer in release.toml",
        )
    velocities = sorted({place.velocity for place, _ in named.values() if place.velocity})
    return Playable(
        keys=tuple(sorted(key for key in keys if 0 <= key <= 127)),
        velocities=spread(velocities, _MOST_TOUCHES) if len(velocities) > 1 else (40, 100),
        takes=max([1, *(layer.round_robins for layer in facts.layers), *_take_counts(named)]),
        patch=content_mark(desk)[:16],
        middle_c=facts.naming.middle_c or "C3",
        voices=facts.limits.voices or 16,
    )


def panel_of(desk: Desk, playable: Playable) -> Panel | None:
    """Return the controls that can be played, and the key they are heard on; None where there are none.

    The key surely sounds: as near to the middle as can be, of those that all layers share, and, if it can be, one that
    a sample was recorded at. Its takes are so many notes that every layer has come round to its first one again.
    """
    from companion.trials.performance.controls_plan import MOST_TAKES, Panel, knobs_of

    knobs, _ = knobs_of(desk.facts.controls)
    if not knobs:
        return None
    layers, named = desk.facts.layers, named_notes(desk)
    shared = [key for key in playable.keys if all(layer.low_key <= key <= layer.high_key for layer in layers)]
    keys = shared or list(playable.keys)
    recorded = [key for key in keys if key in {note for _, note in named.values()}]
    key = min(recorded or keys, key=lambda one: (abs(one - keys[len(keys) // 2]), one))
    counts = {1, *(layer.round_robins for layer in layers if layer.round_robins), *_take_counts(named, key)}
    takes = math.lcm(*counts)
    return Panel(knobs=knobs, key=key, takes=takes if takes <= MOST_TAKES else max(counts), patch=playable.patch)


Plan = tuple["Score", "Panel | None"]
"""A performance, and the controls it moves where it is one of controls."""


def plans_of(desk: Desk, asked: Asked) -> tuple[Plan, ...]:
    """Return the performances that are asked for, each in its parts: of the keys, then of the controls."""
    from companion.trials.performance.controls_plan import plan_panel, split_panel
    from companion.trials.performance.keys import plan_keys, split_keys

    playable = playable_of(desk)
    panel = panel_of(desk, playable)
    if asked.split and asked.seconds:
        scores = split_keys(playable, asked.seed, asked.seconds)
        parts = split_panel(panel, asked.seed, asked.seconds) if panel else ()
    else:
        most = asked.seconds or None
        scores = (plan_keys(playable, asked.seed, most),)
        parts = (plan_panel(panel, asked.seed, most),) if panel else ()
    return (*((score, None) for score in scores), *parts)


def outline(desk: Desk, asked: Asked) -> Performed:
    """Return what the performance covers and leaves out; nothing is written."""
    playable = playable_of(desk)
    return _performed(desk, [_file_of(score, panel, playable) for score, panel in plans_of(desk, asked)])


def write_performance(desk: Desk, asked: Asked, out: Path) -> Performed:
    """Write the performance into the folder ``out`` and return what it covers."""
    from companion.trials.performance.midi import midi_bytes

    playable, title = playable_of(desk), desk.facts.instrument.title or "Untitled"
    files = []
    for score, panel in plans_of(desk, asked):
        part = f" {score.number} of {score.parts}" if score.parts > 1 else ""
        path = out / f"{desk.stem} {score.part}{part}.mid"
        write_safely(path, midi_bytes(score, f"{title}: {score.part}{part}", asked), root=desk.places.root_of(out))
        files.append(msgspec.structs.replace(_file_of(score, panel, playable), file=str(path)))
    return _performed(desk, files)


def _file_of(score: Score, panel: Panel | None, playable: Playable) -> PerformanceFile:
    keys = sorted({note.key for note in score.notes})
    named = note_name(keys[0], playable.middle_c)
    if panel:
        orders = f", every pair of ends in {panel.passes} orders" if len(panel.knobs) > 1 else ""
        covers = f"{plural(len(panel.knobs), 'control')} on {named}: each alone from end to end{orders}"
    else:
        touches = plural(len(playable.velocities), "touch", "touches")
        repeats = f", {plural(score.takes, 'take')} of some" if score.takes > 1 else ""
        span = f"{named} to {note_name(keys[-1], playable.middle_c)}"
        covers = f"{plural(len(keys), 'key')}, {span}, at {touches}{repeats}; 1 to 16 notes together"
    return PerformanceFile(
        part=score.part,
        number=score.number,
        parts=score.parts,
        seconds=score.length / 1000,
        notes=len(score.notes),
        covers=covers,
        left_out=score.left_out,
        mark=score.mark,
    )


def _performed(desk: Desk, files: list[PerformanceFile]) -> Performed:
    """Return the performance with the controls that stay by hand, and how to have one of them played."""
    from companion.trials.performance.controls_plan import knobs_of

    _, out = knobs_of(desk.facts.controls)
    by_hand = tuple(f"“{visible(name)}”: {reason}" for name, reason in out.items())
    return Performed(files=tuple(files), by_hand=by_hand, give_one=GIVE_ONE if by_hand else "")


def candidates(desk: Desk, given: Asked | None, beside: Path) -> tuple[Plan, ...]:
    """Return the performances that a bounce may be of: the one asked for, else the plain one and those whose MIDI files
    lie in ``.companion/bounces`` or beside the bounce.
    """
    from companion.trials.performance.midi import Asked, asked_in

    asked = {given: None} if given else {Asked(): None}
    if given is None:
        for folder in dict.fromkeys((desk.places.bounces, beside)):
            for path in sorted(folder.glob("*.mid"))[:64] if folder.is_dir() else []:
                try:
                    found = asked_in(read_capped(path, _MOST_MIDI, "MIDI file"))
                except CompanionError:
                    continue
                if found:
                    asked[found] = None
    plans = {score.mark: (score, panel) for one in asked for score, panel in plans_of(desk, one)}
    return tuple(plans.values())
