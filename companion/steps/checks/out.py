"""Out: is this content recorded as a release, is the upload whole, and are players' reports answered?"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.findings import BLOCKS, NOTES, WARNS, Finding
from companion.core.folder import OURS, RELEASES
from companion.core.rules import Rule, rule
from companion.core.text import visible

if TYPE_CHECKING:
    from companion.trials.reports import Report
    from companion.words.songs import Break


class Published(msgspec.Struct, frozen=True, kw_only=True):
    """An archive that was released. checked: whether a downloaded copy of it ever was, verified: whether the one that
    was checked last is the archive; at: the day of that check.
    """

    archive: str
    checked: bool = False
    verified: bool = False
    at: str = ""


class OutModel(msgspec.Struct, frozen=True, kw_only=True):
    """A release, and what came back. archives: what exactly this content was released in, the whole and its updates;
    empty while it was not. left: steps before that are not settled. reports: what players reported. answered: the texts
    an answer may stand in (the changelog). breaks: what songs made with the release before would miss.
    """

    archives: tuple[Published, ...] = ()
    left: int = 0
    reports: Collection[Report] = ()
    answered: str = ""
    breaks: Collection[Break] = ()


@rule(
    "release-unrecorded",
    BLOCKS,
    step="out",
    means="This content has not been recorded as a release.",
    why="Without the record the next changelog has no base, and a report cannot be matched to what the player has.",
    mend="Record the release once the nine steps before it are proven.",
)
def release_unrecorded(model: OutModel) -> Iterator[Finding]:
    """This content is recorded."""
    if model.archives:
        return
    if model.left:
        yield release_unrecorded.finding(value=model.left, unit="step", says="{value} before it not proven yet")
    else:
        yield release_unrecorded.finding(says="everything is ready: record it")


@rule(
    "upload-unverified",
    WARNS,
    step="out",
    means="No downloaded copy has been held against the checksum.",
    why="Uploads are cut short and web hosts repack files; players would be the first to notice.",
    mend="Download your own upload and run: companion upload FOLDER DOWNLOADED_FILE",
)
def upload_unverified(model: OutModel) -> Iterator[Finding]:
    """A copy of each archive was downloaded and held against it."""
    for one in model.archives:
        if not one.checked:
            yield upload_unverified.finding(f"{RELEASES}/{one.archive}", says="no copy checked")


@rule(
    "upload-differs",
    BLOCKS,
    step="out",
    means="The copy that was downloaded last is not the archive that was released.",
    why="Players get a damaged file, or one that nobody has tried.",
    mend="Upload the archive again, download it from there, and check that copy. If you named the wrong file, check "
    "the right one.",
    limit="SHA-256 equal to the recorded one",
    source="SHA-256, FIPS 180-4",
)
def upload_differs(model: OutModel) -> Iterator[Finding]:
    """The copy checked last counts, whatever earlier ones were."""
    for one in model.archives:
        if one.checked and not one.verified:
            yield upload_differs.finding(f"{RELEASES}/{one.archive}", value=one.at, says="the copy checked on {value}")


@rule(
    "report-open",
    NOTES,
    step="out",
    means="A player's report is not answered in this version.",
    why="Whoever took the time to report looks for an answer in the changelog.",
    version=2,
    mend="Answer it: companion report answer FOLDER REPORT TEXT, and the next draft of the changelog says so; or close "
    "it, or name it in the changelog, as the limit spells it.",
)
def report_open(model: OutModel) -> Iterator[Finding]:
    """Each report is answered in a changelog, closed, or named there; no answer is owed before the release."""
    if not model.archives or not model.reports:
        return
    from companion.trials.reports import unanswered
    from companion.words.changelog import parse_entry

    def entry(version: str) -> str:
        found = parse_entry(model.answered, version)
        return found.text if found else ""

    mentioned = {one.id: _mentions(model.answered, one.id) for one in model.reports}
    for name, owed in unanswered(model.reports, entry, mentioned):
        yield report_open.finding(f"{OURS}/reports/{name}", says=visible(owed), limit=visible(name))


@rule(
    "songs-break",
    WARNS,
    step="out",
    version=2,
    means="Songs made with the last release miss something in this one, or play other notes and controls.",
    why="A song is opened again years later, and then asks for the patch, the samples and the controllers it knew.",
    mend="Give the old name, controller or key range back. Where it is meant, players have to know: changelog and page "
    "say so by themselves once they are drafted.",
)
def songs_break(model: OutModel) -> Iterator[Finding]:
    """Nothing that a song relies on is gone; told before the release, when it can still be mended."""
    for one in model.breaks if not model.archives else ():
        yield songs_break.finding(one.paths[0] if len(one.paths) == 1 else "", value=one.text)


def _mentions(text: str, name: str) -> bool:
    """Tell whether a report is named in ``text`` as a word of its own, with its extension or without.

    A part of a compound or of a version is no word: neither ``c3`` of ``crackle-c3`` nor ``2`` of ``1.2``.
    """
    stem, dot, extension = name.rpartition(".")
    word = rf"{re.escape(stem)}(?:{re.escape(dot + extension)})?" if stem else re.escape(name)
    return re.search(rf"(?<![\w.-]){word}(?![\w-]|\.\d)", text, re.IGNORECASE) is not None


RULES: Final[tuple[Rule[OutModel], ...]] = (
    release_unrecorded,
    upload_unverified,
    upload_differs,
    report_open,
    songs_break,
)
