"""The first look at a folder that has no facts: what can be seen is proposed, the rest is asked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.errors import CompanionError
from companion.core.facts import Contents, Facts, Naming
from companion.core.files import unchanged
from companion.core.folder import never_ships
from companion.core.globs import globs
from companion.core.progress import QUIET, Watch
from companion.core.text import listed, plural, visible
from companion.core.versions import read_engine_version
from companion.steps.checks.facts import licence_file_in
from companion.steps.deeds.facts_file import with_values

if TYPE_CHECKING:
    from companion.sound.zones.reading import AskedNames, NameReading

ASKS: Final = (
    ("instrument.title", "What is the instrument called?"),
    ("instrument.version", "Which version is this going to be, such as 1.0?"),
    ("instrument.maker", "Whose is it: your name, or your label’s?"),
    ("instrument.summary", "What is it, in one sentence?"),
    ("instrument.contact", "Where do players reach you: an address or a page?"),
    ("instrument.licence", "Under which licence, by its short name: CC-BY-4.0, CC0-1.0, LicenseRef-Own?"),
    ("engine.name", "Which engine was the patch built in?"),
    ("engine.saved_with", "Which engine version last saved it?"),
    ("engine.edition", "Which edition of the engine does a player need (“any” when there is only one)?"),
    ("naming.middle_c", "Which name does MIDI note 60 carry in your file names: C3, C4 or C5?"),
)
"""What no folder tells, in the order it is asked. An empty answer leaves the fact open."""


_NO_TEXT: Final = re.compile(r"[\ud800-\udfff]")
"""What stands in a name for bytes that are not UTF-8."""


PATCHES: Final = "Which files do players open: the patches, with commas between?"


class Proposal(msgspec.Struct, frozen=True, kw_only=True):
    """Facts as far as they can be seen; lines: that in sentences; asks: (key, question) for what cannot be seen.

    files: what may be named as a patch.
    """

    facts: Facts
    lines: tuple[str, ...]
    asks: tuple[tuple[str, str], ...]
    files: tuple[str, ...] = ()


def propose(folder: Path, watch: Watch = QUIET, cache: Cache | None = None) -> Proposal:
    """Look at ``folder`` and return what can be proposed; a few samples are heard for it. Writes nothing.

    cache: where what was looked at is remembered.
    """
    from companion.contents.folder_scan import scan_folder
    from companion.contents.inventory import take_inventory

    nothing, cache = Contents(), cache or Cache(None)
    inventory = take_inventory(folder, nothing, cache, watch)
    named_by = scan_folder(folder, inventory, nothing, cache, watch).references.named_by
    sounds = {entry.path for entry in inventory.entries if entry.kind.audible}
    names = {e.path: len(sounds & named_by(e.path)) for e in inventory.entries if e.kind is Kind.OTHER}
    return proposal(folder.name, inventory.entries, names, _by_ear(folder, inventory.entries, cache, watch))


def _by_ear(folder: Path, entries: Iterable[Entry], cache: Cache, watch: Watch) -> NameReading:
    """Return how the names of the samples are read, a few of them heard."""
    from companion.sound.zones.listening import names_by_ear

    samples = {e.path: e for e in entries if e.kind is Kind.SAMPLE and not never_ships(e.path) and not e.link}
    files = [(path, folder / path, samples[path].sha256) for path in _legible(samples)]
    return names_by_ear(files, cache, watch, still=lambda path: unchanged(folder, samples[path]))


def _legible(paths: Iterable[str]) -> list[str]:
    return [path for path in paths if not _NO_TEXT.search(path)]


def _sentences(lines: Iterable[str]) -> list[str]:
    return [f"{line}." if "/" in line.partition(" ")[0] else f"{line[:1].upper()}{line[1:]}." for line in lines]


def _question(asked: AskedNames) -> tuple[str, str]:
    """Return what to ask of names that may hold a note."""
    first = visible(asked.paths[0])
    return "naming.pattern", f"Where is the note in {first}, as in {asked.pattern} (empty: nowhere)?"


_NO_PATCH: Final = re.compile(
    r"log|out|err|dmp|trace|crash|pid|cfg|conf|sqlite3?|.*(?:proj|prj|session|song|workspace|timeline).*"
)
"""Extensions of what no player opens: logs, settings, and projects of a host, by what such things are called."""
_NO_PATCH_FOLDER: Final = re.compile(r"logs?|crash(?:es|[ _-]reports?)?|(?:host[ _-])?(?:projects?|sessions?|songs?)")
_PATCH_FOLDER: Final = re.compile(r"patch(?:es)?|presets?|instruments?|programs?")
MOST_NAMED: Final = 8
"""Patches of a folder that are named one by one; more are named by their ending."""


def patches_among(paths: Iterable[str], names: Mapping[str, int]) -> tuple[list[str], list[str]]:
    """Return which files of unknown kind look like patches, and which do not. names: how many sounds each names.

    Those that name sounds of the folder are; where none does, those at the top or, failing that, in the folder that is
    called so or lies nearest to it. What ends like one of these is one as well.
    """
    from companion.contents.kinds import PLAIN_DATA, SCRIPTS

    seen = list(paths)
    may = [path for path in seen if (end := _ending(path)) and end not in PLAIN_DATA | SCRIPTS and not _is_work(path)]
    chosen = [path for path in may if names.get(path)] or [path for path in may if "/" not in path]
    if not chosen and may:
        called = [path for path in may if any(_PATCH_FOLDER.fullmatch(part.lower()) for part in path.split("/")[:-1])]
        nearest = min(path.count("/") for path in called or may)
        chosen = [path for path in called or may if path.count("/") == nearest]
    endings = {_ending(path) for path in chosen}
    patches = [path for path in may if _ending(path) in endings and (names.get(path) or not _is_among_samples(path))]
    return patches, [path for path in seen if path not in set(patches)]


def _ending(path: str) -> str:
    stem, dot, ending = path.rpartition("/")[2].rpartition(".")
    return ending.lower() if dot and stem else ""


def _is_among_samples(path: str) -> bool:
    return any(part in ("sample", "samples", "audio", "sounds") for part in path.lower().split("/")[:-1])


def _is_work(path: str) -> bool:
    folders = path.lower().split("/")[:-1]
    return bool(_NO_PATCH.fullmatch(_ending(path))) or any(map(_NO_PATCH_FOLDER.fullmatch, folders))


def _as_facts(patches: Sequence[str], others: Iterable[str]) -> tuple[str, ...]:
    """Return patches as the facts name them: by name, or those of a folder by their ending where they are many."""
    from companion.contents.answers import literal

    groups: dict[tuple[str, str], list[str]] = {}
    for path in patches:
        groups.setdefault((path.rpartition("/")[0], _ending(path)), []).append(path)
    found: list[str] = []
    for (folder, ending), several in groups.items():
        wide = f"{f'{literal(folder)}/' if folder else ''}*.{literal(ending)}"
        many = len(several) > MOST_NAMED and not any(map(globs((wide,)).matches, others))
        found += [wide] if many else [literal(path) for path in several]
    return tuple(found)


def proposal(
    name: str,
    entries: tuple[Entry, ...],
    names: Mapping[str, int] | None = None,
    reading: NameReading | None = None,
) -> Proposal:
    """Return the proposal for a folder called ``name`` with these files in it. Pure.

    names: how many sounds of the folder each file of unknown kind names. Where nothing looks like a patch it is asked.
    reading: how the names of the samples are read, where some of them were heard for it.
    """
    from companion.sound.zones.reading import read_names
    from companion.sound.zones.telling import facts_of, names_lines

    kinds = {kind: [e.path for e in entries if e.kind is kind and not never_ships(e.path)] for kind in Kind}
    patches, others = patches_among(kinds[Kind.OTHER], names or {})
    samples = _legible(kinds[Kind.SAMPLE])
    reading = reading or read_names(samples, Naming())
    lines = [_found(len(kinds[Kind.SAMPLE]), "sample", sample_folders(kinds[Kind.SAMPLE]))]
    word = "Patch" if len(patches) == 1 else "Patches"
    lines.append(f"{word}: {_named(patches)}." if patches else "No file looks like a patch.")
    lines += [f"Not taken for patches: {_named(others)}."] if others else []
    for kind, word in ((Kind.IMPULSE, "impulse response"), (Kind.PICTURE, "picture"), (Kind.DOCUMENT, "text")):
        if kinds[kind]:
            lines.append(_found(len(kinds[kind]), word, []))
    stay = len(kinds[Kind.SYSTEM]) + len(kinds[Kind.WORKING])
    lines += [f"{plural(stay, 'system or working file')} would stay at home."] if stay else []
    kept = with_values(Facts(), facts_of(reading)).naming
    lines += _sentences(names_lines(reading, samples, Naming(), kept)) or ["No pattern fits the file names."]
    facts = Facts(
        instrument=msgspec.structs.replace(
            Facts().instrument,
            title=visible(name),
            licence_file=licence_file_in([entry.path for entry in entries if not _NO_TEXT.search(entry.path)]),
        ),
        contents=Contents(patches=_as_facts(patches, others)),
    )
    facts = with_values(facts, facts_of(reading))
    asks: tuple[tuple[str, str], ...] = (
        ASKS if patches else (("contents.patches", "Which file is the patch (its path in the folder)?"), *ASKS)
    )
    open_octaves = not reading.middle_c and any(place.octave_open for place in reading.places.values())
    asks += tuple(_question(one) for one in reading.asked if one.pattern and not reading.patterns)[:1]
    wanted = tuple(
        ask for ask in asks if ask[0] != "instrument.title" and (ask[0] != "naming.middle_c" or open_octaves)
    )
    files = tuple(entry.path for entry in entries if not never_ships(entry.path))
    return Proposal(facts=facts, lines=tuple(lines), asks=wanted, files=files)


def _named(paths: Iterable[str]) -> str:
    return listed([visible(path) for path in paths])


def _found(count: int, word: str, places: list[str]) -> str:
    names = ["the folder itself" if place == "." else visible(place) for place in places]
    where = f" in {listed(names)}" if names else ""
    return f"{plural(count, word)}{where}."


def sample_folders(paths: list[str]) -> list[str]:
    """Return the top folders that samples lie in, the fullest first; ``.`` is the working folder itself."""
    counts = Counter(path.partition("/")[0] if "/" in path else "." for path in paths)
    return [top for top, _ in counts.most_common()]


def refuse_unknown(patches: Iterable[str], files: Iterable[str]) -> None:
    """Raise :class:`CompanionError` for a patch that is not in the folder: a typing slip must not pass for a fact."""
    there = list(files)
    for pattern in patches:
        if not any(map(globs((pattern,)).matches, there)):
            raise CompanionError("There is no such patch in the folder", pattern, "name it by its path in the folder")


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
