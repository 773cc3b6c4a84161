"""The performance, what its bounce told, and what a piece of music uses."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from companion.cli.render.checklist import finding_lines, typed
from companion.core.text import listed, plural, visible
from companion.core.units import duration

if TYPE_CHECKING:
    from companion.steps.looks.coverage import Coverage
    from companion.steps.looks.judging import JudgedBounce
    from companion.steps.looks.performance import Performed


def performed_lines(performed: Performed, folder: Path, most: int | None) -> list[str]:
    """Return what was written: each file, its length, what it covers and leaves out; then how to go on."""
    lines = []
    for file in performed.files:
        lines += [visible(file.file), f"  {duration(file.seconds)}: {file.covers}"]
        if file.left_out:
            what = f"{plural(file.left_out, 'key')} left out, evenly,"
            if file.part == "controls":
                what = f"the last {plural(file.left_out, 'control')} left out"
            lines.append(f"  {what} to stay under {most} s. Add --split for several parts with every {file.part[:-1]}.")
    lines += [f"  By hand as before: {text}." for text in performed.by_hand]
    lines += [f"  {performed.give_one}."] if performed.give_one else []
    return [
        *lines,
        "",
        performed.caution,
        "Load each into the program that hosts the engine, bounce it from start to end without effects of the host,",
        f"then: companion judge {typed(folder)} BOUNCE (it tells by itself what a bounce is of)",
    ]


def bounce_lines(bounce: JudgedBounce) -> list[str]:
    """Return what a bounce told: the findings, what is left to the ear, and whether it is kept."""
    lines = finding_lines(bounce.findings)
    if not bounce.kept:
        return lines
    part = f", part {bounce.number} of {bounce.parts}" if bounce.parts > 1 else ""
    head = (
        f"{visible(bounce.file)}: {bounce.part}{part}, {bounce.judged:,} of {plural(len(bounce.slots), 'slot')} judged."
    )
    blocking = sum(finding.blocks for finding in bounce.findings)
    end = "Kept as evidence for exactly this content."
    if not bounce.findings:
        end += " Nothing found."
    elif not blocking:
        end += " Nothing blocks."
    asked = [f"By ear: {visible(text)}." for text in bounce.by_ear]
    return [head, *lines, *asked, end]


def coverage_lines(used: Coverage) -> list[str]:
    """Return what a piece uses, and what it never touches."""
    lines = [
        f"{visible(used.file)}: {duration(used.seconds)}, {plural(used.notes, 'note')}",
        f"  keys        {used.keys[0]:,} of {used.keys[1]:,}",
        f"  velocities  {used.velocities[0]} to {used.velocities[1]}",
        f"  voices      {used.voices:,} at once",
        f"  repeats     {used.repeats:,} within 0.3 s",
        f"  controllers {', '.join(map(str, used.controllers)) or 'none'}",
    ]
    if used.beyond:
        lines.append(f"  It plays keys the instrument does not have: {listed(used.beyond, 8)}.")
    return [*lines, *(f"  never used: {text}" for text in used.unused)]
