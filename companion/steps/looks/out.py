"""Out: whether this content is released, what came back, and what songs made with the release before would miss."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.archive.record import ReleaseRecord
from companion.core.rules import findings_of
from companion.core.text import visible
from companion.steps.checks import out
from companion.steps.claims import RELEASED, UPLOADED, said
from companion.steps.desk import Desk
from companion.steps.model import Before, Look

if TYPE_CHECKING:
    from companion.words.songs import Break


def look_out(desk: Desk, before: Before) -> Look:
    """Judge whether this content is released, and what came back."""
    record = desk.release_of_this
    if record is None:
        left = sum(not state.settled for state in before().values())
        model = out.OutModel(left=left, breaks=_breaks(desk))
        return Look(findings=findings_of(out.RULES, model), details={"because": "not released"})
    released = (record, *desk.updates_of_this)
    model = out.OutModel(
        archives=tuple(_published(one) for one in released),
        reports=desk.reports,
        answered=desk.changelog if desk.reports else "",
    )
    findings = findings_of(out.RULES, model)
    # What became of an upload since, nobody can tell without fetching it again.
    checked = max((last.at[:10] for one in released if (last := one.last_upload)), default="")
    parts = [f"{visible(record.version)} {claim} {record.at[:10]}" for claim in said(findings, RELEASED)]
    parts += [f"{claim} on {visible(checked)}" for claim in said(findings, UPLOADED)]
    return Look(findings=findings, details={"because": "; ".join(parts), "version": record.version})


def _breaks(desk: Desk) -> tuple[Break, ...]:
    before = desk.release_before
    if before is None:  # every status asks
        return ()
    from companion.steps.looks.story import Since
    from companion.words.songs import songs_break

    since = Since.of(desk, before)
    return songs_break(removed=since.removed, renamed=since.renamed, before=since.facts, after=desk.facts)


def _published(record: ReleaseRecord) -> out.Published:
    last = record.last_upload
    return out.Published(
        archive=record.archive,
        checked=last is not None,
        verified=record.verified,
        at=visible(last.at[:10]) if last else "",
    )
