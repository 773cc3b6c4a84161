"""What patches and scripts refer to, against what ships."""

from __future__ import annotations

import unicodedata
from typing import Final

from companion.contents.model import ContentsModel
from companion.contents.references import Fate, Reference
from companion.core.entries import Kind
from companion.core.findings import Finding, Rule, Severity
from companion.core.text import visible
from companion.core.units import decimal_bytes

REFERENCE_MISSING = Rule(
    id="reference-missing",
    step="contents",
    severity=Severity.BLOCKS,
    means="A patch or script names a file that is not in the folder.",
    why="Players hear nothing where that sample should sound, or are asked for a file that only you have.",
    mend="Put the file into the folder, or take it out of the patch; then save the patch again.",
)
REFERENCE_CASE = Rule(
    id="reference-case",
    step="contents",
    severity=Severity.WARNS,
    means="A patch or script writes a file's name in another case than it has on disk.",
    why="It is found on Windows and most Macs, and missing on Linux and on disks that tell the cases apart.",
    mend="Rename the file as the patch writes it.",
)
REFERENCE_NORMALISATION = Rule(
    id="reference-normalisation",
    step="contents",
    severity=Severity.WARNS,
    means="A patch or script writes an accented name in another normalisation than it has on disk.",
    why="The names look the same and are not: the file is missing wherever names are compared byte for byte.",
    mend="Use a name without accents, or rename the file to the composed form (NFC) and save the patch again.",
    source="Unicode Standard Annex #15",
)
REFERENCE_EXCLUDED = Rule(
    id="reference-excluded",
    step="contents",
    severity=Severity.BLOCKS,
    means="A patch or script names a file that is in the folder but does not ship.",
    why="It works for you and is missing for every player.",
    mend="Let the file ship (see “include” and “exclude” in release.toml), or take it out of the patch.",
)
SAMPLE_UNUSED = Rule(
    id="sample-unused",
    step="contents",
    severity=Severity.WARNS,
    means="Nothing that ships refers to a sample.",
    why="Players download it for nothing, or a zone of the instrument was forgotten.",
    mend="Take it out of the folder, or into the patch; exclude it if it is kept for later.",
)

MOST_SINGLE: Final = 0.5
"""Above this share of samples unused, the patch more likely finds them in another way than by naming each."""


def _seen(item: Reference) -> str:
    text = f"“{visible(item.mention.text)}”"
    return f"{text}, {item.mention.times:,} times" if item.mention.times > 1 else text


def _once(items: list[Reference]) -> list[Reference]:
    """Return one reference for each source and target: the same file named twice is one fault."""
    kept: dict[tuple[str, str], Reference] = {}
    for item in items:
        kept.setdefault((item.source, item.target or item.mention.text), item)
    return list(kept.values())


def reference_missing(model: ContentsModel) -> list[Finding]:
    """Only what stands where a path stands and ends as sounds, pictures and scripts do; running text is let pass."""
    found = []
    for item in model.references.items:
        if item.fate is Fate.MISSING:
            mend = None
            if item.target:
                mend = f"A file of that name lies at “{visible(item.target)}”: load it from there and save the patch."
            found.append(
                REFERENCE_MISSING.finding(item.source, where=item.mention.place, measured=_seen(item), mend=mend)
            )
    return found


def reference_case(model: ContentsModel) -> list[Finding]:
    """Blocks where two files differ by case only, since then it cannot be told which one is meant."""
    found = []
    for item in _once([item for item in model.references.items if item.fate is Fate.CASE and not item.excluded]):
        several = item.others > 0
        found.append(
            REFERENCE_CASE.finding(
                item.source,
                where=item.mention.place,
                measured=_seen(item),
                limit=f"“{visible(item.target)}”" + (f" or {item.others:,} more" if several else ""),
                severity=Severity.BLOCKS if several else None,
            )
        )
    return found


def reference_normalisation(model: ContentsModel) -> list[Finding]:
    """Equal after NFC only. The two look alike, so each is said to be what it is (UAX #15)."""
    items = [item for item in model.references.items if item.fate is Fate.NORMALISATION and not item.excluded]
    return [
        REFERENCE_NORMALISATION.finding(
            item.source,
            where=item.mention.place,
            measured=f"{_seen(item)}, {_form(item.mention.text)}",
            limit=f"“{visible(item.target)}”, {_form(item.target)}",
        )
        for item in _once(items)
    ]


def _form(text: str) -> str:
    if unicodedata.is_normalized("NFC", text):
        return "accents composed (NFC)"
    return "accents apart (NFD)" if unicodedata.is_normalized("NFD", text) else "accents partly composed"


def reference_excluded(model: ContentsModel) -> list[Finding]:
    """In the folder, named, and not among what ships; a mention in running text is let pass."""
    reasons = {stray.entry.path: stray.reason for stray in model.selection.left_out}
    items = [
        item
        for item in model.references.items
        if item.excluded
        and item.mention.sure
        and item.fate in (Fate.FOUND, Fate.CASE, Fate.NORMALISATION, Fate.ELSEWHERE)
    ]
    return [
        REFERENCE_EXCLUDED.finding(
            item.source,
            where=item.mention.place,
            measured=f"“{visible(item.target)}” stays at home: {reasons.get(item.target, 'it does not ship')}",
        )
        for item in _once(items)
    ]


def sample_unused(model: ContentsModel) -> list[Finding]:
    """Only where every patch that ships was read, and named at least one sound that is there.

    Where most samples seem unused the patch is likelier to find them by folder or pattern: one finding says so.
    """
    ships = model.selection.ships
    patches = [entry.path for entry in ships if entry.kind is Kind.PATCH]
    scans = [model.scans.get(path) for path in patches]
    if not patches or not all(scan and scan.readable and scan.complete for scan in scans):
        return []
    sounds = [entry for entry in ships if entry.kind.audible]
    unused = [entry for entry in sounds if entry.path not in model.references.used]
    if len(unused) == len(sounds):
        return []
    if len(unused) > 8 and len(unused) > MOST_SINGLE * len(sounds):
        measured = f"{len(unused):,} of {len(sounds):,} samples are named by nothing"
        mend = "If the patch loads whole folders, let this pass with that reason; otherwise look what was forgotten."
        return [SAMPLE_UNUSED.finding(measured=measured, mend=mend)]
    return [SAMPLE_UNUSED.finding(entry.path, measured=decimal_bytes(entry.size)) for entry in unused]
