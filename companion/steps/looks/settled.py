"""Findings as they count: with the waivers, and what an away test settles, applied."""

from companion.core.findings import Finding, ordered
from companion.steps.desk import Desk
from companion.steps.states import settle_opaque, waive


def applied(desk: Desk, step: str, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return findings with the waivers, and what an away test settles, applied."""
    if desk.steps[step].away_settles and any(finding.unknown for finding in findings):
        findings = settle_opaque(findings, settled_by(desk))
    if not desk.facts.waivers or not findings:
        return ordered(findings)
    return waive(findings, desk.facts.waivers, {**desk.contents, "": desk.mark(step)})


def settled_by(desk: Desk) -> str:
    """Return the sentence that settles an unreadable patch: an away test that showed it opens; empty without one."""
    from companion.trials.away_rules import AwayModel

    for test in AwayModel(facts=desk.facts, tests=desk.away_here).opened:
        who = f" by {test.who}" if test.who else ""
        return f"settled by an away test{who} ({test.kind}), {test.at[:10]}"
    return ""
