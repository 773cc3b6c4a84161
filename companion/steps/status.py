"""The checklist as it stands: live steps judged anew, the others read from their evidence."""

from __future__ import annotations

import msgspec

from companion.core.evidence import Evidence
from companion.core.findings import Finding, ordered
from companion.core.text import visible
from companion.steps.desk import Desk
from companion.steps.looks.out import check_out, out_look
from companion.steps.model import BY_ID, STEPS, Look, State, Status, Step, StepStatus
from companion.steps.registry import LOOKS
from companion.steps.states import judge, settle_opaque, waive


def status_of(desk: Desk) -> Status:
    """Return the state of all ten steps. No file is read but the facts, the evidence and the release records."""
    steps: list[StepStatus] = []
    for step in STEPS:
        if step.id == "out":
            look = look_out(desk, {status.id: status.state for status in steps})
            steps.append(_judged(desk, step, look))
        elif step.id == "controls" and not desk.places.facts.is_file():
            # Without facts nobody has said that there are no controls.
            steps.append(judge(step, desk.step_marks[step.id], None, (), seen=False))
        elif step.live:
            steps.append(_judged(desk, step, LOOKS[step.id](desk)))
        else:
            steps.append(_from_evidence(desk, step))
    instrument = desk.facts.instrument
    return Status(title=visible(instrument.title), version=visible(instrument.version), steps=tuple(steps))


def look_out(desk: Desk, states: dict[str, State]) -> Look:
    """Return the look of the Out step, given the states of the nine before it."""
    record = desk.release_of_this
    answered = desk.changelog if record and desk.reports else ""
    return out_look(record, check_out(record, states, desk.reports, answered))


def applied(desk: Desk, step: str, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return findings with the waivers, and what an away test settles, applied."""
    if step == "paths" and any(finding.unknown for finding in findings):
        from companion.steps.looks.controls import settled_by

        findings = settle_opaque(findings, settled_by(desk))
    if not desk.facts.waivers or not findings:
        return ordered(findings)
    return waive(findings, desk.facts.waivers, {**desk.contents, "": desk.step_marks[step]})


def _judged(desk: Desk, step: Step, look: Look) -> StepStatus:
    evidence = Evidence(
        step=step.id,
        fingerprint=desk.step_marks[step.id],
        taken="",
        companion="",
        findings=look.findings,
        details=look.details,
    )
    return judge(step, evidence.fingerprint, evidence, applied(desk, step.id, look.findings), seen=True)


def _from_evidence(desk: Desk, step: Step) -> StepStatus:
    mark = desk.step_marks[step.id]
    evidence = desk.found(step.id)
    if evidence and step.id == "archive" and "archive" in evidence.details:
        from companion.steps.looks.archive import stands

        fit = not any(finding.blocks for finding in applied(desk, step.id, evidence.findings))  # else it was not kept
        if fit and not stands(desk, evidence):
            status = judge(BY_ID[step.id], mark, None, (), seen=True)
            gone = "the archive that was proven is not in its place"
            return msgspec.structs.replace(status, because=gone, next="Build it again.")
    if evidence is None:
        return judge(BY_ID[step.id], mark, None, (), desk.evidence.has_any(step.id))
    return judge(BY_ID[step.id], mark, evidence, applied(desk, step.id, evidence.findings), seen=True)
