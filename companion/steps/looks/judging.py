"""What a bounce told, as evidence for exactly this content."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion import __version__
from companion.core import rules
from companion.core.evidence import Evidence
from companion.core.findings import Finding, ordered
from companion.core.text import listed, plural, visible
from companion.steps.desk import Desk
from companion.steps.looks.dry import dry_samples
from companion.steps.looks.performance import PERFORMANCE, candidates, content_mark
from companion.trials.performance.controls_judged import Outcome

if TYPE_CHECKING:
    from companion.trials.performance.judged import Judged
    from companion.trials.performance.midi import Asked


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
    """What a bounce could not tell: a rule, why, and the titles of the slots, or the names of controls."""

    rule: str
    reason: str
    slots: tuple[str, ...]


class ControlTold(msgspec.Struct, frozen=True, kw_only=True):
    """What a bounce told of one control by one rule. control: its name; empty for all of them together."""

    rule: str
    outcome: Outcome
    control: str = ""
    reason: str = ""


class BounceDetails(msgspec.Struct, frozen=True, kw_only=True):
    """What the evidence of a bounce holds beside its findings; evidence that does not read so counts for nothing.

    moved: names of the controls that were played. told: what it told of them.
    """

    content: str
    part: str
    number: int
    parts: int
    keys: int
    by_ear: tuple[ByEar, ...]
    bounce: JudgedBounce
    moved: tuple[str, ...] = ()
    told: tuple[ControlTold, ...] = ()


def judge_now(part: str) -> dict[str, int]:
    """Return who judges bounces of the keys, or of the controls: versions of rules and of what they rest on, by id."""
    from companion.trials import performance_control_rules, performance_rules

    if part == "keys":
        return rules.judge_of(performance_rules.RULES)
    return rules.judge_of((*performance_rules.OF_EVERY_BOUNCE, *performance_control_rules.RULES))


def judge_bounce(desk: Desk, path: Path, given: Asked | None) -> tuple[JudgedBounce, Evidence | None]:
    """Judge a bounce; return what it told, and the evidence of it where it is of this performance."""
    from companion.trials.performance.bounce import Bounce
    from companion.trials.performance.judging import judge
    from companion.trials.performance_control_rules import check_measured
    from companion.trials.performance_rules import check_bounce

    plans = candidates(desk, given, path.parent)
    panels = {score.mark: panel for score, panel in plans if panel}
    with Bounce(path) as sound:
        scores = [score for score, _ in plans]
        judged = judge(sound, scores, desk.watch, panels, _loudest_noise(desk), dry_samples(desk))
    findings = check_bounce(judged)
    if judged.controls:
        findings = ordered((*findings, *check_measured(judged.controls)))
    by_ear = tuple(_unheard(judged))
    bounce = _outcome(path, judged, findings, by_ear)
    if judged.score is None:
        return bounce, None
    score, content = judged.score, content_mark(desk)
    evidence = Evidence(
        step=PERFORMANCE,
        fingerprint=hashlib.sha256(f"{content}/{score.mark}".encode()).hexdigest(),
        judge=judge_now(score.part),
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
            "by_ear": msgspec.to_builtins(by_ear),
            "moved": [knob.name for knob in judged.controls.panel.knobs] if judged.controls else [],
            "told": msgspec.to_builtins(tuple(_told(judged))),
            "bounce": msgspec.to_builtins(msgspec.structs.replace(bounce, findings=(), kept=True)),
        },
    )
    return msgspec.structs.replace(bounce, kept=True), evidence


def _loudest_noise(desk: Desk) -> float:
    from companion.trials.performance.hiss import NOISE_DBFS

    stated = desk.facts.limits.noise_dbfs
    return NOISE_DBFS if stated is None else stated


def _told(judged: Judged) -> Iterator[ControlTold]:
    for one in judged.controls.verdicts if judged.controls else ():
        yield ControlTold(rule=one.rule, outcome=one.outcome, control=_named(judged, one.control), reason=one.reason)


def _named(judged: Judged, place: int) -> str:
    return judged.controls.panel.knobs[place].name if judged.controls and place >= 0 else ""


def _unheard(judged: Judged) -> Iterator[ByEar]:
    """Yield what could not be judged, by rule and reason."""
    from companion.trials.performance_rules import unheard

    for (rule, reason), numbers in unheard(judged).items():
        assert judged.score
        yield ByEar(rule, reason, tuple(judged.score.slots[number].title for number in numbers))
    names: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in _told(judged):
        if one.outcome == "unjudged":
            names[one.rule, one.reason] += [one.control] if one.control else []
    for (rule, reason), controls in names.items():
        yield ByEar(rule, reason, tuple(controls))


def _outcome(path: Path, judged: Judged, findings: tuple[Finding, ...], by_ear: Sequence[ByEar]) -> JudgedBounce:
    playback, score = judged.playback, judged.score
    wrong: dict[int, set[str]] = defaultdict(set)
    blind: set[int] = set()
    for verdict in judged.verdicts:
        blind.update(verdict.slots if verdict.reason else ())
        for number in verdict.slots if not verdict.reason else ():
            wrong[number].add(verdict.rule)
    for told in judged.controls.verdicts if judged.controls else ():
        blind.update(told.slots if told.outcome == "unjudged" else ())
        for number in told.slots if told.outcome == "fault" else ():
            wrong[number].add(told.rule)
    lost = set(playback.missing)
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
        by_ear=tuple(f"{ear_title(asked)}: {ear_reasons(asked)}" for asked in by_question(by_ear)),
    )


_EAR: Final = {
    "bounce-click": "Do these click",
    "note-silent": "Do these sound at all",
    "note-off-pitch": "Are these in tune",
    "note-level-step": "Are these as loud as they should be",
    "take-repeats": "Do quick repeats of these change",
    "voices-lost": "Does a held note last under these",
    "control-no-effect": "Does it change the sound",
    "control-wrong-effect": "Does it do what it says",
    "control-not-steady": "Does it go one way, from end to end",
    "control-clicks": "Does it move without clicks",
    "control-jumps": "Does it glide",
    "control-unreturned": "Back at rest, does it sound as before",
    "order-matters": "Does it sound the same, in whatever order controls are moved",
    "pair-silences": "Do all ends sound together",
}


def by_question(asked: Sequence[ByEar]) -> list[list[ByEar]]:
    """Return what a person is asked, one list for each question, whatever the reasons are."""
    found: dict[str, list[ByEar]] = {}
    for one in asked:
        found.setdefault(one.rule, []).append(one)
    return list(found.values())


def ear_title(asked: Sequence[ByEar]) -> str:
    """Return in words one question that a person is asked, and of what: all of ``asked`` are of one rule."""
    rule = asked[0].rule
    return f"{_EAR.get(rule, rule)}? {_of_what(rule, list(dict.fromkeys(name for one in asked for name in one.slots)))}"


def ear_reasons(asked: Sequence[ByEar]) -> str:
    """Return why the bounce could not tell; where there are several reasons, each with what it is true of."""
    if len(asked) == 1:
        return asked[0].reason
    return "; ".join(f"{_of_what(one.rule, one.slots)}: {one.reason}" for one in asked)


def _of_what(rule: str, names: Sequence[str]) -> str:
    if not is_of_controls(rule):
        return plural(len(names), "note")
    return listed([f"“{visible(name)}”" for name in names], 6) if names else "All together"


def is_of_controls(rule: str) -> bool:
    """Tell whether a rule judges controls rather than notes."""
    return rule.startswith("control-") or rule in ("order-matters", "pair-silences", "layer-alone-drops")


def source_of(path: Path) -> str:
    """Return by what a bounce is known again: its name, size and time."""
    there = path.stat()
    return f"{path.name}/{there.st_size}/{there.st_mtime_ns}"
