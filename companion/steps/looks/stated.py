"""Facts, Needs and Out: what the three steps look at that rest on what is stated and recorded."""

from __future__ import annotations

from typing import Any

from companion.core.entries import Kind
from companion.core.rules import findings_of
from companion.core.text import listed
from companion.core.versions import above_which
from companion.steps.checks import facts, needs
from companion.steps.checks.needs import Weight, engine_line
from companion.steps.claims import COMPLETE, CONSISTENT, said
from companion.steps.desk import Desk
from companion.steps.model import Look


def look_facts(desk: Desk) -> Look | None:
    """Judge the facts, and their version against the release that it must lie above; None while nothing is stated."""
    if not desk.places.facts.is_file():
        return None
    held_to = above_which(desk.facts.instrument.version, [record.version for record in desk.records])
    last = next((record for record in reversed(desk.records) if record.version == held_to), None)
    same = last is not None and {(path, sha) for path, _, sha in last.files} == {(e.path, e.sha256) for e in desk.ships}
    model = facts.FactsModel(
        facts=desk.facts,
        files={entry.path for entry in desk.ships},
        released=last.version if last else "",
        same_content=same,
        samples=len(desk.of_kind(Kind.SAMPLE)),
    )
    findings = findings_of(facts.RULES, model)
    because = " and ".join(said(findings, COMPLETE, CONSISTENT)) or "stated"
    return Look(findings=findings, details={"because": because})


def look_needs(desk: Desk) -> Look | None:
    """Judge the requirement as it is stated against the away tests of this content; None while nothing is stated."""
    if not desk.places.facts.is_file():
        return None
    line = engine_line(desk.facts, desk.away_here)
    findings = findings_of(needs.RULES, needs.NeedsModel(facts=desk.facts, tests=desk.away_here))
    untried = [str(finding.value) for finding in findings if finding.rule == needs.system_unproven.id]
    parts = [f"{line.value}: {line.because}"]
    parts += [f"not tried on {listed(untried)}"] if untried else []
    parts += [] if desk.facts.engine.systems else ["systems not stated"]
    return Look(findings=findings, details={"because": "; ".join(parts)})


def built(desk: Desk) -> dict[str, Any] | None:
    """Return what is known of the archive of exactly this content, which lies at its place and was proven; else None.

    archive: its name. size: bytes. sha256: lower-case hex.
    """
    archive = desk.found("archive")
    if (
        archive is None
        or "sha256" not in archive.details
        or any(one.blocks for one in desk.applied("archive", archive.findings))
    ):
        return None
    gone = desk.steps["archive"].gone
    return None if gone and gone(desk, archive) else archive.details


def weight_of(desk: Desk) -> Weight:
    """Return what the content weighs, as far as the Sound step and the archive have measured."""
    sound, archive = desk.found("sound"), built(desk)
    details = sound.details if sound else {}
    return Weight(
        samples=len(desk.of_kind(Kind.SAMPLE)),
        seconds=details.get("seconds"),
        memory=details.get("memory"),
        unpacked=sum(entry.size for entry in desk.ships),
        download=archive["size"] if archive else None,
    )
