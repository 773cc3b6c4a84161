"""What bounces of the performance told: which of them count, and their part in the trials of the controls."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import Answer, Evidence
from companion.core.text import listed, plural, visible
from companion.steps.desk import Desk
from companion.steps.looks import judging
from companion.steps.looks.judging import (
    BounceDetails,
    ByEar,
    JudgedBounce,
    by_question,
    ear_reasons,
    ear_title,
    is_of_controls,
    source_of,
)
from companion.steps.looks.performance import PERFORMANCE, Performed, content_mark, outline
from companion.trials.plan import Trial, trial_of


def bounces(desk: Desk) -> tuple[Evidence, ...]:
    """Return the evidence of bounces that counts: of exactly this content, by the rules as they are, the latest of each
    part; of a performance in parts, those of the latest division alone.
    """
    if not desk.evidence.has_any(PERFORMANCE):
        return ()
    content = content_mark(desk)
    judges = {part: judging.judge_now(part) for part in ("keys", "controls")}
    latest: dict[tuple[str, int], Evidence] = {}
    for one in desk.evidence.all(PERFORMANCE):
        if one.details.get("content") != content:
            continue
        with contextlib.suppress(msgspec.ValidationError):  # evidence may come from a stranger's folder
            held = details_of(one)
            if one.judge != judges.get(held.part):
                continue
            latest = {k: old for k, old in latest.items() if k[0] != held.part or old.details["parts"] == held.parts}
            latest[held.part, held.number] = one
    return tuple(latest.values())


def details_of(bounce: Evidence) -> BounceDetails:
    """Return what the evidence of a bounce holds. Raises :class:`msgspec.ValidationError` where it reads otherwise."""
    return msgspec.convert(bounce.details, BounceDetails)


def is_whole(bounce: Evidence) -> bool:
    """Tell whether all of the performance is in a bounce: part of one proves nothing."""
    return not any(finding.rule == "bounce-other" for finding in bounce.findings)


def stale_bounces(desk: Desk) -> str:
    """Return in words which bounces no longer count, and why; empty where all do or there are none."""
    if bounces(desk) or not desk.evidence.has_any(PERFORMANCE):
        return ""
    content = content_mark(desk)
    here = any(one.details.get("content") == content for one in desk.evidence.all(PERFORMANCE))
    return "a bounce was judged by another companion" if here else "the bounce judged is of other content"


_ASKED_ANYWAY: Final = ("control-no-effect", "control-wrong-effect", "order-matters", "pair-silences")
"""What a person is asked by the trials of the controls already."""


def by_ear_trials(desk: Desk) -> tuple[Trial, ...]:
    """Return what bounces could not judge, as trials for a person."""
    return tuple(
        _by_ear(asked, one.fingerprint)
        for one in bounces(desk)
        for asked in by_question([each for each in details_of(one).by_ear if each.rule not in _ASKED_ANYWAY])
    )


def _by_ear(asked: Sequence[ByEar], mark: str) -> Trial:
    rule = asked[0].rule
    slots = list(dict.fromkeys(name for one in asked for name in one.slots))
    names = listed(slots, 24)
    if is_of_controls(rule):
        how = f"While a note sounds, move {names} from end to end, slowly and at once, and back to rest"
        expect = "It moves as it should, and comes back."
    else:
        how, expect = f"Play {names}", "Each of them sounds as it should."
    return trial_of(
        "by ear",
        ear_title(asked),
        (),
        f"{how}, and listen. (The bounce could not tell: {ear_reasons(asked)}.)",
        expect,
        claim=f"{rule} {mark} {' '.join(slots)}",
    )


_MEASURED: Final = (
    ("Every key sounds", ("note-silent",)),
    ("Every key is in tune with its neighbours", ("note-off-pitch",)),
    ("No note hangs", ("note-stuck",)),
    ("Neighbouring keys are equally loud", ("note-level-step",)),
    ("Harder is louder", ("velocity-inverted",)),
    ("Round robins change", ("take-repeats",)),
    ("A held note lasts under others", ("voices-lost",)),
    ("No clicks, no clipping", ("bounce-click", "bounce-clipped")),
)
_MOVED: Final = (
    ("One way from end to end", "control-not-steady"),
    ("Moved while a note sounds, no click", "control-clicks"),
    ("Moved slowly, no steps", "control-jumps"),
    ("Back at rest as before", "control-unreturned"),
    ("A layer alone keeps its level", "layer-alone-drops"),
)
MEASURED: Final = "Measured from a bounce of the performance."


def measured_trials(desk: Desk) -> tuple[tuple[Trial, Answer], ...]:
    """Return what bounces measured, each as a trial with its answer: they stand in one list with those by hand."""
    found = []
    for one in bounces(desk):
        held = details_of(one)
        found += _measured_controls(one, held) if held.part == "controls" else _measured_keys(one, held)
    return tuple(found)


def _measured_keys(one: Evidence, held: BounceDetails) -> list[tuple[Trial, Answer]]:
    found = []
    unheard = {asked.rule for asked in held.by_ear}
    part = f", part {held.number} of {held.parts}" if held.parts > 1 else ""
    for title, ids in _MEASURED:
        faults = [finding for finding in one.findings if finding.rule in ids]
        if faults or (is_whole(one) and not unheard & set(ids)):  # else it is asked by hand
            places = [finding.where for finding in faults if finding.where]
            note = f"{plural(len(faults), 'finding')}: {listed(places, 6)}" if faults else ""
            found.append(_measured(one, title, f"{title}: {plural(held.keys, 'key')}{part}", note))
    return found


def _measured_controls(one: Evidence, held: BounceDetails) -> list[tuple[Trial, Answer]]:
    found = []
    for title, rule in _MOVED:
        told = [each for each in held.told if each.rule == rule]
        faults = [f"“{visible(each.control)}”" for each in told if each.outcome == "fault"]
        fine = [f"“{visible(each.control)}”" for each in told if each.outcome == "fine"]
        if faults or (fine and is_whole(one)):
            note = f"not so: {listed(faults)}" if faults else ""
            found.append(_measured(one, rule, f"{title}: {listed(faults or fine, 6)}", note))
    return found


def _measured(one: Evidence, claim: str, title: str, note: str) -> tuple[Trial, Answer]:
    trial = trial_of("measured", title, (), MEASURED, "", claim=f"{one.fingerprint} {claim}")
    return trial, Answer(subject=trial.id, result="fail" if note else "pass", note=note, at=one.taken)


def because_of(desk: Desk) -> str:
    """Return in a few words what bounces say of this content; empty where there is none."""
    judged = [details_of(one) for one in bounces(desk)]
    if not judged:
        return stale_bounces(desk)
    said = []
    for part, noun in (("keys", "key"), ("controls", "control")):
        of_part = [one for one in judged if one.part == part]
        if of_part:
            count = sum(one.keys if part == "keys" else len(one.moved) for one in of_part)
            parts = max(one.parts for one in of_part)
            missing = f" ({len(of_part)} of {parts} parts)" if len(of_part) < parts else ""
            said.append(f"{plural(count, noun)} judged from a bounce{missing}")
    return ", ".join(said)


class PerformanceView(msgspec.Struct, frozen=True, kw_only=True):
    """The performance as it stands. outline: what it covers; None where it cannot be planned, and ``problem`` says why.

    files: MIDI files that lie in ``.companion/bounces``. waiting: sound files there that nobody has judged. outcomes:
    of bounces of this content. stale: why those judged before no longer count.
    """

    outline: Performed | None = None
    problem: str = ""
    folder: str = ""
    files: tuple[str, ...] = ()
    waiting: tuple[str, ...] = ()
    outcomes: tuple[JudgedBounce, ...] = ()
    stale: str = ""


def performance_view(desk: Desk) -> PerformanceView:
    """Return what is known of the performance and its bounces; nothing is judged."""
    from companion.contents.kinds import natural_kind
    from companion.trials.performance.midi import PLAIN

    try:
        covered, problem = outline(desk, PLAIN), ""
    except CompanionError as error:
        covered, problem = None, error.line
    judged = {one.details.get("source") for one in desk.evidence.all(PERFORMANCE)}
    folder = desk.places.bounces
    there = sorted(path for path in folder.iterdir() if path.is_file()) if folder.is_dir() else []
    outcomes = []
    for one in bounces(desk):
        bounce = msgspec.convert(one.details["bounce"], JudgedBounce)
        outcomes.append(msgspec.structs.replace(bounce, findings=one.findings))
    return PerformanceView(
        outline=covered,
        problem=problem,
        folder=str(folder),
        files=tuple(path.name for path in there if path.suffix == ".mid"),
        waiting=tuple(p.name for p in there if natural_kind(p.name).audible and source_of(p) not in judged),
        outcomes=tuple(outcomes),
        stale=stale_bounces(desk),
    )
