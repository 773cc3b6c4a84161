"""What can be wrong with an archive: every rule of this room, and how findings of many are kept few."""

from itertools import islice
from typing import Final

from companion.archive import member_rules as members
from companion.archive import whole_rules as whole
from companion.archive.model import ArchiveModel
from companion.core.findings import Finding
from companion.core.rules import Rule

MOST_FINDINGS: Final = 100
"""Findings of one rule that are shown one by one; an archive with more is not mended one by one."""

# A rule's version rises whenever its verdict on the same archive may change.
RULES: Final[tuple[Rule[ArchiveModel], ...]] = (
    whole.archive_differs,
    members.top_level_many,
    members.name_unflagged,
    members.name_relettered,
    members.method_uncommon,
    members.member_duplicate,
    members.member_escapes,
    members.member_encrypted,
    members.member_locked,
    members.member_deep,
    whole.archive_bomb,
    whole.size_over_limit,
    whole.checksum_wrong,
    whole.zip64_needed,
)

DANGERS: Final = (
    whole.archive_differs,
    members.method_uncommon,
    members.member_duplicate,
    members.member_escapes,
    members.member_encrypted,
    members.member_deep,
    whole.archive_bomb,
)
"""What forbids opening an archive at all."""


def findings_of(rule: Rule[ArchiveModel], archive: ArchiveModel) -> list[Finding]:
    """Return what a rule finds, with one finding for all beyond the first ``MOST_FINDINGS``."""
    findings = iter(rule.check(archive))
    first = list(islice(findings, MOST_FINDINGS))
    more = sum(1 for _ in findings)
    return [*first, rule.finding(value=more, says="and {value} more like these")] if more else first


def dangers(archive: ArchiveModel) -> list[Finding]:
    """Return why an archive must not be opened; an empty list where nothing forbids it."""
    return [finding for rule in DANGERS for finding in findings_of(rule, archive)]
