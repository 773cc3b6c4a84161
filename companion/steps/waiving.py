"""Waivers as they are given and taken back: of one finding, or of all that a rule found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding

EVERY: Final = "**"
"""The path of a group's waiver: whatever its list of contents names."""


def group_waiver(
    rule: str, findings: Iterable[Finding], contents: Mapping[str, str], reason: str, standing: Sequence[Waiver]
) -> Waiver:
    """Return one waiver for every file ``rule`` found something in, and for those such a waiver covers already.

    contents: as for :func:`companion.steps.states.waive`. Raises :class:`CompanionError` where there is none to cover:
    what was found of the whole, or of the facts, is judged singly.
    """
    marks = {
        Waiver.mark(content)
        for finding in findings
        if finding.rule == rule and not finding.waived and finding.path not in ("", FACTS_FILE)
        if (content := contents.get(finding.path, contents.get("", "")))
    }
    if not marks:
        raise CompanionError(f"No file is open under “{rule}”", "", "run the check again, or waive it by its path")
    for known in standing:
        if (known.rule, known.path, known.where) == (rule, EVERY, ""):
            marks |= set(known.contents)
    return Waiver(rule=rule, path=EVERY, reason=reason, contents=tuple(sorted(marks)))


def without_one(waivers: Sequence[Waiver], rule: str, content: str) -> Waiver | None:
    """Return the group's waiver that covers a file of this content, with that file left out; None where none does."""
    mark = Waiver.mark(content)
    for known in waivers:
        if known.rule == rule and content and mark in known.contents:
            return msgspec.structs.replace(known, contents=tuple(one for one in known.contents if one != mark))
    return None
