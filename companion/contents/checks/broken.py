"""Files that are there and yet of no use."""

from collections.abc import Iterator

from companion.contents.model import ContentsModel, contents_rule
from companion.contents.versions import KINDS, PICTURES_READ
from companion.core.entries import Kind
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.globs import globs
from companion.core.rules import AUDIO_HEADERS


@contents_rule(
    "file-empty",
    BLOCKS,
    means="A file that ships has no content.",
    why="Whatever should have been in it is missing for players; an empty sample may stop the patch from loading.",
    mend="Put the file back from a snapshot or export it again, or delete it.",
    limit="more than 0 bytes",
    unit="bytes",
)
def file_empty(model: ContentsModel) -> Iterator[Finding]:
    """Zero bytes, in a file that ships and could be looked at."""
    for entry in model.selection.ships:
        if entry.size == 0 and not entry.problem:
            yield file_empty.finding(entry.path, value=0, says="0 bytes")


@contents_rule(
    "file-unreadable",
    BLOCKS,
    rests_on=(AUDIO_HEADERS,),
    means="A file that ships cannot be read.",
    why="It cannot be put into the archive, or players cannot open it.",
    mend="Check the file's permissions and whether it opens; put it back from a snapshot or export it again.",
)
def file_unreadable(model: ContentsModel) -> Iterator[Finding]:
    """What the disk refuses, what keeps changing, and audio that no reader takes; ``file-empty`` reports empty ones."""
    for entry in model.selection.ships:
        problem = model.audio_problems.get(entry.path)
        if entry.problem:
            yield file_unreadable.finding(entry.path, value=entry.problem)
        elif problem and problem.kind == "unreadable" and entry.size:
            yield file_unreadable.finding(entry.path, value=problem.text)


@contents_rule(
    "file-truncated",
    BLOCKS,
    rests_on=(AUDIO_HEADERS,),
    means="An audio file holds less sound than its header promises.",
    why="The sound stops short, or the engine refuses the file.",
    mend="Export or copy the file again; the copy was cut off.",
    limit="as much as the header promises",
    source="RIFF/WAVE, AIFF and FLAC: the lengths that their headers state",
)
def file_truncated(model: ContentsModel) -> Iterator[Finding]:
    """The header's promise against what there is."""
    for entry in model.selection.ships:
        problem = model.audio_problems.get(entry.path)
        if problem and problem.kind == "truncated" and entry.size:
            yield file_truncated.finding(entry.path, value=problem.text)


@contents_rule(
    "patch-missing",
    BLOCKS,
    rests_on=(KINDS,),
    means="No patch ships, or one that the facts list is missing.",
    why="Players get samples and nothing that plays them.",
    mend="List the patch under “contents.patches” in release.toml, put it into the folder, and do not exclude it.",
    limit="every listed patch, and at least one",
)
def patch_missing(model: ContentsModel) -> Iterator[Finding]:
    """Nothing listed, nothing found under a listed pattern, or found and left out."""
    patterns = model.facts.contents.patches
    ships = [entry.path for entry in model.selection.ships if entry.kind is Kind.PATCH]
    if not (patterns or ships):
        yield patch_missing.finding(at=At(fact="contents.patches"), where="", says="the facts list no patch")
    for pattern in patterns:
        here = globs((pattern,))
        if any(here.matches(path) for path in ships):
            continue
        stays = next((left for left in model.selection.left_out if here.matches(left.entry.path)), None)
        yield patch_missing.finding(
            stays.entry.path if stays else "",
            at=At(fact="contents.patches"),
            where="",
            value=pattern,
            says=f"stays at home: {stays.reason}" if stays else "nothing matches “{value}”",
        )


@contents_rule(
    "picture-unreadable",
    WARNS,
    rests_on=(PICTURES_READ,),
    means="A picture does not open.",
    why="The instrument's face or the page shows a gap.",
    mend="Save the picture again as PNG or JPEG.",
)
def picture_unreadable(model: ContentsModel) -> Iterator[Finding]:
    """As Pillow decodes it; over 64 megapixels it is not tried."""
    for path, picture in sorted(model.pictures.items()):
        if picture.problem:
            yield picture_unreadable.finding(path, value=picture.problem)
