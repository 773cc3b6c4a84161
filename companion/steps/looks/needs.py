"""Needs: what a player must have, and the evidence behind each line of it."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from companion.core.entries import Kind
from companion.core.evidence import AwayTest
from companion.core.facts import Facts
from companion.core.findings import Finding
from companion.core.systems import SYSTEM_NAMES, system_of
from companion.core.text import listed, plural, visible
from companion.core.units import both_bytes, duration
from companion.core.versions import engine_version
from companion.steps.desk import Desk
from companion.steps.looks.own_rules import (
    EDITION_UNSTATED,
    MINIMUM_BELOW_SAVED,
    MINIMUM_UNPROVEN,
    MINIMUM_UNSET,
    SYSTEM_UNPROVEN,
)
from companion.steps.model import Look


class Weight(msgspec.Struct, frozen=True, kw_only=True):
    """What the content weighs. Bytes; None: not known yet.

    memory: all samples at once as 32-bit floats (frames × channels × 4), as hosts hold them while they mix.
    seconds: how long all samples play one after the other.
    """

    samples: int = 0
    seconds: float | None = None
    memory: int | None = None
    unpacked: int = 0
    download: int | None = None


def weight_of(desk: Desk) -> Weight:
    """Return what the content weighs, as far as the Sound step and the archive have measured."""
    sound, archive = desk.found("sound"), desk.found("archive")
    details = sound.details if sound else {}
    return Weight(
        samples=len(desk.of_kind(Kind.SAMPLE)),
        seconds=details.get("seconds"),
        memory=details.get("memory"),
        unpacked=sum(entry.size for entry in desk.ships),
        download=archive.details.get("size") if archive else None,
    )


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the requirement: what is needed, and what that rests on; ``proven``: on evidence, not a statement."""

    name: str
    value: str
    because: str
    proven: bool


def _passed(tests: Sequence[AwayTest]) -> list[AwayTest]:
    return [test for test in tests if test.result == "pass" and not test.reached_originals]


def opened_at_or_below(tests: Sequence[AwayTest], version: str) -> AwayTest | None:
    """Return a passed away test on an engine no newer than ``version``: what shows that it opens there."""
    limit = engine_version(version)
    for test in _passed(tests):
        used = engine_version(test.engine_version)
        if limit and used and used <= limit:
            return test
    return None


def check_needs(facts: Facts, tests: Sequence[AwayTest]) -> tuple[Finding, ...]:
    """Return the findings of the Needs step. ``tests``: away tests of exactly this content."""
    engine = facts.engine
    minimum, saved = engine_version(engine.minimum), engine_version(engine.saved_with)
    shown = opened_at_or_below(tests, engine.minimum)
    found = []
    if not engine.minimum.strip():
        found.append(MINIMUM_UNSET.finding("release.toml", where="engine.minimum", measured="not stated"))
    elif minimum and saved and minimum < saved and not shown:
        found.append(
            MINIMUM_BELOW_SAVED.finding(
                "release.toml",
                where="engine.minimum",
                measured=visible(engine.minimum),
                limit=f"{visible(engine.saved_with)}, or a passed away test on {visible(engine.minimum)}",
            )
        )
    elif minimum and not shown:
        found.append(
            MINIMUM_UNPROVEN.finding(
                "release.toml", where="engine.minimum", measured="no away test on it", limit=visible(engine.minimum)
            )
        )
    seen = {system_of(test.system) for test in _passed(tests)}
    found.extend(
        SYSTEM_UNPROVEN.finding("release.toml", where="engine.systems", measured=f"{SYSTEM_NAMES[system]}: not tested")
        for system in engine.systems
        if system not in seen
    )
    if not engine.edition.strip():
        found.append(EDITION_UNSTATED.finding("release.toml", where="engine.edition", measured="not stated"))
    return tuple(found)


def look_needs(desk: Desk) -> Look:
    """Judge the requirement as it is stated against the away tests of this content."""
    line = engine_line(desk.facts, desk.away_here)
    return Look(findings=check_needs(desk.facts, desk.away_here), details={"because": f"{line.value}: {line.because}"})


def requirement(facts: Facts, tests: Sequence[AwayTest], weight: Weight) -> tuple[Line, ...]:
    """Return the requirement line by line, each with the evidence behind it."""
    engine = facts.engine
    lines = [engine_line(facts, tests)]
    if engine.edition.strip():
        editions = sorted({test.edition for test in _passed(tests) if test.edition})
        lines.append(
            Line(
                name="Edition",
                value=engine.edition,
                because=f"opened in {listed(editions)}" if editions else "as stated by the maker",
                proven=bool(editions),
            )
        )
    lines.extend(_system_lines(facts, tests))
    download = "not built yet" if weight.download is None else both_bytes(weight.download)
    lines += [
        Line(name="Download", value=download, because="size of the archive", proven=weight.download is not None),
        Line(name="Disk, unpacked", value=both_bytes(weight.unpacked), because="sum of what ships", proven=True),
    ]
    if weight.memory is not None:
        lines.append(
            Line(
                name="Memory",
                value=f"{both_bytes(weight.memory)} with every sample loaded",
                because="frames × channels × 4 bytes; hosts that stream from disk need less",
                proven=True,
            )
        )
    count = plural(weight.samples, "sample")
    playing = f", {duration(weight.seconds)} of sound" if weight.seconds is not None else ""
    lines.append(Line(name="Samples", value=f"{count}{playing}", because="counted in what ships", proven=True))
    return tuple(
        msgspec.structs.replace(line, value=visible(line.value), because=visible(line.because)) for line in lines
    )


def engine_line(facts: Facts, tests: Sequence[AwayTest]) -> Line:
    """Return the line on the engine: the minimum and what it rests on."""
    engine = facts.engine
    name = engine.name.strip() or "Engine not stated"
    if not engine.minimum.strip():
        return Line(name="Engine", value=f"{name}, version not stated", because="no minimum is stated", proven=False)
    shown = opened_at_or_below(tests, engine.minimum)
    if shown:
        because, proven = f"an away test on {shown.engine_version} passed", True
    elif engine.saved_with and engine_version(engine.minimum) == engine_version(engine.saved_with):
        because, proven = "the version it was saved with; not tested elsewhere yet", False
    else:
        because, proven = "as stated by the maker; no away test on it", False
    return Line(name="Engine", value=f"{name} {engine.minimum} or newer", because=because, proven=proven)


def _system_lines(facts: Facts, tests: Sequence[AwayTest]) -> list[Line]:
    lines = []
    passed = _passed(tests)
    systems = dict.fromkeys([*facts.engine.systems, *(s for s in (system_of(t.system) for t in passed) if s)])
    for system in systems:
        names = sorted({test.system for test in passed if system_of(test.system) == system})
        because = f"opened and played on {listed(names)}" if names else "hoped for; nobody has tried it there"
        lines.append(Line(name="System", value=SYSTEM_NAMES[system], because=because, proven=bool(names)))
    return lines
