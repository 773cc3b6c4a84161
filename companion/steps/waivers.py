"""What a waiver covers, and when it lapses: pure functions of findings, waivers and what the findings rest on.

A waiver covers the findings it was given for and no others: by their rule and place, by what tells them from others of
that rule there, and by the content behind them. That is the file a finding is about; for one about the whole what its
step judges; for one on the facts, which rest on no content, the version that is to be released.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.describe import places_of
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding, ordered
from companion.core.globs import globs
from companion.core.text import shorten, visible

NEVER_WAIVED: Final = frozenset(
    {
        "claim-unproven",
        "words-disagree",
        "placeholder-left",
        "archive-differs",
        "archive-bomb",
        "member-duplicate",
        "member-escapes",
        "member-encrypted",
        "member-deep",
        "checksum-wrong",
        "release-unrecorded",
        "upload-differs",
        "stray-unasked",
    }
)
"""A waiver lets a flaw pass, never an untruth: no reason makes a false sentence or a broken archive fit to publish."""

MOST_SAID: Final = 120
"""Characters of what was found that a waiver repeats, so that it can be told what it covered."""

UNMARKED: Final = "it was given before waivers noted what they are for"
OTHER: Final = "this is another finding than the one it was given for"
CHANGED_FILE: Final = "the file has changed since"
_CHANGED: Final = {
    "contents": "what ships has changed since",
    "paths": "what ships has changed since",
    "sound": "the samples, or the facts on them, have changed since",
    "controls": "the patch, a script or the controls have changed since",
    "away": "what plays has changed since",
    "needs": "what plays, or the engine as stated, has changed since",
}


class Grounds(msgspec.Struct, frozen=True, kw_only=True):
    """What the findings of a step rest on, as things are.

    contents: SHA-256 by path, of a link that of where it points; under the empty path the step's fingerprint, for what
    is no file of the folder. whole: for findings of the whole; facts: for those on the facts. unchanged: whether
    exactly this was judged by a companion whose waivers did not note what they are for.
    """

    contents: Mapping[str, str]
    whole: str = ""
    facts: str = ""
    step: str = ""
    unchanged: bool = False

    def behind(self, finding: Finding) -> str:
        """Return what tells the content behind a finding; empty where it is not known, which no waiver covers."""
        if finding.path == FACTS_FILE and self.facts:
            return self.facts
        if not finding.path and self.whole:
            return self.whole
        return self.contents.get(finding.path, "") or self.contents.get("", "")

    def told_apart(self, finding: Finding) -> str:
        """Return what tells a finding from others of its rule in the same content, as 16 digits.

        Empty where nothing does: numbers follow from the content.
        """
        others = [f"{path} {self.contents.get(path, '')}" for path in finding.at.others]
        value = finding.value if isinstance(finding.value, str) else ""
        place = "" if finding.path else finding.where
        parts = [value, finding.at.control, place, *others]
        if not any(parts):
            return ""
        return hashlib.sha256("\0".join(parts).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def waive(findings: Iterable[Finding], waivers: Iterable[Waiver], grounds: Grounds) -> tuple[Finding, ...]:
    """Return findings with the reason of the waiver that covers each, in the order they are shown.

    One that a waiver of its rule and place does not cover any more is told in ``lapsed``.
    """
    by_rule: dict[str, list[Waiver]] = {}
    for waiver in waivers:
        if waiver.rule not in NEVER_WAIVED and waiver.reason:
            by_rule.setdefault(waiver.rule, []).append(waiver)
    return ordered(_covered(finding, by_rule.get(finding.rule, ()), grounds) for finding in findings)


def _covered(finding: Finding, waivers: Sequence[Waiver], grounds: Grounds) -> Finding:
    if finding.waived:
        return finding
    lapsed = ""
    for waiver in waivers:
        if not means(waiver, finding):
            continue
        why = _lapse(waiver, finding, grounds)
        if not why:
            return msgspec.structs.replace(finding, waived=waiver.reason)
        lapsed = _told(waiver, why)
    return msgspec.structs.replace(finding, lapsed=lapsed) if lapsed else finding


def means(waiver: Waiver, finding: Finding) -> bool:
    """Tell whether a waiver of the finding's rule is meant for its place.

    Each fact is waived by its key, never all at once; a group is of files only.
    """
    if waiver.contents:
        return finding.path not in ("", FACTS_FILE) and globs((waiver.path,)).matches(finding.path)
    if waiver.path != finding.path:
        return False
    return waiver.where in places_of(finding) or (not waiver.where and finding.path != FACTS_FILE)


def never_lets_pass(waiver: Waiver, *, known: bool) -> str:
    """Return why a waiver counts for nothing, whatever is found; empty where it may count. known: its rule is one."""
    if not known:
        return "there is no such rule"
    if waiver.rule in NEVER_WAIVED:
        return "no reason lets that pass"
    return "" if waiver.reason else "it gives no reason"


def _lapse(waiver: Waiver, finding: Finding, grounds: Grounds) -> str:
    """Return why a waiver does not cover a finding it is meant for; empty when it does."""
    behind, apart = grounds.behind(finding), grounds.told_apart(finding)
    if waiver.contents:
        held = bool(behind) and Waiver.mark(behind) in waiver.contents
        gone = "the file is not among those it was given for, as they were"
    else:
        held = bool(behind) and waiver.content == behind
        gone = _gone(waiver, finding, grounds)
    if waiver.said:
        return gone if not held else "" if not apart or apart in waiver.covers else OTHER
    if finding.path in ("", FACTS_FILE):
        return "" if grounds.unchanged else UNMARKED
    if not held:
        return gone if waiver.content or waiver.contents else UNMARKED
    return "" if not apart or grounds.unchanged else UNMARKED


def _gone(waiver: Waiver, finding: Finding, grounds: Grounds) -> str:
    if finding.path in grounds.contents and finding.path not in ("", FACTS_FILE):
        return CHANGED_FILE
    if finding.path == FACTS_FILE and grounds.step == "facts":
        return f"it was given for version {visible(waiver.version) or 'unknown'}"
    return _CHANGED.get(grounds.step, "what it rests on has changed since")


def _told(waiver: Waiver, why: str) -> str:
    """Return what a lapsed waiver covered, and why it lapsed: ``“it is meant so” (1.1, “−0.1 dBFS”): …``."""
    of = ", ".join(part for part in (visible(waiver.version), visible(waiver.said)) if part)
    return f"“{visible(waiver.reason)}”{f' ({of})' if of else ''}: {why}"


def place_of(finding: Finding) -> str:
    """Return the place a waiver of ``finding`` names; empty where it is meant for all of the rule in that file.

    What is known by a name, such as a fact, a trial or a file that is missing, is let pass one by one.
    """
    named = finding.path in ("", FACTS_FILE) or isinstance(finding.value, str)
    return finding.where if named else ""


def exact_place_of(finding: Finding) -> str:
    """Return the same as exactly as it can be told, to find the waiver given for this one among others in its line."""
    return places_of(finding)[-1] if place_of(finding) else ""


def coverable(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings a group's waiver can cover: open ones in files. Facts, doubts and the whole are not."""
    return [one for one in findings if not (one.waived or one.unknown) and one.path not in ("", FACTS_FILE)]


def waiver_of(findings: Sequence[Finding], grounds: Grounds, where: str, reason: str, version: str) -> Waiver:
    """Return the waiver that covers exactly these findings, which are of one rule and one path."""
    first = findings[0]
    return Waiver(
        rule=first.rule,
        path=first.path,
        where=where,
        reason=reason,
        content=grounds.behind(first),
        covers=_marks(findings, grounds),
        said=_said(findings),
        version=version,
    )


def _marks(findings: Iterable[Finding], grounds: Grounds) -> tuple[str, ...]:
    return tuple(sorted({mark for one in findings if (mark := grounds.told_apart(one))}))


def _said(findings: Sequence[Finding]) -> str:
    first = findings[0]
    more = f", and {len(findings) - 1:,} more" if len(findings) > 1 else ""
    return shorten(visible(first.measured or first.where or first.rule), MOST_SAID) + more
