"""What each paragraph of a draft rests on, found out by taking away one thing after the other that the draft knows.

A paragraph that is gone, or reads otherwise, without a thing rests on it; so in a maker's own templates as well.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import msgspec

from companion.words.merge import units
from companion.words.story import Story

RESTS: Final[Mapping[str, str]] = {
    "title": "fact: title",
    "version": "fact: version",
    "maker": "fact: maker",
    "summary": "fact: in one sentence",
    "description": "fact: in more words",
    "contact": "fact: where players reach you",
    "credits": "fact: credits",
    "tags": "fact: tags",
    "licence": "fact: licence",
    "licence_link": "fact: where the licence can be read",
    "rights": "fact: where it all comes from",
    "install": "fact: steps to install it",
    "lang": "fact: language",
    "engine": "fact: engine",
    "edition": "fact: edition",
    "saved_with": "fact: the version that last saved the patch",
    "voices": "fact: voices at once",
    "controls": "facts on the controls",
    "systems_hoped": "systems in the facts that nobody tested yet",
    "middle_c": "fact: how middle C is called",
    "missing": "what is missing from the facts",
    "licence_links": "where SPDX, or you, let the licence be read",
    "licence_file": "the licence text that ships",
    "minimum": "fact: the lowest version promised",
    "minimum_because": "an away test on that version, or the patch saved with it",
    "systems_tested": "away tests that passed",
    "systems_failed": "away tests that did not pass",
    "systems_older": "away tests on an older engine",
    "systems_before": "the last test there, of another version, passed",
    "systems_failed_before": "the last test there, of another version, did not pass",
    "tried_elsewhere": "whether any test was made on another computer",
    "tried_older": "whether any test was made with an older engine",
    "patches": "the patches that ship",
    "start_with": "the patch that the facts name first",
    "hear": "fact: previews to hear",
    "samples": "the samples that ship, counted",
    "layers": "facts on the layers, and their samples counted",
    "unpacked_bytes": "the size of all that ships",
    "seconds": "the length of the samples, measured by Sound",
    "rates": "the samples' rates, measured by Sound",
    "bits": "the samples' bits, measured by Sound",
    "memory_bytes": "the samples' size in memory, measured by Sound",
    "impulses": "the impulse responses that ship",
    "archive": "the archive's name, by title and version",
    "archive_sha256": "the archive built of exactly this content",
    "download_bytes": "the archive built of exactly this content",
    "updates": "the update archive built of exactly this content",
    "previous_version": "the release on record before this one",
    "previews": "pre-releases on record",
    "changes": "what differs from the release on record, and labels of snapshots since",
    "to_delete": "files of the release on record that are gone",
    "breaks": "what songs made with the release on record would miss",
    "known_problems": "open findings and failed trials",
    "released_at": "the day of the release, or of this draft",
}
"""Where each field of a story comes from, as a maker would say it."""

GENERAL: Final = "holds for every instrument: it claims nothing of this one"


def grounds_of(draft: Callable[[Story], str], story: Story) -> dict[str, tuple[str, ...]]:
    """Return what each paragraph of ``draft(story)`` rests on, in the order of :data:`RESTS`; empty for advice.

    Every field that is stated is taken away once, so ``draft`` is called that many times and once more.
    """
    found: dict[str, list[str]] = {unit: [] for unit in units(draft(story)) if unit.strip()}
    for field, default in zip(story.__struct_fields__, story.__struct_defaults__, strict=True):
        value = getattr(story, field)
        if value == default and not isinstance(value, bool):
            continue
        other = not value if isinstance(value, bool) else default
        left = set(units(draft(msgspec.structs.replace(story, **{field: other}))))
        for unit, rests in found.items():
            if unit not in left and RESTS[field] not in rests:
                rests.append(RESTS[field])
    return {unit: tuple(rests) for unit, rests in found.items()}
