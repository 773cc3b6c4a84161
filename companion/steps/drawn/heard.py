"""What is heard of a sight: its file, the place a finding is about, or a loop's seam; and what it is compared with."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.progress import QUIET, Watch
from companion.sound.drawing.values import Wave, WaveAsked
from companion.sound.hearing.values import Take

if TYPE_CHECKING:
    from companion.steps.drawn.source import Source
    from companion.steps.drawn.which import Sight

AROUND_S: Final = 1.0
"""A place is heard with so much sound around it."""
MARGIN_S: Final = 0.25
LONGEST_S: Final = 10.0
"""Of a fault that lasts longer, its beginning is heard."""
_BESIDE: Final = ("duplicate", "takes-same")


class Hearing(msgspec.Struct, frozen=True, kw_only=True):
    """What is heard by turns, the first to begin with. again: over and over, as a seam is."""

    takes: tuple[Take, ...]
    again: bool = False


def part_of(finding: Finding | None, start: int = 0, end: int = 0, rate: int = 0) -> tuple[float, float]:
    """Return (start, length) in seconds of what is heard of a file; length 0: to its end.

    start, end: the frames in view, both 0 where all is; at least a second around them is heard. finding: where nothing
    is in view for itself, the place it is about, with a second around it.
    """
    frames, at_rate = (
        ((start, end), rate) if end > start else (finding.at.frames, finding.at.rate) if finding else (None, 0)
    )
    if frames is None or not at_rate or at_rate <= 0 or frames[0] < 0:
        return 0.0, 0.0
    first, last = frames[0] / at_rate, max(frames) / at_rate
    if end <= start:
        first, last = max(0.0, first - MARGIN_S), last + MARGIN_S
    lacking = max(0.0, AROUND_S - (last - first)) / 2
    first, last = max(0.0, first - lacking), last + lacking
    return first, min(LONGEST_S, last - first) if end <= start else last - first


def hearing_of(source: Source, sight: Sight, beside: Sequence[str] = (), watch: Watch = QUIET) -> Hearing:
    """Return what is heard. Raises :class:`CompanionError` where that is nothing.

    beside: further files to compare it with. Those that a finding names come before them, and behind them the same
    file as the newest snapshot in which it was otherwise has it.
    """
    finding = sight.finding
    if sight.kind == "bounce":
        bounce, file = source.bounce(sight.place, finding)
        if file is None:
            raise CompanionError(
                "The bounce does not lie here", bounce.file, "judge it again: companion judge FOLDER BOUNCE"
            )
        start_s, seconds = part_of(finding)
        return Hearing(takes=(Take(path=file, name=bounce.file, start_s=start_s, seconds=seconds),))
    path = sight.place
    if not path:
        raise CompanionError("There is no file under the cursor to play", "", "move to one, and press Space")
    if not source.entry(path).kind.audible:
        raise CompanionError("That is no sound file", path, "play another")
    if seam := _seam(source, sight):
        return Hearing(
            takes=(Take(path=source.file(path), name=path, seam=seam), *_before(source, path, seam, watch)), again=True
        )
    rate = 0
    if sight.end > sight.start:
        rate = source.viewer.look(WaveAsked(path=source.file(path), end=1, columns=1), Wave, watch).rate
    start_s, seconds = part_of(finding, sight.start, sight.end, rate)
    named = finding.at.others[:1] if finding and finding.rule in _BESIDE else ()
    others = [one for one in dict.fromkeys((*named, *beside)) if one != path and source.desk.by_path.get(one)]
    takes = [
        Take(path=source.file(one), name=one, start_s=start_s, seconds=seconds)
        for one in (path, *others)
        if one == path or source.entry(one).kind.audible
    ]
    older = [
        msgspec.structs.replace(one, start_s=start_s, seconds=seconds) for one in _before(source, path, None, watch)
    ]
    return Hearing(takes=(*takes, *older))


def _seam(source: Source, sight: Sight) -> tuple[int, int] | None:
    from companion.steps.drawn.seam import loop_of

    if sight.kind != "seam" and not (sight.finding and sight.finding.rule == "loop-seam" and sight.kind is None):
        return None
    known = source.known(sight.place) or source.model.measured.get(sight.place)
    loop = loop_of(known.loops if known else (), sight.finding)
    if loop is None:
        raise CompanionError("It has no loop", sight.place, "play all of it instead")
    return loop.start, loop.end


def _before(source: Source, path: str, seam: tuple[int, int] | None, watch: Watch) -> list[Take]:
    """Return the file as the newest snapshot in which it was otherwise has it; nothing where there is none."""
    kept = source.past.otherwise(path, source.entry(path).sha256, source.aside(), watch)
    if kept is None:
        return []
    number, file = kept
    return [Take(path=os.fsencode(file), name=f"{path}, as in snapshot {number}", seam=seam)]
