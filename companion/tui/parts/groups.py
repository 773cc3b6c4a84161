"""Findings grouped by rule, as rows: pure, so that ten thousand of them cost no more than they must."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from itertools import groupby
from typing import Final

import msgspec

from companion.core.findings import Finding, Severity, ordered

FOLDED_FROM: Final = 12
"""A rule with more findings than this starts folded when it is not the only one."""
MOST: Final = 1_000
"""Rows of one rule that are listed; the plain command lists them all."""


class RuleGroup(msgspec.Struct, frozen=True, kw_only=True):
    """The findings of one rule that weigh the same. ``open``: its findings are listed below it."""

    key: str
    rule: str
    severity: Severity
    waived: bool
    unknown: bool
    findings: tuple[Finding, ...]
    open: bool = True


class FindingRow(msgspec.Struct, frozen=True, kw_only=True):
    """One row: the head of a group, one of its findings, or how many more there are."""

    group: RuleGroup
    finding: Finding | None = None
    more: int = 0


def finding_key(finding: Finding) -> str:
    """Return what sets a finding apart from every other of its step, for keeping the cursor on it."""
    return f"{finding.rule}\n{finding.path}\n{finding.where}\n{finding.measured}"


def grouped(findings: Iterable[Finding], toggled: Collection[str] = ()) -> tuple[RuleGroup, ...]:
    """Return groups in the order findings are shown. ``toggled``: keys of groups folded or unfolded by hand."""

    def kind(finding: Finding) -> tuple[bool, Severity, str, bool]:
        return bool(finding.waived), finding.severity, finding.rule, finding.unknown

    batches = [(key, tuple(batch)) for key, batch in groupby(ordered(findings), key=kind)]
    groups = []
    for (waived, severity, rule, unknown), batch in batches:
        key = f"{rule}-{severity}-{waived:d}{unknown:d}"
        start_open = len(batch) <= FOLDED_FROM or len(batches) == 1
        groups.append(
            RuleGroup(
                key=key,
                rule=rule,
                severity=severity,
                waived=waived,
                unknown=unknown,
                findings=batch,
                open=start_open ^ (key in toggled),
            )
        )
    return tuple(groups)


def rows(groups: Iterable[RuleGroup]) -> tuple[FindingRow, ...]:
    """Return the rows to show for ``groups``."""
    found: list[FindingRow] = []
    for group in groups:
        found.append(FindingRow(group=group))
        if group.open:
            found.extend(FindingRow(group=group, finding=finding) for finding in group.findings[:MOST])
            if len(group.findings) > MOST:
                found.append(FindingRow(group=group, more=len(group.findings) - MOST))
    return tuple(found)
