"""Out: is this content recorded as a release, is the upload whole, and are players' reports answered?"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

from companion.core.findings import Finding
from companion.core.text import plural, visible
from companion.steps.desk import Desk
from companion.steps.looks.own_rules import RELEASE_UNRECORDED, REPORT_OPEN, UPLOAD_UNVERIFIED
from companion.steps.model import Before, Look, State

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord


def check_out(
    record: ReleaseRecord | None, states: Mapping[str, State], reports: Collection[str], answered: str
) -> tuple[Finding, ...]:
    """Return the findings of the Out step.

    record: the release of exactly this content, or None. states: of the nine steps before. reports: names of report
    files. answered: the texts an answer may stand in (the changelog).
    """
    if record is None:
        left = [step for step, state in states.items() if not state.settled]
        measured = f"{plural(len(left), 'step')} before it not proven yet" if left else "everything is ready: record it"
        return (RELEASE_UNRECORDED.finding(measured=measured),)
    found = []
    if not record.uploads:
        found.append(UPLOAD_UNVERIFIED.finding(f"releases/{record.archive}", measured="no copy checked"))
    found.extend(
        REPORT_OPEN.finding(
            f".companion/reports/{name}", measured="not mentioned in the changelog", limit=visible(name)
        )
        for name in reports
        if not name.startswith(".") and not _mentions(answered, name)
    )
    return tuple(found)


def _mentions(text: str, name: str) -> bool:
    """Tell whether a report is named in ``text`` as a word of its own, with its extension or without.

    A part of a compound or of a version is no word: neither ``c3`` of ``crackle-c3`` nor ``2`` of ``1.2``.
    """
    stem, dot, extension = name.rpartition(".")
    word = rf"{re.escape(stem)}(?:{re.escape(dot + extension)})?" if stem else re.escape(name)
    return re.search(rf"(?<![\w.-]){word}(?![\w-]|\.\d)", text, re.IGNORECASE) is not None


def look_out(desk: Desk, before: Before) -> Look:
    """Judge whether this content is released, and what came back."""
    record = desk.release_of_this
    answered = desk.changelog if record and desk.reports else ""
    return out_look(record, check_out(record, {} if record else before(), desk.reports, answered))


def out_look(record: ReleaseRecord | None, findings: tuple[Finding, ...]) -> Look:
    """Return the look of the Out step, with what to show of the release."""
    if record is None:
        return Look(findings=findings, details={"because": "not released"})
    checked = "; upload verified" if record.uploads else ""
    return Look(
        findings=findings,
        details={"because": f"{visible(record.version)} released {record.at[:10]}{checked}", "version": record.version},
    )
