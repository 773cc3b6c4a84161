"""Findings grouped by rule, as rows: pure, so that ten thousand of them cost no more than they must."""

from collections.abc import Collection, Iterable
from typing import Final

import msgspec

from companion.core.findings import Finding, ordered

FOLDED_FROM: Final = 12
"""A rule with more findings than this starts folded when it is not the only one."""
MOST: Final = 1_000
"""Rows of one rule that are listed; the plain command lists them all."""


class RuleGroup(msgspec.Struct, frozen=True):
    """The findings of one rule that weigh the same.

    open: whether they are listed below the rule. limit: what all of them were held against; empty where they differ.
    """

    findings: tuple[Finding, ...]
    open: bool
    limit: str

    @property
    def first(self) -> Finding:
        """A finding that stands for all where they are alike: in rule, severity, and whether waived or unknown."""
        return self.findings[0]


class FindingRow(msgspec.Struct, frozen=True):
    """One row: the head of a group, one of its findings, or how many more there are."""

    group: RuleGroup
    finding: Finding | None = None
    more: int = 0

    @property
    def key(self) -> str:
        """What sets the row apart from every other of its step, for keeping the cursor on it."""
        found = self.finding
        return f"{found.rule}\n{found.path}\n{found.where}\n{found.measured}" if found else group_key(self.group.first)


def group_key(finding: Finding) -> str:
    """Return what the findings of one group have in common, and no other group has."""
    return f"{finding.rule}-{finding.severity}-{bool(finding.waived):d}{finding.unknown:d}"


def grouped(findings: Iterable[Finding], toggled: Collection[str] = ()) -> tuple[RuleGroup, ...]:
    """Return groups in the order findings are shown. ``toggled``: keys of groups folded or unfolded by hand."""
    batches: dict[str, list[Finding]] = {}
    for finding in ordered(findings):
        batches.setdefault(group_key(finding), []).append(finding)
    return tuple(
        RuleGroup(
            findings=tuple(batch),
            open=(len(batch) <= FOLDED_FROM or len(batches) == 1) ^ (key in toggled),
            limit=batch[0].limit if len({finding.limit for finding in batch}) == 1 else "",
        )
        for key, batch in batches.items()
    )


def rows(groups: Iterable[RuleGroup]) -> tuple[FindingRow, ...]:
    """Return the rows to show for ``groups``."""
    found: list[FindingRow] = []
    for group in groups:
        found.append(FindingRow(group))
        if group.open:
            found.extend(FindingRow(group, finding) for finding in group.findings[:MOST])
            if len(group.findings) > MOST:
                found.append(FindingRow(group, more=len(group.findings) - MOST))
    return tuple(found)
