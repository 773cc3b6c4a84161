"""From plain values to text on the screen. Text from files passes through here and is never read as markup."""

from datetime import UTC, datetime
from typing import Final

from textual.content import Content

from companion.core.describe import rule_words
from companion.core.findings import Finding, Severity
from companion.core.text import shorten, visible, visible_lines
from companion.steps.model import State
from companion.tui.parts.plainly import terminal

STATE_STYLE: Final = {
    State.OPEN: "$foreground-muted",
    State.FAILING: "bold $error",
    State.UNKNOWN: "bold $warning",
    State.STALE: "$warning",
    State.WAIVED: "$secondary",
    State.PROVEN: "$success",
}
SEVERITY_STYLE: Final = {
    Severity.BLOCKS: "bold $error",
    Severity.WARNS: "$warning",
    Severity.NOTES: "$foreground-muted",
}
SEVERITY_MARK: Final = {Severity.BLOCKS: "✗", Severity.WARNS: "!", Severity.NOTES: "·"}
RESULT_MARK: Final = {"pass": "✓", "fail": "✗", "note": "n"}
RESULT_STYLE: Final = {"pass": "$success", "fail": "bold $error", "note": "$secondary"}

Piece = str | Content | tuple[str, str]


def content(*pieces: Piece) -> Content:
    """Join pieces: our own words as strings, (text, style) pairs, or Content made here. Every one is made inert."""
    named = terminal().named
    safe = [
        piece
        if isinstance(piece, Content)
        else named(visible_lines(piece))
        if isinstance(piece, str)
        else (named(visible_lines(piece[0])), piece[1])
        for piece in pieces
    ]
    return Content.assemble(*safe)


def labelled(label: str, text: str, width: int = 0, column: int = 9) -> Content:
    """Return ``Label    text``, the label dimmed, later lines of the text below its first; nothing for an empty text.

    width: cells there are; 0 where the text stays on one line or may break anywhere.
    """
    if not text:
        return Content("")
    body = content(text)
    if width > column + 12:
        pad = Content("\n" + " " * (column + 1))
        body = pad.join(body.wrap(width - column - 1))
    return content((f"{label:<{column}} ", "$foreground-muted"), body, "\n")


def short_path(path: str, width: int) -> str:
    """Return a path cut to ``width`` cells; its folders go before its name does, since names tell files apart."""
    safe = visible(path)
    name = safe.rpartition("/")[2]
    if len(safe) <= width:
        return safe
    if len(name) + 2 > width:
        return shorten(name, width)
    room = width - len(name) - 2
    return f"{safe[:room]}…/{name}"


def finding_mark(finding: Finding) -> tuple[str, str, str]:
    """Return the mark of a finding, its word and its style."""
    if finding.waived:
        return "w", "waived", "$secondary"
    if finding.unknown:
        return "?", "could not tell", "bold $warning"
    return SEVERITY_MARK[finding.severity], finding.severity.value, SEVERITY_STYLE[finding.severity]


def finding_line(finding: Finding, width: int, *, limit: bool = True) -> Content:
    """Return one finding on one line of ``width`` cells: where it is, then what was measured beside the limit.

    limit: whether the limit stands in the line; it is left out where the head of the rule gives it for all.
    """
    against = (
        f"{finding.measured} / {finding.limit}" if finding.measured and finding.limit and limit else finding.measured
    )
    against = visible(against)
    room = max(16, width - 5)
    place = finding.path or finding.where
    mark, _, style = finding_mark(finding)
    if not place:  # about all there is: what was found says enough
        return content("  ", (mark, style), " ", shorten(against or rule_words(finding.rule), room))
    first = room if not against else max(room // 2, room - len(against) - 2)
    where = short_path(place, first)
    if finding.path and finding.where and len(where) + len(against) + len(finding.where) + 4 <= room:
        where = f"{where}, {visible(finding.where)}"
    rest = (f"  {shorten(against, max(8, room - len(where) - 2))}", "$foreground-muted") if against else ""
    return content("  ", (mark, style), " ", where, rest)


OFFERING: Final = frozenset({"note-unread", "names-open", "names-disagree"})
OFFERED: Final = "writes that fact into its field, where there is one fact to state; Enter keeps it"
"""Said of findings whose mend is a fact on names."""


def finding_detail(finding: Finding, width: int = 0) -> Content:
    """Return everything about one finding: place, measured, limit, what a player suffers, how to mend it."""
    mark, word, style = finding_mark(finding)
    where = ", ".join(part for part in (visible(finding.path), visible(finding.where)) if part)
    rows = (
        ("Where", where), ("Mend", finding.mend), ("Measured", finding.measured), ("Limit", finding.limit),
        ("Key e", OFFERED if finding.rule in OFFERING else ""), ("Why", finding.why), ("Waived", finding.waived),
        ("Before", finding.lapsed and f"{finding.lapsed}. Press g to waive it again."),
    )  # fmt: skip
    return content(
        (f"{mark} {word}", style), f"  {finding.rule}\n", *(labelled(label, text, width) for label, text in rows)
    )  # fmt: skip


def age(at: str, now: datetime | None = None) -> str:
    """Return how long ago an ISO 8601 time was: ``just now``, ``5 min ago``, ``3 days ago``; a date beyond a month."""
    try:
        then = datetime.fromisoformat(at)
    except ValueError:
        return visible(at)
    then = then if then.tzinfo else then.replace(tzinfo=UTC)
    seconds = ((now or datetime.now(UTC)) - then).total_seconds()
    if seconds < 60:
        return "just now" if seconds > -60 else f"{then:%Y-%m-%d}"
    if seconds < 3600:
        return f"{int(seconds // 60)} min ago"
    if seconds < 86_400:
        return f"{int(seconds // 3600)} h ago"
    days = int(seconds // 86_400)
    return f"{days} day{'s' if days > 1 else ''} ago" if days < 31 else f"{then:%Y-%m-%d}"
