"""What patches and scripts refer to, against what ships."""

import unicodedata
from collections.abc import Iterable, Iterator
from typing import Final

from companion.contents.model import ContentsModel, contents_rule
from companion.contents.references import Fate, Reference
from companion.contents.versions import ACCOUNTS, PATH_SCAN, REFERENCES
from companion.core.entries import Kind
from companion.core.findings import BLOCKS, WARNS, Finding, Severity
from companion.core.rules import Rule
from companion.core.text import plural, visible

MOST_SINGLE: Final = 0.5
"""Above this share of samples unused, the patch more likely finds them in another way than by naming each."""
_NAMED: Final = frozenset([Fate.FOUND, Fate.CASE, Fate.NORMALISATION, Fate.ELSEWHERE])


def _report(
    found: Rule[ContentsModel],
    item: Reference,
    more: str = "",
    *,
    limit: str | None = None,
    mend: str | None = None,
    severity: Severity | None = None,
) -> Finding:
    """Return a finding on a mention: its place, its text, how often it occurs, and ``more``."""
    times = f", {item.mention.times:,} times" if item.mention.times > 1 else ""
    return found.finding(
        item.source,
        at=item.at,
        where=item.mention.place,
        value=item.mention.text,
        says=f"“{{value}}”{times}{more}",
        limit=limit,
        mend=mend,
        severity=severity,
    )


def _once(items: Iterable[Reference]) -> list[Reference]:
    """Return one reference for each source and target: the same file named twice is one fault."""
    kept: dict[tuple[str, str], Reference] = {}
    for item in items:
        kept.setdefault((item.source, item.target), item)
    return list(kept.values())


@contents_rule(
    "reference-missing",
    BLOCKS,
    version=2,
    rests_on=(PATH_SCAN, REFERENCES),
    means="A patch or script names a file that is not in the folder.",
    why="Players hear nothing where that sample should sound, or are asked for a file that only you have.",
    mend="Put the file into the folder, or take it out of the patch; then save the patch again.",
)
def reference_missing(model: ContentsModel) -> Iterator[Finding]:
    """Only what stands where a path stands and ends as sounds, pictures and scripts do; running text is let pass.

    A file that names several and none of this folder is another instrument's, or all was renamed: that is one fault.
    """
    by_source: dict[str, list[Reference]] = {}
    for item in model.references.items:
        by_source.setdefault(item.source, []).append(item)
    for source, items in by_source.items():
        missing = [item for item in items if item.fate is Fate.MISSING]
        if len(missing) > 1 and not any(item.target for item in items):
            yield reference_missing.finding(
                source,
                at=missing[0].at,
                where=missing[0].mention.place,
                value=len(missing),
                unit="name",
                says=f"none of its {{value}} is in the folder, the first is “{visible(missing[0].mention.text)}”",
                mend="Were all files renamed, or is this the patch of another instrument? Load them anew and save it.",
            )
            continue
        for item in missing:
            found = f"A file of that name lies at “{visible(item.target)}”: load it from there and save the patch."
            yield _report(reference_missing, item, mend=found if item.target else None)


@contents_rule(
    "reference-case",
    WARNS,
    rests_on=(PATH_SCAN, REFERENCES),
    means="A patch or script spells a file's name in a different case than the disk does.",
    why="It is found on Windows and most Macs, and missing on Linux and on disks that keep upper and lower case apart.",
    mend="Rename the file the way the patch spells it.",
)
def reference_case(model: ContentsModel) -> Iterator[Finding]:
    """Blocks where two files differ by case only, since then nobody knows which one is meant."""
    for item in _once(item for item in model.references.items if item.fate is Fate.CASE and not item.excluded):
        more = f" or {item.others:,} more" if item.others else ""
        limit = f"“{visible(item.target)}”{more}"
        yield _report(reference_case, item, limit=limit, severity=BLOCKS if item.others else None)


@contents_rule(
    "reference-normalisation",
    WARNS,
    rests_on=(PATH_SCAN, REFERENCES),
    means="A patch or script spells an accented name in a different Unicode form than the disk does.",
    why="The names look the same and are not: the file is missing wherever names are compared byte for byte.",
    mend="Use a name without accents, or rename the file to the composed form (NFC) and save the patch again.",
    source="Unicode Standard Annex #15",
)
def reference_normalisation(model: ContentsModel) -> Iterator[Finding]:
    """Equal after NFC only. The two look alike, so each comes with the name of its form (UAX #15)."""
    items = (item for item in model.references.items if item.fate is Fate.NORMALISATION and not item.excluded)
    for item in _once(items):
        limit = f"“{visible(item.target)}”, {_form(item.target)}"
        yield _report(reference_normalisation, item, f", {_form(item.mention.text)}", limit=limit)


def _form(text: str) -> str:
    if unicodedata.is_normalized("NFC", text):
        return "accents composed (NFC)"
    return "accents separate (NFD)" if unicodedata.is_normalized("NFD", text) else "accents partly composed"


@contents_rule(
    "reference-excluded",
    BLOCKS,
    rests_on=(PATH_SCAN, REFERENCES),
    means="A patch or script names a file that is in the folder but does not ship.",
    why="It works for you and is missing for every player.",
    mend="Let the file ship (y in the list of what ships, or companion contents FOLDER --ship PATH), or take it out of "
    "the patch.",
)
def reference_excluded(model: ContentsModel) -> Iterator[Finding]:
    """In the folder, named, and not among what ships; a mention in running text is let pass."""
    reasons = {left.entry.path: left.reason for left in model.selection.left_out}
    items = (item for item in model.references.items if item.excluded and item.mention.sure and item.fate in _NAMED)
    for item in _once(items):
        yield reference_excluded.finding(
            item.source,
            at=item.at,
            where=item.mention.place,
            value=item.target,
            says=f"“{{value}}” stays at home: {reasons.get(item.target, 'it does not ship')}",
        )


@contents_rule(
    "references-unread",
    WARNS,
    rests_on=(PATH_SCAN,),
    means="No name of a file can be read in a patch, or not all of them, so that nobody can tell what it needs.",
    why="If it needs a file that is not in the folder, players find out before you do.",
    mend="Do an away test: hide the originals, or open the release on another computer, and play every key of it.",
    limit="names that can be read",
    unknown=True,
)
def references_unread(model: ContentsModel) -> Iterator[Finding]:
    """A patch that tells of no file: nothing is missing only as far as anything was named."""
    patches = [entry for entry in model.selection.ships if entry.kind is Kind.PATCH]
    for entry, scan in zip(patches, model.patch_scans, strict=True):
        if not scan.tells:
            what = f"in its {scan.size:,} bytes" if scan.names == 0 else "for certain"
            yield references_unread.finding(entry.path, says=f"what it needs cannot be read {what}")


@contents_rule(
    "sample-unused",
    WARNS,
    version=2,
    rests_on=(PATH_SCAN, REFERENCES, ACCOUNTS),
    means="A sample ships that nothing else in the release refers to.",
    why="Players download it for nothing, or a zone of the instrument was forgotten.",
    mend="Remove it from the folder, or use it in the patch; exclude it if you keep it for later.",
    unit="bytes",
)
def sample_unused(model: ContentsModel) -> Iterator[Finding]:
    """Only where every patch that ships was read; not what is asked about, nor what names nothing that is there.

    Where most samples seem unused the patch is likelier to find them by folder or pattern: one finding says so.
    """
    if not model.patches_readable or not all(scan.complete for scan in model.patch_scans):
        return
    sounds = [entry for entry in model.selection.ships if entry.kind.audible]
    asked = model.account.asked_paths
    unused = [entry for entry in sounds if entry.path not in model.references.used and entry.path not in asked]
    every = len(unused) == len(sounds) > 0
    if every and any(item.fate is Fate.MISSING for item in model.references.items):
        return
    if every or (len(unused) > 8 and len(unused) > MOST_SINGLE * len(sounds)):
        which = (
            f"any of the {plural(len(sounds), 'sample')}" if every else f"{len(unused):,} of {len(sounds):,} samples"
        )
        yield sample_unused.finding(
            value=len(unused),
            unit="sample",
            says=f"nothing refers to {which}",
            mend="If the patch loads whole folders, waive this and say so; otherwise see what was forgotten.",
        )
        return
    for entry in unused:
        yield sample_unused.finding(entry.path, value=entry.size)
