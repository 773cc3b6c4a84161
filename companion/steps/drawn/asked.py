"""What somebody asks for in words becomes a sight, or a sound: a path, a rule, a place in a file."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.describe import as_told, places_of
from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.progress import QUIET, Watch
from companion.drawing.shapes import Kind
from companion.sound.drawing.values import Wave, WaveAsked
from companion.steps.drawn.dump import MOST_BEFORE
from companion.steps.drawn.heard import Hearing
from companion.steps.drawn.which import KIND_OF, Sight, has_picture

if TYPE_CHECKING:
    from companion.steps.drawn.sights import Sights
    from companion.steps.drawn.source import Source

_PLACE: Final = re.compile(r"(?:frame |byte )?(?P<number>[0-9]{1,15}(?:\.[0-9]{1,9})?)\s*(?P<unit>s|ms|)")
_LINE: Final = re.compile(r"line (?P<line>[0-9]{1,15})")
_NEAR_S: Final = 0.02
_NEAR_BYTES: Final = 160
_WHERE: Final = "write it as 0.3s, 300ms, 6615 (a frame or a byte), line 7, or 0.3s..0.4s"


def asked_sight(
    source: Source, path: str, kind: Kind | str | None, rule: str = "", place: str = "", columns: int = 400
) -> Sight:
    """Return what is to be drawn. Raises :class:`CompanionError` for what there is none of.

    path: as somebody writes it, empty for the whole. kind, rule: empty for what suits. place: from near, in words; in
    those of a finding, that one is meant.
    """
    named = source.path_named(path) if path else ""
    if named and kind != "bounce":
        source.entry(named)
    found = [one for one in source.findings(named) if has_picture(one)] if named or rule else []
    there = [one for one in found if rule in ("", one.rule) and as_told(place.strip()) in places_of(one)]
    told = _chosen(there, named, kind, "") if place else None
    finding = told or _chosen(found, named, kind, rule)
    chosen: Kind | None = kind or (KIND_OF[finding.rule] if finding else None)  # type: ignore[assignment]
    if chosen is None and not named:
        chosen = "map"
    start, end = _range(source, named, chosen, place) if place and not told else (0, 0)
    return Sight(finding=finding, path=named, kind=chosen, start=start, end=end, columns=columns)


def _chosen(found: list[Finding], path: str, kind: str | None, rule: str) -> Finding | None:
    """Return the finding to show: of the rule, else the first whose picture is of that kind."""
    if rule:
        named = [one for one in found if one.rule == rule]
        if not named:
            where = path or "the whole instrument"
            raise CompanionError(f"No finding of “{rule}” with a picture", where, "look first: companion check FOLDER")
        return named[0]
    return next((one for one in found if kind in (None, KIND_OF[one.rule])), None) if path else None


def _range(source: Source, path: str, kind: Kind | None, place: str) -> tuple[int, int]:
    """Return the frames or bytes that a place in words stands for: those around it, where it is a single one."""
    if not path or kind not in (None, "waveform", "bytes", "bounce"):
        raise CompanionError("A place is for the picture of a wave or of bytes", place, "leave out --at")
    first, dots, last = place.partition("..")
    rate = 0
    if kind != "bytes" and source.entry(path).kind.audible:
        asked = WaveAsked(path=source.file(path), start=0, end=1, columns=1)
        rate = source.viewer.look(asked, Wave).rate
    start = _line(source, path, first) if kind in (None, "bytes") and not rate else None
    start = _read(first, rate) if start is None else start
    if dots:
        end = _read(last, rate)
        if end <= start:
            raise CompanionError("The place ends before it begins", place, _WHERE)
        return start, end
    near = round(_NEAR_S * rate) if rate else _NEAR_BYTES
    return max(0, start - near // 2), max(0, start - near // 2) + near


def _line(source: Source, path: str, text: str) -> int | None:
    """Return the byte at which a line begins, where the text names one."""
    match = _LINE.fullmatch(_ungrouped(text))
    if match is None:
        return None
    start, number = 0, int(match["line"])
    data = source.read(path, 0, MOST_BEFORE)
    for _ in range(number - 1):
        start = data.find(b"\n", start) + 1
        if not start:
            break
    if number < 1 or (not start and number > 1) or start >= max(1, len(data)):
        raise CompanionError("The file has no such line", text.strip(), _WHERE)
    return start


def _ungrouped(text: str) -> str:
    """Return a place without the commas that set thousands off."""
    return re.sub(r"(?<=[0-9]),(?=[0-9]{3}(?![0-9]))", "", text.strip())


def _read(text: str, rate: int) -> int:
    match = _PLACE.fullmatch(_ungrouped(text))
    if match is None or (match["unit"] and not rate) or (not match["unit"] and "." in match["number"]):
        raise CompanionError("That is no place in the file", text, _WHERE)
    number = float(match["number"])
    return round(number * {"s": rate, "ms": rate / 1000, "": 1}[match["unit"]])


def asked_hearing(
    source: Sights,
    path: str,
    rule: str = "",
    start: float | None = None,
    seconds: float | None = None,
    *,
    loop: bool = False,
    snapshot: int | None = None,
    watch: Watch = QUIET,
) -> Hearing:
    """Return what is to be heard: one take. Raises :class:`CompanionError` for what there is none of.

    start, seconds: the part, where one is named. loop: over and over; of a looped file its seam, unless a part is
    named. snapshot: the file as that one has it.
    """
    named = source.path_named(path)
    entry = source.entry(named)
    finding = _chosen([one for one in source.findings(named) if has_picture(one)], named, None, rule) if rule else None
    placed = start is not None or seconds is not None
    known = source.known(named) if entry.kind.audible else None
    kind: Kind | None = "seam" if loop and not placed and finding is None and known and known.loops else None
    kind = kind or (KIND_OF[finding.rule] if finding else None)
    found = source.hearing(Sight(finding=finding, path=named, kind=kind), watch=watch)
    take = found.takes[0]
    if placed:
        take = msgspec.structs.replace(take, start_s=start or 0.0, seconds=seconds or 0.0, seam=None)
    if snapshot is not None:
        file = source.past.at(snapshot, named, source.aside(), watch)
        take = msgspec.structs.replace(take, path=os.fsencode(file), name=f"{named}, as in snapshot {snapshot}")
    return Hearing(takes=(take,), again=loop or (found.again and not placed))
