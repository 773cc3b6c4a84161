"""What a maker whose archive is over the upload limit could save, in bytes."""

from collections.abc import Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.core.entries import Kind
from companion.core.findings import Finding
from companion.core.text import listed
from companion.core.units import decimal_bytes
from companion.steps.desk import Desk

_SAVINGS: Final = {
    "trimming": "trimming silent tails",
    "mono": "making mono of equal channels",
    "bits": "leaving unused bits out",
    "twins": "keeping one of each recording that is there twice",
}


def with_savings(desk: Desk, findings: Iterable[Finding], archive: Path) -> list[Finding]:
    """Return ``findings`` on a built ``archive``, the one on its size with what could be saved.

    Lossless packing is told in bytes of the archive; what the Sound step measured in bytes of the samples as they lie
    in the folder, and said to be. No sample is read where the archive keeps its limit.
    """
    whole = list(findings)
    for index, finding in enumerate(whole):
        if finding.rule == "size-over-limit":
            sentences = filter(None, (finding.mend.rstrip("."), _lossless(desk, archive), _before_packing(desk)))
            whole[index] = msgspec.structs.replace(finding, mend=". ".join(sentences))
    return whole


def _lossless(desk: Desk, archive: Path) -> str:
    """Return what packing the samples as FLAC would take off the archive; empty where it would take off nothing."""
    from companion.archive.inspect import inspect
    from companion.archive.plan import top_folder
    from companion.sound.measures.lossless import flac_sizes

    inspection = inspect(archive)
    packed = {member.name: member.packed for member in inspection.files}
    top = top_folder(desk.facts.instrument.title)
    files = [(e.path, desk.folder / e.path, e.sha256) for e in desk.of_kind(Kind.SAMPLE, Kind.IMPULSE)]
    sizes = flac_sizes(files, desk.cache, desk.watch, still=desk.still)
    saved = {
        path: packed.get(f"{top}/{path}", 0) - size
        for path, size in sizes.items()
        if size is not None and packed.get(f"{top}/{path}", 0) > size
    }
    if not saved:
        return ""
    over = inspection.size - (desk.facts.limits.upload_bytes or 0) - sum(saved.values())
    enough = "enough to keep the limit" if over <= 0 else f"{decimal_bytes(over)} too little to keep the limit"
    # FLAC has no place of its own for what else a sample file may hold.
    loops = "; loops stored in the files would not come along" if any(desk.probes[path].loops for path in saved) else ""
    return (
        "Lossless packing of the samples (FLAC), where the engine reads it, would save "
        f"{decimal_bytes(sum(saved.values()))} of the archive, {enough}{loops}"
    )


def _before_packing(desk: Desk) -> str:
    """Return what the Sound step found that could be left out; empty where it found nothing or was not run."""
    sound = desk.found("sound")
    saved = sound.details.get("savings", {}) if sound else {}
    ways = [f"{words} would save {decimal_bytes(saved[way])}" for way, words in _SAVINGS.items() if saved.get(way)]
    if not ways:
        return ""
    before = decimal_bytes(sum(entry.size for entry in desk.ships))
    return (
        f"Of the {before} before packing, {listed(ways, 4)}; silence, equal channels and unused bits pack small "
        "already, so that the archive shrinks by less"
    )
