"""The rules of the steps that no room stands behind: facts, needs and out."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Rule, Severity

FACT_MISSING: Final = Rule(
    id="fact-missing",
    step="facts",
    severity=Severity.BLOCKS,
    means="A fact that players or the archive rely on is not stated.",
    why="Players would not know what this is, whose it is, or whether they may use it.",
    mend="State it in the facts form, or in release.toml under the key named.",
)
FACT_INVALID: Final = Rule(
    id="fact-invalid",
    step="facts",
    severity=Severity.BLOCKS,
    means="A fact is stated in a form that cannot be relied on.",
    why="A version that cannot be compared or a licence nobody can look up leaves players guessing.",
    mend="Write it in the form named beside the limit.",
    source="versions: PEP 440; licence expressions: SPDX 2.3, Annex D",
)
VERSION_NOT_RAISED: Final = Rule(
    id="version-not-raised",
    step="facts",
    severity=Severity.BLOCKS,
    means="The content differs from the last release, but the version is not higher.",
    why="Two different downloads would carry the same version, and nobody could tell which one a player has.",
    mend="Raise instrument.version.",
)
LICENCE_TEXT_MISSING: Final = Rule(
    id="licence-text-missing",
    step="facts",
    severity=Severity.WARNS,
    means="The licence is named, but no file with its text ships.",
    why="Players cannot read what they may do once the page is gone.",
    mend="Put the licence text into the folder and name it in instrument.licence_file.",
)
RIGHTS_UNSTATED: Final = Rule(
    id="rights-unstated",
    step="facts",
    severity=Severity.WARNS,
    means="Nothing says that every recording, picture and impulse response may be passed on.",
    why="A sample you had no right to pass on can cost players their finished work, and you the release.",
    mend="Write into instrument.rights where everything comes from and that you may pass it on. "
    "This is no legal advice: where in doubt ask a lawyer; local law comes first.",
)
MINIMUM_UNSET: Final = Rule(
    id="minimum-unset",
    step="needs",
    severity=Severity.BLOCKS,
    means="No minimum engine version is stated.",
    why="Players with an older engine download it, and it does not open.",
    mend="Set engine.minimum; the version it was saved with is the safe choice.",
)
MINIMUM_BELOW_SAVED: Final = Rule(
    id="minimum-below-saved",
    step="needs",
    severity=Severity.BLOCKS,
    means="The minimum is lower than the version the patch was saved with, and no away test shows that it opens.",
    why="Engines often refuse patches saved by a newer version.",
    mend="Raise engine.minimum, or record a passed away test on that version.",
)
MINIMUM_UNPROVEN: Final = Rule(
    id="minimum-unproven",
    step="needs",
    severity=Severity.WARNS,
    means="Nobody has opened this content in the minimum version.",
    why="The requirement on the page would be a hope.",
    mend="Run an away test on exactly that engine version.",
)
SYSTEM_UNPROVEN: Final = Rule(
    id="system-unproven",
    step="needs",
    severity=Severity.WARNS,
    means="A supported system is stated on which nobody has opened this content.",
    why="Paths, names and fonts differ between systems; some faults show on one of them only.",
    mend="Run an away test there, or take the system out of engine.systems.",
)
EDITION_UNSTATED: Final = Rule(
    id="edition-unstated",
    step="needs",
    severity=Severity.WARNS,
    means="It is not stated which edition of the engine a player needs.",
    why="Where an engine has a free and a full edition, players with the wrong one find out after the download.",
    mend="Set engine.edition; where there is only one, write “any”.",
)
RELEASE_UNRECORDED: Final = Rule(
    id="release-unrecorded",
    step="out",
    severity=Severity.BLOCKS,
    means="This content has not been recorded as a release.",
    why="Without the record the next changelog has no base, and a report cannot be matched to what the player has.",
    mend="Record the release once the nine steps before it are proven.",
)
UPLOAD_UNVERIFIED: Final = Rule(
    id="upload-unverified",
    step="out",
    severity=Severity.WARNS,
    means="No downloaded copy has been held against the checksum.",
    why="Uploads are cut short and web hosts repack files; players would be the first to notice.",
    mend="Download your own upload and run: companion upload FOLDER DOWNLOADED_FILE",
)
REPORT_OPEN: Final = Rule(
    id="report-open",
    step="out",
    severity=Severity.NOTES,
    means="A player's report is not answered in this version.",
    why="Whoever took the time to report looks for an answer in the changelog.",
    mend="Answer it in the changelog, or note in the report file why not.",
)

OWN_RULES: Final = (
    FACT_MISSING,
    FACT_INVALID,
    VERSION_NOT_RAISED,
    LICENCE_TEXT_MISSING,
    RIGHTS_UNSTATED,
    MINIMUM_UNSET,
    MINIMUM_BELOW_SAVED,
    MINIMUM_UNPROVEN,
    SYSTEM_UNPROVEN,
    EDITION_UNSTATED,
    RELEASE_UNRECORDED,
    UPLOAD_UNVERIFIED,
    REPORT_OPEN,
)
