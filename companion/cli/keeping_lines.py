"""Plain output of the history's upkeep: values in, lines of text out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from companion.core.text import listed, plural, visible
from companion.core.units import both_bytes, decimal_bytes

if TYPE_CHECKING:
    from companion.history.model import Forgotten, Mirrored, Size, Verified
    from companion.history.snapshot import Snapshot
    from companion.steps.account.moved import Moved


def verified_lines(found: Verified) -> list[str]:
    """Return whether everything reads back, and what each damaged object costs."""
    lines = [f"Read back: {plural(found.snapshots, 'snapshot')}, {found.objects:,} objects, {both_bytes(found.bytes)}."]
    for one in found.damaged:
        where = f" in snapshot {listed([str(number) for number in one.snapshots])}" if one.snapshots else ""
        lines.append(f"  damaged: {visible(one.path) or 'a folder or a snapshot'}{where} ({visible(one.reason)})")
    return [*lines, "Whole." if not found.damaged else "Everything else is whole. Take a new snapshot, and mirror it."]


def moved_lines(listed: Sequence[Snapshot], lines: Sequence[str], moved: Mapping[int, Moved | None]) -> list[str]:
    """Return ``lines``, one for each snapshot listed, each followed by what changed since the one before it."""
    if not listed:
        return list(lines)
    told = []
    for shot, line in zip(listed, lines, strict=True):
        there = moved.get(shot.number)
        what = (there.told or "the same files") if there else "what changed cannot be read"
        told += [line, f"       {'the first' if shot is listed[-1] else what}"]
    return told


def size_lines(found: Size) -> list[str]:
    """Return what the history weighs, and what each snapshot alone holds."""
    lines = [f"The history takes {both_bytes(found.total)}."]
    costs = sorted(found.alone.items())
    return lines + [f"{number:>5}  {decimal_bytes(cost):>9} that it alone holds" for number, cost in costs]


def forgotten_lines(gone: Forgotten) -> list[str]:
    """Return what is gone and what that won."""
    names = listed([str(number) for number in gone.numbers], 10)
    lines = [f"Forgotten: {names}. {both_bytes(gone.bytes_won)} won back."]
    return lines + ([visible(gone.remark)] if gone.remark else [])


def mirrored_lines(done: Mirrored) -> list[str]:
    """Return what the second copy holds now, with its caution."""
    new = f"{done.new:,} new, {both_bytes(done.bytes)}"
    lines = [f"{visible(done.target)} holds {plural(done.snapshots, 'snapshot')}; {new}."]
    return lines + ([done.caution] if done.caution else [])
