"""The checklist as it stands: live steps judged anew, the others read from their evidence."""

from collections.abc import Iterator, Mapping, Sequence

from companion.core.facts import Waiver
from companion.core.findings import Finding, ordered
from companion.core.text import visible
from companion.steps.checks.idle import IdleWaiver, waiver_idle
from companion.steps.desk import Desk
from companion.steps.model import Look, State, Status, Step, StepStatus
from companion.steps.states import CHANGED, judged_otherwise, stale, status_from
from companion.steps.waivers import means, never_lets_pass


def status_of(desk: Desk) -> Status:
    """Return the state of all ten steps. No file is read but the facts, the evidence and the release records."""
    steps: list[StepStatus] = []

    def before() -> Mapping[str, State]:
        return {status.id: status.state for status in steps}

    for step in desk.steps.values():
        status = _status(desk, step, step.look(desk, before)) if step.live else _from_evidence(desk, step)
        steps.append(status)
    instrument = desk.facts.instrument
    return Status(title=visible(instrument.title), version=visible(instrument.version), steps=tuple(steps))


def _status(desk: Desk, step: Step[Desk], look: Look | None) -> StepStatus:
    findings: tuple[Finding, ...] = ()
    if look:
        findings = desk.applied(step.id, look.findings)
        if desk.facts.waivers:
            findings = ordered((*findings, *waiver_idle(_idle(desk, step.id, findings))))
    return status_from(step, desk.mark(step.id), look, findings)


def _idle(desk: Desk, step: str, findings: Sequence[Finding]) -> Iterator[IdleWaiver]:
    """Yield the waivers of a step's rules that let nothing pass of all it finds; told in Facts where no step has it."""
    from companion.steps.catalogue import RULE_BY_ID

    for waiver in desk.facts.waivers:
        known = RULE_BY_ID.get(waiver.rule)
        if (known.step if known else "facts") != step:
            continue
        if why := never_lets_pass(waiver, known=known is not None):
            yield IdleWaiver(waiver=waiver, why=why)
        elif not any(_meant(waiver, found) for found in (findings, *_found_elsewhere(desk, step, waiver.rule))):
            yield IdleWaiver(waiver=waiver, why="nothing of it is found there now")


def _meant(waiver: Waiver, findings: Sequence[Finding] | None) -> bool:
    return findings is None or any(one.rule == waiver.rule and means(waiver, one) for one in findings)


def _found_elsewhere(desk: Desk, step: str, rule: str) -> Iterator[Sequence[Finding] | None]:
    """Yield what other steps that judge by this rule as well have found; None where that is not known."""
    for other in desk.steps.values():
        if other.id != step and (rule in other.judges or step in other.judges):
            looked = desk.found(other.id)
            # An archive that is not built finds nothing; a sound that is not measured may be the one that is meant.
            yield looked.findings if looked else None if rule in other.judges else ()


def _from_evidence(desk: Desk, step: Step[Desk]) -> StepStatus:
    mark = desk.mark(step.id)
    if evidence := desk.found(step.id):
        if step.gone and (reason := step.gone(desk, evidence)):
            return stale(step, mark, reason, f"{step.again}.")
        details = evidence.details
        if step.adds and "because" in details and (more := step.adds(desk, evidence)):
            details = {**details, "because": f"{details['because']}; {more}"}
        return _status(desk, step, Look(findings=evidence.findings, details=details))
    if others := desk.evidence.of_content(step.id, mark):
        rested_on = {rule: version for other in step.rests_on for rule, version in desk.own_judges[other].items()}
        return stale(step, mark, judged_otherwise(others[-1], desk.own_judges[step.id], rested_on))
    if desk.evidence.has_any(step.id):
        return stale(step, mark, CHANGED, f"{step.again}: the content is not what was judged.")
    return _status(desk, step, None)
