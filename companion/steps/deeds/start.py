"""The first look at a folder that has no facts: what can be seen is proposed, the rest is asked."""

import re
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import msgspec

from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents, Facts
from companion.core.folder import never_ships
from companion.core.progress import QUIET, Watch
from companion.core.text import listed, plural, visible
from companion.core.versions import read_engine_version
from companion.steps.checks.facts import licence_file_in
from companion.steps.deeds.facts_file import with_values

ASKS: Final = (
    ("instrument.title", "What is the instrument called?"),
    ("instrument.version", "Which version is this going to be, such as 1.0?"),
    ("instrument.maker", "Whose is it: your name, or your label’s?"),
    ("instrument.summary", "What is it, in one sentence?"),
    ("instrument.contact", "Where do players reach you: an address or a page?"),
    ("instrument.licence", "Under which licence (SPDX), such as CC-BY-4.0 or CC0-1.0?"),
    ("engine.name", "Which engine was the patch built in?"),
    ("engine.saved_with", "Which engine version last saved it?"),
    ("engine.edition", "Which edition of the engine does a player need (“any” when there is only one)?"),
    ("naming.middle_c", "Which name does MIDI note 60 carry in your file names: C3 or C4?"),
)
"""What no folder tells, in the order it is asked. An empty answer leaves the fact open."""


_NO_TEXT: Final = re.compile(r"[\ud800-\udfff]")
"""What stands in a name for bytes that are not UTF-8."""


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """Facts as far as they can be seen; lines: that in sentences; asks: (key, question) for what cannot be seen."""

    facts: Facts
    lines: tuple[str, ...]
    asks: tuple[tuple[str, str], ...]


def propose(folder: Path, watch: Watch = QUIET) -> Proposal:
    """Look at ``folder`` and return what can be proposed. Writes nothing, hashes nothing twice."""
    from companion.contents.inventory import take_inventory

    return proposal(folder.name, take_inventory(folder, Contents(), Cache(None), watch).entries)


def proposal(name: str, entries: tuple[Entry, ...]) -> Proposal:
    """Return the proposal for a folder called ``name`` with these files in it. Pure.

    A patch is what lies at the top and is of no kind that names tell; when nothing does, it is asked for.
    """
    from companion.contents.kinds import PLAIN_DATA, SCRIPTS
    from companion.sound.zones.naming import propose_pattern

    kinds = {kind: [e.path for e in entries if e.kind is kind and not never_ships(e.path)] for kind in Kind}
    known = PLAIN_DATA | SCRIPTS
    patches = [
        path
        for path in kinds[Kind.OTHER]
        if "/" not in path and "." in path.lstrip(".") and path.rpartition(".")[2].lower() not in known
    ]
    pattern = propose_pattern([path for path in kinds[Kind.SAMPLE] if not _NO_TEXT.search(path)])
    lines = [_found(len(kinds[Kind.SAMPLE]), "sample", sample_folders(kinds[Kind.SAMPLE]))]
    lines.append(f"Patch: {listed([visible(path) for path in patches])}." if patches else "No file looks like a patch.")
    for kind, word in ((Kind.IMPULSE, "impulse response"), (Kind.PICTURE, "picture"), (Kind.DOCUMENT, "text")):
        if kinds[kind]:
            lines.append(_found(len(kinds[kind]), word, []))
    stay = len(kinds[Kind.SYSTEM]) + len(kinds[Kind.WORKING])
    lines += [f"{plural(stay, 'system or working file')} would stay at home."] if stay else []
    lines.append(f"File names read as {pattern}." if pattern else "No pattern fits most of the file names.")
    # Facts are UTF-8: a patch whose name is not is named by the wildcard for one character.
    named = tuple(_NO_TEXT.sub("?", path) for path in patches)
    facts = Facts(
        instrument=msgspec.structs.replace(
            Facts().instrument,
            title=visible(name),
            licence_file=licence_file_in([entry.path for entry in entries if not _NO_TEXT.search(entry.path)]),
        ),
        contents=Contents(patches=named),
        naming=msgspec.structs.replace(Facts().naming, pattern=pattern),
    )
    asks = ASKS if patches else (("contents.patches", "Which file is the patch (its path in the folder)?"), *ASKS)
    wanted = tuple(
        ask for ask in asks if ask[0] != "instrument.title" and not (ask[0] == "naming.middle_c" and not pattern)
    )
    return Proposal(facts=facts, lines=tuple(lines), asks=wanted)


def _found(count: int, word: str, places: list[str]) -> str:
    names = ["the folder itself" if place == "." else visible(place) for place in places]
    where = f" in {listed(names)}" if names else ""
    return f"{plural(count, word)}{where}."


def sample_folders(paths: list[str]) -> list[str]:
    """Return the top folders that samples lie in, the fullest first; ``.`` is the working folder itself."""
    counts = Counter(path.partition("/")[0] if "/" in path else "." for path in paths)
    return [top for top, _ in counts.most_common()]


def with_answers(facts: Facts, answers: Mapping[str, Any]) -> Facts:
    """Return ``facts`` with answers by dotted key set.

    Raises :class:`CompanionError` for a key there is none of, and for a version that does not read as one.
    """
    given = {key: value for key, value in answers.items() if value not in ("", None)}
    for key in {"engine.saved_with", "engine.minimum"} & given.keys():
        read_engine_version(str(given[key]))  # what does not read as a version is refused now, not found failing later
    if isinstance(patch := given.get("contents.patches"), str):
        given["contents.patches"] = [patch]
    stated = with_values(facts, given)
    if stated.engine.minimum:
        return stated
    # The version it was saved with is the one minimum that needs no further evidence.
    return with_values(stated, {"engine.minimum": stated.engine.saved_with})
