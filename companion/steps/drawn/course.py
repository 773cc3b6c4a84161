"""The history as a line: each snapshot, when it was taken, and what changed since the one before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

from companion.core.text import plural, visible
from companion.core.units import decimal_bytes
from companion.drawing.shapes import Course, Drawing, Figure, Moment
from companion.history.snapshot import Snapshot
from companion.steps.account.moved import Moved

MOST: Final = 40


def pairs_of(shots: Sequence[Snapshot]) -> list[tuple[str, str]]:
    """Return the (before, after) trees that have to be compared for the snapshots that are shown, newest first."""
    return [(older.tree, newer.tree) for newer, older in pairwise(shots[: MOST + 1])]


def course(
    shots: Sequence[Snapshot], moves: Mapping[tuple[str, str], Moved | None], alone: Mapping[int, int], unkept: str = ""
) -> Drawing:
    """Return the picture. shots: newest first. alone: bytes that each weighs by itself, by number.

    unkept: what in the folder no snapshot holds yet, in words; empty where all is kept.
    """
    shown = shots[:MOST]
    moments = [_moment(shot, older, moves, alone) for shot, older in zip(shown, [*shots[1:], None], strict=False)]
    if unkept:
        moments.insert(0, Moment(name="now", when="not kept yet", text=unkept, ink="mark"))
    released = [shot for shot in shots if shot.version]
    figures = [Figure("Snapshots", f"{len(shots):,}")]
    if shots:
        figures.append(Figure("Span", f"{shots[-1].at[:10]} to {shots[0].at[:10]}"))
    if released:
        figures.append(Figure("Released", ", ".join(shot.version for shot in reversed(released))))
    left = len(shots) - len(shown)
    return Drawing(
        kind="history",
        title="The history, newest first",
        panes=(Course(moments=tuple(moments)),) if moments else (),
        figures=tuple(figures),
        note=f"{plural(left, 'older snapshot')} not shown." if left else "" if moments else "There is no snapshot yet.",
    )


def _moment(
    shot: Snapshot,
    older: Snapshot | None,
    moves: Mapping[tuple[str, str], Moved | None],
    alone: Mapping[int, int],
) -> Moment:
    if older is None:
        text = f"the first: {plural(shot.files, 'file')}, {decimal_bytes(shot.bytes)}"
    else:
        moved = moves.get((older.tree, shot.tree))
        text = "could not be compared" if moved is None else moved.text or "nothing of yours changed"
    weight = decimal_bytes(alone[shot.number]) if shot.number in alone else ""
    version = f", released as {visible(shot.version)}" if shot.version else ""
    return Moment(
        name=f"{shot.number}  {visible(shot.label)}",
        when=f"{shot.at[:16].replace('T', ' ')} UTC{version}",
        text=text,
        weight=weight,
        ink="good" if shot.version else "wave",
    )
