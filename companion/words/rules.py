"""The rules of the Words step."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Rule, Severity

_STEP: Final = "words"
_CHANGELOG: Final = "Keep a Changelog 1.1.0, https://keepachangelog.com/en/1.1.0/"

CHANGELOG_ENTRY_MISSING: Final = Rule(
    id="changelog-entry-missing",
    step=_STEP,
    severity=Severity.BLOCKS,
    means="The changelog has no entry for the version that would ship, or an empty one.",
    why="Someone who has the version before cannot tell whether this one is worth the download, or what to expect.",
    mend="Draft the changelog, read the entry through and keep it: companion draft . changelog --write",
    limit="one entry with at least one line",
    source=_CHANGELOG,
)
CHANGELOG_MISSES_CHANGE: Final = Rule(
    id="changelog-misses-change",
    step=_STEP,
    severity=Severity.WARNS,
    means="Something that differs from the last release is not mentioned in this version's entry.",
    why="A player meets the change in the middle of a piece of music, and takes it for a fault.",
    mend="Add a line on it in your own words, or draft the changelog again; your own lines stay.",
    source=_CHANGELOG,
)
README_MISSING_PART: Final = Rule(
    id="readme-missing-part",
    step=_STEP,
    severity=Severity.WARNS,
    means="The readme leaves out something that everyone who opens the archive needs to read.",
    why="Without it a player opens the patch inside the archive, loses its samples, or cannot find whom to ask.",
    mend="Add that part, or draft the readme again; your own paragraphs stay.",
    limit="what it is, unzip first and keep the folder whole, needs, install, licence, contact",
)
WORDS_DISAGREE: Final = Rule(
    id="words-disagree",
    step=_STEP,
    severity=Severity.BLOCKS,
    means="A version, a need or a count in the words differs from the facts.",
    why="Players trust the page when they decide: a wrong need costs them a download that will not open.",
    mend="Correct the sentence, or the fact where the sentence is right.",
)
CLAIM_UNPROVEN: Final = Rule(
    id="claim-unproven",
    step=_STEP,
    severity=Severity.BLOCKS,
    means="The words say that it was tested on, or works with, something no passed away test stands for.",
    why="Someone with just that system relies on the sentence and is the first to find out.",
    mend="Record an away test there, or say that it is not tested there yet.",
    limit="a passed away test on that system or engine version",
)
PLACEHOLDER_LEFT: Final = Rule(
    id="placeholder-left",
    step=_STEP,
    severity=Severity.BLOCKS,
    means="A placeholder was left in the words, or a fact is marked as missing.",
    why="Players read an unfinished sentence, and wonder what else is unfinished.",
    mend="Put the real words in its place, or fill in the fact and draft again.",
    limit="none",
)
PAGE_TOO_LONG: Final = Rule(
    id="page-too-long",
    step=_STEP,
    severity=Severity.WARNS,
    means="The download page is longer than the length you set.",
    why="A site that takes no more cuts the end off, and that is where licence and contact stand.",
    mend="Shorten the description, or raise limits.page_characters where the site allows more.",
    limit="limits.page_characters; none by default",
)

RULES: Final[tuple[Rule, ...]] = (
    CHANGELOG_ENTRY_MISSING,
    CHANGELOG_MISSES_CHANGE,
    README_MISSING_PART,
    WORDS_DISAGREE,
    CLAIM_UNPROVEN,
    PLACEHOLDER_LEFT,
    PAGE_TOO_LONG,
)
