"""From evidence to state: pure functions, no clock, no disk."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import msgspec

from companion.core.describe import headline
from companion.core.evidence import Evidence
from companion.core.findings import Finding, tally
from companion.core.text import plural, visible
from companion.steps.model import Look, State, Step, StepStatus

NOTHING: Final = "nothing found"
CHANGED: Final = "the content has changed since it was looked at"
JUDGE_AGAIN: Final = "Look again: only what is judged differently now is measured again."
_NEXT: Final = {
    State.FAILING: "Mend what blocks, or waive it with a reason.",
    State.UNKNOWN: "Run an away test with the originals hidden: it tells what no scan can.",
}

UNTRIED: Final = frozenset({"control-untried", "bounce-unheard", "away-untried", "release-unrecorded"})
"""Findings that say nobody has looked yet. A step with no other blocking finding is open, not failing."""


def settle_opaque(findings: Iterable[Finding], settled_by: str) -> tuple[Finding, ...]:
    """Return findings with each "could not tell" of the path scan settled, where an away test has told.

    settled_by: a sentence about the passed away test for exactly this content; empty when there is none.
    """
    return tuple(
        msgspec.structs.replace(finding, waived=settled_by, settled=True)
        if settled_by and finding.unknown and not finding.waived
        else finding
        for finding in findings
    )


def status_from(step: Step[Any], fingerprint: str, look: Look | None, findings: tuple[Finding, ...]) -> StepStatus:
    """Return the status of a step from a look at this content (None: nobody has looked), with waivers applied."""
    if look is None:
        return _status(step, fingerprint, State.OPEN, "not looked at yet", step.next)
    state, because = read(findings)
    if state is State.OPEN and look.stale:
        state, because = State.STALE, look.stale
    if state is State.PROVEN and "because" in look.details:
        settled = list(dict.fromkeys(finding.waived for finding in findings if finding.settled))
        because = "; ".join([str(look.details["because"]), *settled, *([] if because == NOTHING else [because])])
    then = _NEXT.get(state, "" if state.settled else step.next)
    if state is State.UNKNOWN and (held := held_by(findings, state)):
        then = held.mend or then
    return _status(step, fingerprint, state, because, then, findings, look.details)


def stale(step: Step[Any], fingerprint: str, because: str, then: str = JUDGE_AGAIN) -> StepStatus:
    """Return the status of a step whose evidence does not count any more; ``then``: the next thing to do."""
    return _status(step, fingerprint, State.STALE, because, then)


def judged_otherwise(evidence: Evidence, own: Mapping[str, int], rested_on: Mapping[str, int]) -> str:
    """Return why evidence of the same content does not count: who judged it is not who judges now.

    own: the step's judge. rested_on: the judges of the steps whose evidence it takes in, where there is any.
    """
    was = evidence.judge
    now = {**rested_on, **own}
    risen = [name for name, version in now.items() if was.get(name, 0 if name in own else version) < version]
    other = [name for name, version in was.items() if now.get(name) != version]
    unknown = sorted({finding.rule for finding in evidence.findings} - set(own))
    if not (risen or other or unknown):
        return "what it rests on has changed since"
    who = " by an older companion" if risen else " by another companion" if other else ""
    named = _named_few(risen or other) if was else ""
    return f"judged{who}{named}" + (f" with rules this companion does not know{_named_few(unknown)}" if unknown else "")


def _named_few(names: Sequence[str]) -> str:
    if not names:
        return ""
    more = f" and {len(names) - 3:,} more" if len(names) > 3 else ""
    return f" ({', '.join(map(visible, names[:3]))}{more})"


def held_by(findings: Iterable[Finding], state: State) -> Finding | None:
    """Return the first finding (waivers applied) that a step is failing or unknown by; None in any other state."""
    match state:
        case State.FAILING:
            return next((one for one in findings if one.blocks and one.rule not in UNTRIED), None)
        case State.UNKNOWN:
            return next((one for one in findings if one.unknown and not one.waived), None)
        case _:
            return None


def read(findings: tuple[Finding, ...]) -> tuple[State, str]:
    """Return the state that findings (waivers applied) amount to, and why in a few words."""
    blocking = [finding for finding in findings if finding.blocks]
    untried = [finding for finding in blocking if finding.rule in UNTRIED]
    unknown = [finding for finding in findings if finding.unknown and not finding.waived]
    counts = tally(findings)
    if hard := held_by(findings, State.FAILING):
        more = len(blocking) - len(untried) - 1
        lapsed = "; its waiver has lapsed" if hard.lapsed else ""
        return State.FAILING, f"{headline(hard)}{f', and {more:,} more' if more else ''}{lapsed}"
    if untried:
        return State.OPEN, untried[0].measured or f"{plural(len(untried), 'trial')} not done yet"
    if unknown:
        first, more = unknown[0], len(unknown) - 1
        named = headline(first) if first.path else first.measured or headline(first)
        return State.UNKNOWN, f"{named}{f', and {more:,} more' if more else ''}"
    rest = [plural(counts[name], word) for name, word in (("warns", "warning"), ("notes", "note")) if counts[name]]
    if any(one.waived and not one.settled and (one.unknown or one.severity == "blocks") for one in findings):
        waived = plural(counts["waived"], "finding") + " waived"
        return State.WAIVED, ", ".join([waived, *rest])
    return State.PROVEN, ", ".join(rest) or NOTHING


def _status(
    step: Step[Any],
    fingerprint: str,
    state: State,
    because: str,
    then: str,
    findings: tuple[Finding, ...] = (),
    details: dict[str, Any] | None = None,
) -> StepStatus:
    return StepStatus(
        id=step.id,
        title=step.title,
        question=step.question,
        state=state,
        because=because,
        next=then,
        fingerprint=fingerprint,
        findings=findings,
        details=details or {},
    )
