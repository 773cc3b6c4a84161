"""What bounces of the performance told: which of them count, and their part in the trials of the controls."""

from __future__ import annotations

import contextlib
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import Answer, Evidence
from companion.core.text import listed, plural
from companion.steps.desk import Desk
from companion.steps.looks import performance
from companion.steps.looks.performance import (
    PERFORMANCE,
    BounceDetails,
    JudgedBounce,
    Performed,
    content_mark,
    ear_title,
    outline,
    source_of,
)
from companion.trials.plan import Trial, trial_of


def bounces(desk: Desk) -> tuple[Evidence, ...]:
    """Return the evidence of bounces that counts: of exactly this content, by the rules as they are, the latest of each
    part; of a performance in parts, those of the latest division alone.
    """
    if not desk.evidence.has_any(PERFORMANCE):
        return ()
    content, judge = content_mark(desk), performance.judge_now()
    latest: dict[tuple[str, int], Evidence] = {}
    for one in desk.evidence.all(PERFORMANCE):
        if one.details.get("content") != content or one.judge != judge:
            continue
        with contextlib.suppress(msgspec.ValidationError):  # evidence may come from a stranger's folder
            held = msgspec.convert(one.details, BounceDetails)
            latest = {k: old for k, old in latest.items() if k[0] != held.part or old.details["parts"] == held.parts}
            latest[held.part, held.number] = one
    return tuple(latest.values())


def stale_bounces(desk: Desk) -> str:
    """Return in words which bounces no longer count, and why; empty where all do or there are none."""
    if bounces(desk) or not desk.evidence.has_any(PERFORMANCE):
        return ""
    content = content_mark(desk)
    here = any(one.details.get("content") == content for one in desk.evidence.all(PERFORMANCE))
    return "a bounce was judged by another companion" if here else "the bounce judged is of other content"


def by_ear_trials(desk: Desk) -> tuple[Trial, ...]:
    """Return what bounces could not judge, as trials for a person."""
    found = []
    for one in bounces(desk):
        for asked in one.details.get("by_ear", ()):
            rule, reason, slots = asked["rule"], asked["reason"], asked["slots"]
            found.append(
                trial_of(
                    "by ear",
                    ear_title(rule, len(slots), reason),
                    (),
                    f"The bounce could not tell, since {reason}. Play {listed(slots, 24)}, and listen.",
                    "Each of them sounds as it should.",
                    claim=f"{rule} {one.fingerprint} {' '.join(slots)}",
                )
            )
    return tuple(found)


_MEASURED: Final = (
    ("Every key sounds", ("note-silent",)),
    ("Every key is in tune with its neighbours", ("note-off-pitch",)),
    ("No note hangs", ("note-stuck",)),
    ("Neighbouring keys are equally loud", ("note-level-step",)),
    ("Harder is louder", ("velocity-inverted",)),
    ("Round robins change", ("take-repeats",)),
    ("No clicks, no clipping", ("bounce-click", "bounce-clipped")),
)


def measured_trials(desk: Desk) -> tuple[tuple[Trial, Answer], ...]:
    """Return what bounces measured, each as a trial with its answer: they stand in one list with those by hand."""
    found = []
    for one in bounces(desk):
        whole = not any(finding.rule == "bounce-other" for finding in one.findings)
        unheard = {asked["rule"] for asked in one.details.get("by_ear", ())}
        part = f", part {one.details['number']} of {one.details['parts']}" if one.details["parts"] > 1 else ""
        for title, ids in _MEASURED:
            faults = [finding for finding in one.findings if finding.rule in ids]
            if not faults and (not whole or unheard & set(ids)):
                continue  # asked by hand instead
            places = [finding.where for finding in faults if finding.where]
            note = f"{plural(len(faults), 'finding')}: {listed(places, 6)}" if faults else ""
            trial = trial_of(
                "measured",
                f"{title}: {plural(one.details['keys'], 'key')}{part}",
                (),
                "Measured from a bounce of the performance.",
                "",
                claim=f"{one.fingerprint} {title}",
            )
            found.append(
                (trial, Answer(subject=trial.id, result="fail" if faults else "pass", note=note, at=one.taken))
            )
    return tuple(found)


def because_of(desk: Desk) -> str:
    """Return in a few words what bounces say of this content; empty where there is none."""
    judged = bounces(desk)
    if not judged:
        return stale_bounces(desk)
    keys = sum(one.details["keys"] for one in judged)
    parts = max(one.details["parts"] for one in judged)
    missing = f" ({len(judged)} of {parts} parts)" if len(judged) < parts else ""
    return f"{plural(keys, 'key')} judged from a bounce{missing}"


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
