"""The checklist as it stands: live steps judged anew, the others read from their evidence."""

from collections.abc import Mapping

from companion.core.text import visible
from companion.steps.desk import Desk
from companion.steps.model import Look, State, Status, Step, StepStatus
from companion.steps.states import CHANGED, judged_otherwise, stale, status_from


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
    return status_from(step, desk.mark(step.id), look, desk.applied(step.id, look.findings) if look else ())


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
