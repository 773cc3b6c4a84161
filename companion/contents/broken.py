"""Files that are there and yet of no use."""

from __future__ import annotations

from companion.contents.model import ContentsModel
from companion.core.entries import Kind
from companion.core.findings import Finding, Rule, Severity
from companion.core.globs import globs
from companion.core.text import visible

FILE_EMPTY = Rule(
    id="file-empty",
    step="contents",
    severity=Severity.BLOCKS,
    means="A file that ships has no content.",
    why="Whatever should have been in it is missing for players; an empty sample may stop the patch from loading.",
    mend="Put the file back from a snapshot or export it again, or delete it.",
    limit="more than 0 bytes",
)
FILE_UNREADABLE = Rule(
    id="file-unreadable",
    step="contents",
    severity=Severity.BLOCKS,
    means="A file that ships cannot be read.",
    why="It cannot be put into the archive, or players cannot open it.",
    mend="Check the file's permissions and whether it opens; put it back from a snapshot or export it again.",
)
FILE_TRUNCATED = Rule(
    id="file-truncated",
    step="contents",
    severity=Severity.BLOCKS,
    means="An audio file holds less sound than its header promises.",
    why="The sound stops short, or the engine refuses the file.",
    mend="Export or copy the file again; the copy was cut off.",
    limit="as much as the header promises",
    source="RIFF/WAVE, AIFF and FLAC: the lengths that their headers state",
)
PATCH_MISSING = Rule(
    id="patch-missing",
    step="contents",
    severity=Severity.BLOCKS,
    means="No patch ships, or one that the facts list is not there.",
    why="Players get samples and nothing that plays them.",
    mend="List the patch under “contents.patches” in release.toml, put it into the folder, and do not exclude it.",
    limit="every listed patch, and at least one",
)
PICTURE_UNREADABLE = Rule(
    id="picture-unreadable",
    step="contents",
    severity=Severity.WARNS,
    means="A picture does not open.",
    why="The instrument's face or the page shows a gap.",
    mend="Save the picture again as PNG or JPEG.",
)


def file_empty(model: ContentsModel) -> list[Finding]:
    """Zero bytes, in a file that ships and could be looked at."""
    return [
        FILE_EMPTY.finding(entry.path, measured="0 bytes")
        for entry in model.selection.ships
        if entry.size == 0 and not entry.problem
    ]


def file_unreadable(model: ContentsModel) -> list[Finding]:
    """What the disk refuses, what keeps changing, and audio that no reader takes. Empty files are told as such."""
    found = []
    for entry in model.selection.ships:
        problem = model.audio_problems.get(entry.path)
        if entry.problem:
            found.append(FILE_UNREADABLE.finding(entry.path, measured=visible(entry.problem)))
        elif problem and problem.kind == "unreadable" and entry.size:
            found.append(FILE_UNREADABLE.finding(entry.path, measured=visible(problem.text)))
    return found


def file_truncated(model: ContentsModel) -> list[Finding]:
    """The header's promise against what there is."""
    found = []
    for entry in model.selection.ships:
        problem = model.audio_problems.get(entry.path)
        if problem and problem.kind == "truncated" and entry.size:
            limit = f"{problem.promised}, as its header promises" if problem.promised else None
            measured = visible(problem.present or problem.text)
            found.append(FILE_TRUNCATED.finding(entry.path, measured=measured, limit=limit))
    return found


def patch_missing(model: ContentsModel) -> list[Finding]:
    """Nothing listed, nothing found under a listed pattern, or found and left out."""
    patterns = model.facts.contents.patches
    ships = [entry.path for entry in model.selection.ships if entry.kind is Kind.PATCH]
    if not patterns:
        return [] if ships else [PATCH_MISSING.finding(measured="the facts list no patch")]
    found = []
    for pattern in patterns:
        here = globs((pattern,))
        if any(here.matches(path) for path in ships):
            continue
        stays = next((stray for stray in model.selection.left_out if here.matches(stray.entry.path)), None)
        measured = f"stays at home: {stays.reason}" if stays else f"nothing matches “{visible(pattern)}”"
        found.append(PATCH_MISSING.finding(stays.entry.path if stays else "", measured=measured))
    return found


def picture_unreadable(model: ContentsModel) -> list[Finding]:
    """As Pillow decodes it; over 64 megapixels it is not tried."""
    return [
        PICTURE_UNREADABLE.finding(path, measured=visible(picture.problem))
        for path, picture in sorted(model.pictures.items())
        if picture.problem
    ]
