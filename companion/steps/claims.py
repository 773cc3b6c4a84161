"""What a state's line claims beside what was done: each claim with the rules whose findings deny it, in one place.

A line is written when a step is looked at, and read beside its findings ever after. So that the two never contradict
each other, no look words such a claim itself: it is said only while no finding, waived or not, denies it.
"""

from collections.abc import Iterable
from typing import Final

import msgspec

from companion.core.findings import Finding


class LineClaim(msgspec.Struct, frozen=True):
    """What a line may say of a step, and the rules of which a single finding makes it untrue."""

    step: str
    says: str
    denied_by: frozenset[str]


COMPLETE: Final = LineClaim("facts", "complete", frozenset({"fact-missing", "licence-text-missing", "rights-unstated"}))
CONSISTENT: Final = LineClaim(
    "facts", "consistent", frozenset({"fact-invalid", "fact-contradicted", "version-not-raised"})
)
NOTHING_MISSING: Final = LineClaim(
    "contents",
    "nothing missing",
    frozenset(
        {
            "patch-missing",
            "reference-missing",
            "references-unread",
            "reference-case",
            "reference-normalisation",
            "reference-excluded",
            "symlink-outside",
            "file-empty",
            "file-unreadable",
            "file-truncated",
        }
    ),
)
NOTHING_STRAY: Final = LineClaim(
    "contents",
    "nothing stray",
    frozenset(
        {
            "references-unread",
            "sample-unused",
            "stray-unasked",
            "stray-system-file",
            "stray-working-file",
            "nested-archive",
            "symlink-outside",
        }
    ),
)
ALL_RELATIVE: Final = LineClaim(
    "paths", "all relative", frozenset({"path-absolute", "path-home", "path-climbs", "patch-opaque", "patch-unsure"})
)
NOTHING_DENIED: Final = LineClaim("words", "nothing denied by them", frozenset({"words-disagree", "claim-unproven"}))
NOTHING_OPEN: Final = LineClaim(
    "words",
    "nothing left out",
    frozenset(
        {
            "changelog-entry-missing",
            "changelog-misses-change",
            "readme-missing-part",
            "placeholder-left",
            "media-missing",
        }
    ),
)
RELEASED: Final = LineClaim("out", "released", frozenset({"release-unrecorded"}))
UPLOADED: Final = LineClaim("out", "upload verified", frozenset({"upload-unverified", "upload-differs"}))
CLAIMS: Final = (
    *(COMPLETE, CONSISTENT, NOTHING_MISSING, NOTHING_STRAY, ALL_RELATIVE),
    *(NOTHING_DENIED, NOTHING_OPEN, RELEASED, UPLOADED),
)


def said(findings: Iterable[Finding], *claims: LineClaim) -> list[str]:
    """Return what those of ``claims`` say that no finding denies."""
    rules = {finding.rule for finding in findings}
    return [claim.says for claim in claims if not rules & claim.denied_by]
