"""The sheet: how an instrument stands, on one page, to send to a collaborator or to keep with the release.

Nothing private goes onto it: no path of this computer, no helper's name, no words of players. What findings quote of
files loses the names that stand in paths of home folders.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import Cancelled, CompanionError
from companion.core.findings import Finding
from companion.core.progress import QUIET, Watch
from companion.core.systems import system_name
from companion.steps.drawn.which import KIND_OF, Sight, has_picture

if TYPE_CHECKING:
    from companion.core.evidence import AwayTest
    from companion.drawing.shapes import Drawing
    from companion.steps.checks.needs import Line
    from companion.steps.drawn.sights import Sights
    from companion.steps.looks.controls import TrialView
    from companion.steps.model import Status
    from companion.words.story import Change

MOST_FINDINGS: Final = 12
"""Findings of a step that are told one by one."""
MOST_PICTURES: Final = 16
_WHOLE: Final = ("map", "levels", "noise", "weight")
_OF_FILES: Final = ("waveform", "seam", "pitch", "decay", "spectrum")


class SheetOf(msgspec.Struct, frozen=True, kw_only=True):
    """All that stands on a sheet. day: ISO 8601. changes: since the last release; before: which that was."""

    title: str
    version: str
    maker: str
    day: str
    status: Status
    needs: tuple[Line, ...]
    trials: tuple[TrialView, ...]
    tests: tuple[AwayTest, ...]
    pictures: tuple[Drawing, ...]
    before: str
    changes: tuple[Change, ...]


def pictures(sights: Sights, status: Status, watch: Watch = QUIET) -> tuple[Drawing, ...]:
    """Return the pictures of the whole, then one of each file that something was found in, the worst first.

    What cannot be drawn, such as the levels of an instrument without notes, is left out.
    """
    found: list[Drawing] = []
    for sight in (*_of_the_whole(), *_of_findings(status)):
        if len(found) >= MOST_PICTURES:
            break
        watch.check()
        try:
            found.append(sights.draw(sight, watch))
        except Cancelled:
            raise
        except CompanionError:
            continue
    return tuple(found)


def _of_the_whole() -> Iterator[Sight]:
    for kind in _WHOLE:
        yield Sight(kind=kind)


def _of_findings(status: Status) -> Iterator[Sight]:
    seen: set[tuple[str, str]] = set()
    for finding in sorted(_told(status), key=lambda one: (one.severity.weight, one.rule, one.path)):
        kind = KIND_OF.get(finding.rule, "")
        if kind in _OF_FILES and has_picture(finding) and (finding.path, kind) not in seen:
            seen.add((finding.path, kind))
            yield Sight(finding=finding)


def _told(status: Status) -> Sequence[Finding]:
    return [finding for step in status.steps for finding in step.findings if not finding.waived]


def where_tested(test: AwayTest) -> str:
    """Return an away test in words, without who made it and what they wrote of it."""
    engine = " ".join(part for part in (test.engine, test.engine_version, test.edition) if part)
    parts = [test.kind, system_name(test.system), engine]
    return " · ".join(part for part in parts if part)
