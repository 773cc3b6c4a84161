"""What can be wrong with an archive: every rule of this room, and how findings of many are kept few."""

from __future__ import annotations

from itertools import islice
from typing import Final

from companion.archive.member_rules import (
    member_duplicate,
    member_encrypted,
    member_escapes,
    method_uncommon,
    name_unflagged,
    top_level_many,
)
from companion.archive.model import ArchiveModel
from companion.archive.whole_rules import (
    archive_bomb,
    archive_differs,
    checksum_wrong,
    size_over_limit,
    zip64_needed,
)
from companion.core.findings import Finding
from companion.core.rules import Rule

MOST_FINDINGS: Final = 100
"""Findings of one rule that are shown one by one; an archive with more is not mended one by one."""

# A rule's version rises whenever its verdict on the same archive may change.
RULES: Final[tuple[Rule[ArchiveModel], ...]] = (
    archive_differs,
    top_level_many,
    name_unflagged,
    method_uncommon,
    member_duplicate,
    member_escapes,
    member_encrypted,
    archive_bomb,
    size_over_limit,
    checksum_wrong,
    zip64_needed,
)

DANGERS: Final = (
    archive_differs,
    method_uncommon,
    member_duplicate,
    member_escapes,
    member_encrypted,
    archive_bomb,
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
