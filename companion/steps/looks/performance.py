"""The performance: what can be played of the instrument, its files, and what bounces of it told."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion import __version__
from companion.core import rules
from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.evidence import Evidence, fingerprint
from companion.core.files import read_capped, write_safely
from companion.core.findings import Finding
from companion.core.text import listed, plural, visible
from companion.core.units import note_name
from companion.steps.desk import Desk

if TYPE_CHECKING:
    from companion.trials.performance.judged import Judged
    from companion.trials.performance.keys import Playable
    from companion.trials.performance.midi import Asked
    from companion.trials.performance.score import Score

PERFORMANCE: Final = "performance"
"""Where the evidence of bounces lies, beside that of the steps."""
HUSH: Final = "Keep the monitors low for the first playback: a patch that misreads its samples can be very loud."
_MOST_MIDI: Final = 4 << 20
_MOST_TOUCHES: Final = 4


class PerformanceFile(msgspec.Struct, frozen=True, kw_only=True):
    """One MIDI file of the performance. part: keys or controls; number, parts: which of several. seconds: its length.

    covers: what it plays, in words. left_out: keys there was no time for. file: where it lies, once it is written.
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
    """The performance as it was written. by_hand: controls it does not play, and why."""

    files: tuple[PerformanceFile, ...]
    by_hand: tuple[str, ...]
    caution: str = HUSH


class JudgedSlot(msgspec.Struct, frozen=True, kw_only=True):
    """A slot of a judged bounce, for its picture: where it begins in the bounce, and the rules that found a fault."""

    title: str
    seconds: float
    rules: tuple[str, ...] = ()
    unheard: bool = False


class JudgedBounce(msgspec.Struct, frozen=True, kw_only=True):
    """What a bounce told. kept: whether it is evidence now; a bounce of something else is none.

    judged: how many slots were judged of how many. by_ear: what it could not tell and is asked by hand.
    """

    file: str
    part: str = ""
    number: int = 1
    parts: int = 1
    seconds: float
    rate: int
    fit: float
    kept: bool
    judged: int = 0
    slots: tuple[JudgedSlot, ...] = ()
    findings: tuple[Finding, ...] = ()
    by_ear: tuple[str, ...] = ()


class ByEar(msgspec.Struct, frozen=True):
    """What a bounce could not tell: a rule, why, and the titles of the slots."""

    rule: str
    reason: str
    slots: tuple[str, ...]


class BounceDetails(msgspec.Struct, frozen=True, kw_only=True):
    """What the evidence of a bounce holds beside its findings; evidence that does not read so counts for nothing."""

    content: str
    part: str
    number: int
    parts: int
    keys: int
    by_ear: tuple[ByEar, ...]
    bounce: JudgedBounce


def judge_now() -> dict[str, int]:
    """Return who judges bounces: versions of the rules and of the hearing they rest on, by id."""
    from companion.trials.performance_rules import RULES

    return rules.judge_of(RULES)


def content_mark(desk: Desk) -> str:
    """Return the mark of what a bounce is evidence for: all that plays, and what the facts say of it."""
    stated = {name: desk.stated(name) for name in ("controls", "layers", "naming")}
    return fingerprint([("playable", desk.marks.playable)], stated)


def playable_of(desk: Desk) -> Playable:
    """Return what can be played: keys and takes as the facts state them, else as the names of the samples have them.

    Raises :class:`CompanionError` where neither says which keys there are: silence on a key that nobody promised is no
    fault.
    """
    from companion.sound.zones.naming import guess_note, place_all
    from companion.trials.performance.keys import Playable, spread

    facts = desk.facts
    paths = [entry.path for entry in desk.of_kind(Kind.SAMPLE)]
    named = place_all(paths, facts.naming.pattern) or {path: guess_note(path) for path in paths}
    stated = [layer for layer in facts.layers if (layer.low_key, layer.high_key) != (0, 127)]
    keys = {key for layer in stated for key in range(max(0, layer.low_key), min(127, layer.high_key) + 1)}
    notes = {
        path: note for path, place in named.items() if (note := place.note_under(facts.naming.middle_c)) is not None
    }
    if not keys and notes:
        keys = set(range(min(notes.values()), max(notes.values()) + 1))
    if not keys:
        raise CompanionError(
            "Neither the facts nor the names of the samples say which keys play",
            "layers",
            "state low_key and high_key of each layer in release.toml",
        )
    takes: dict[tuple[Any, ...], set[str]] = defaultdict(set)
    for path, place in named.items():
        if place.take and path in notes:
            takes[path.rpartition("/")[0], notes[path], place.velocity].add(place.take)
    velocities = sorted({place.velocity for place in named.values() if place.velocity})
    return Playable(
        keys=tuple(sorted(key for key in keys if 0 <= key <= 127)),
        velocities=spread(velocities, _MOST_TOUCHES) if len(velocities) > 1 else (40, 100),
        takes=max([1, *(layer.round_robins for layer in facts.layers), *map(len, takes.values())]),
        patch=content_mark(desk)[:16],
        middle_c=facts.naming.middle_c or "C3",
    )


def scores_of(desk: Desk, asked: Asked) -> tuple[Score, ...]:
    """Return the performance that is asked for, in its parts."""
    from companion.trials.performance.keys import plan_keys, split_keys

    playable = playable_of(desk)
    if asked.split and asked.seconds:
        return split_keys(playable, asked.seed, asked.seconds)
    return (plan_keys(playable, asked.seed, asked.seconds or None),)


def outline(desk: Desk, asked: Asked) -> Performed:
    """Return what the performance covers and leaves out; nothing is written."""
    playable = playable_of(desk)
    return Performed(files=tuple(_file_of(score, playable) for score in scores_of(desk, asked)), by_hand=_by_hand(desk))


def write_performance(desk: Desk, asked: Asked, out: Path) -> Performed:
    """Write the performance into the folder ``out`` and return what it covers."""
    from companion.trials.performance.midi import midi_bytes

    playable, title = playable_of(desk), desk.facts.instrument.title or "Untitled"
    files = []
    for score in scores_of(desk, asked):
        part = f" {score.number} of {score.parts}" if score.parts > 1 else ""
        path = out / f"{desk.stem} {score.part}{part}.mid"
        write_safely(path, midi_bytes(score, f"{title}: {score.part}{part}", asked))
        files.append(msgspec.structs.replace(_file_of(score, playable), file=str(path)))
    return Performed(files=tuple(files), by_hand=_by_hand(desk))


def _file_of(score: Score, playable: Playable) -> PerformanceFile:
    keys = sorted({note.key for note in score.notes})
    span = f"{note_name(keys[0], playable.middle_c)} to {note_name(keys[-1], playable.middle_c)}"
    touches = plural(len(playable.velocities), "touch", "touches")
    repeats = f", {plural(score.takes, 'take')} of some" if score.takes > 1 else ""
    return PerformanceFile(
        part=score.part,
        number=score.number,
        parts=score.parts,
        seconds=score.length / 1000,
        notes=len(score.notes),
        covers=f"{plural(len(keys), 'key')}, {span}, at {touches}{repeats}; 1 to 16 notes together",
        left_out=score.left_out,
        mark=score.mark,
    )


def _by_hand(desk: Desk) -> tuple[str, ...]:
    """Return which controls stay by hand, and how to have one played."""
    names = [f"“{visible(control.name)}”" for control in desk.facts.controls]
    return (f"{listed(names, 6)}: controls are tried by hand",) if names else ()


def candidates(desk: Desk, given: Asked | None, beside: Path) -> tuple[Score, ...]:
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
    scores = {score.mark: score for one in asked for score in scores_of(desk, one)}
    return tuple(scores.values())


def judge_bounce(desk: Desk, path: Path, given: Asked | None) -> tuple[JudgedBounce, Evidence | None]:
    """Judge a bounce; return what it told, and the evidence of it where it is of this performance."""
    from companion.trials.performance.bounce import Bounce
    from companion.trials.performance.judging import judge
    from companion.trials.performance_rules import check_bounce, unheard

    scores = candidates(desk, given, path.parent)
    with Bounce(path) as sound:
        judged = judge(sound, scores, desk.watch)
    findings = check_bounce(judged)
    bounce = _outcome(path, judged, findings, unheard(judged))
    if judged.score is None:
        return bounce, None
    score, content = judged.score, content_mark(desk)
    by_ear = [
        {"rule": rule, "reason": reason, "slots": [score.slots[number].title for number in slots]}
        for (rule, reason), slots in unheard(judged).items()
    ]
    evidence = Evidence(
        step=PERFORMANCE,
        fingerprint=hashlib.sha256(f"{content}/{score.mark}".encode()).hexdigest(),
        judge=judge_now(),
        taken="",
        companion=__version__,
        findings=findings,
        details={
            "content": content,
            "part": score.part,
            "number": score.number,
            "parts": score.parts,
            "mark": score.mark,
            "keys": len({note.key for note in score.notes}),
            "left_out": score.left_out,
            "source": source_of(path),
            "by_ear": by_ear,
            "bounce": msgspec.to_builtins(msgspec.structs.replace(bounce, findings=(), kept=True)),
        },
    )
    return msgspec.structs.replace(bounce, kept=True), evidence


def _outcome(
    path: Path, judged: Judged, findings: tuple[Finding, ...], unheard: dict[tuple[str, str], tuple[int, ...]]
) -> JudgedBounce:
    playback, score = judged.playback, judged.score
    wrong: dict[int, set[str]] = defaultdict(set)
    for verdict in judged.verdicts:
        for number in verdict.slots if not verdict.reason else ():
            wrong[number].add(verdict.rule)
    lost = set(playback.missing)
    blind = {number for slots in unheard.values() for number in slots}
    slots = [(number, slot) for number, slot in enumerate(score.slots) if slot.notes] if score else []
    return JudgedBounce(
        file=path.name,
        part=score.part if score else "",
        number=score.number if score else 1,
        parts=score.parts if score else 1,
        seconds=round(playback.seconds, 3),
        rate=playback.rate,
        fit=playback.fit,
        kept=False,
        judged=sum(number not in lost for number, _ in slots),
        slots=tuple(
            JudgedSlot(
                title=slot.title,
                seconds=round(playback.at(slot.start) / playback.rate, 3),
                rules=tuple(sorted(wrong[number])),
                unheard=number in blind or number in lost,
            )
            for number, slot in slots
        ),
        findings=findings,
        by_ear=tuple(ear_title(rule, len(numbers), reason) for (rule, reason), numbers in unheard.items()),
    )


_EAR: Final = {
    "note-silent": "Do these sound at all",
    "note-off-pitch": "Are these in tune",
    "note-level-step": "Are these as loud as they should be",
    "take-repeats": "Do quick repeats of these change",
}


def ear_title(rule: str, count: int, reason: str) -> str:
    """Return in words what a person is asked to listen to."""
    return f"{_EAR.get(rule, rule)}: {plural(count, 'note')} the bounce could not tell of, since {reason}"


def source_of(path: Path) -> str:
    """Return by what a bounce is known again: its name, size and time."""
    there = path.stat()
    return f"{path.name}/{there.st_size}/{there.st_mtime_ns}"
