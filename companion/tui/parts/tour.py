"""What a picture's keys do: zoom and move, on to other findings, files and pictures. Pure; nothing is drawn here."""

from __future__ import annotations

from typing import Final, Literal

import msgspec

from companion.contents.kinds import natural_kind
from companion.core.findings import Finding
from companion.core.text import visible
from companion.drawing.shapes import Bars, Cell, Drawing, KeyMap, Kind, Window
from companion.steps.drawn.which import KIND_OF, Sight, has_picture

ZOOM: Final = 0.5
STEP: Final = 0.25


class Tour:
    """Where somebody is among pictures, and where each key leads.

    findings: those of the step that have a picture, in the order they are listed. drawing, kinds: of what is in view,
    once it has come. files: those to go through from there.
    """

    def __init__(self, sight: Sight, findings: tuple[Finding, ...] = ()) -> None:
        self.sight = sight
        self.findings = tuple(finding for finding in findings if has_picture(finding))
        self.files: tuple[str, ...] = ()
        self.drawing: Drawing | None = None
        self.kinds: tuple[Kind, ...] = ()
        self.cursor = (0, 0)
        self._fresh = True
        self._before: list[Sight] = []

    def came(self, drawing: Drawing, kinds: tuple[Kind, ...], files: tuple[str, ...] = ()) -> None:
        """Take in what was drawn; the cursor goes to the place of the finding, or stays.

        files: those to go through from here, unless one is among those of a key.
        """
        self.drawing, self.kinds = drawing, kinds
        if drawing.path not in self.files:
            self.files = files
        if pane := self.key_map:
            cells = [(r, c, cell) for r, row in enumerate(pane.rows) for c, cell in enumerate(row.cells)]
            here = [(r, c) for r, c, cell in cells if cell.at] or [(r, c) for r, c, cell in cells if cell.paths]
            if self._fresh or self.cell is None:
                self.cursor = here[0] if here else (0, 0)
        elif bars := self.bars:
            places = [n for n, bar in enumerate(bars.bars) if bar.path]
            about = [n for n in places if bars.bars[n].path == drawing.path]
            if self._fresh or self.cursor[0] not in places:
                self.cursor = (about or places)[0], 0
        self._fresh = False

    # -- what is in view ------------------------------------------------------------------------------------------

    @property
    def key_map(self) -> KeyMap | None:
        """The map in view, if it is one."""
        panes = self.drawing.panes if self.drawing else ()
        return next((pane for pane in panes if isinstance(pane, KeyMap)), None)

    @property
    def bars(self) -> Bars | None:
        """The last bars in view that lead to files, if there are any."""
        panes = self.drawing.panes if self.drawing else ()
        some = [pane for pane in panes if isinstance(pane, Bars) and any(bar.path for bar in pane.bars)]
        return some[-1] if some else None

    @property
    def cell(self) -> Cell | None:
        """The cell of a map under the cursor."""
        pane = self.key_map
        row, column = self.cursor
        if pane is None or row >= len(pane.rows) or column >= len(pane.rows[row].cells):
            return None
        return pane.rows[row].cells[column]

    @property
    def cell_line(self) -> str:
        """What is under the cursor of a map, in one line."""
        pane, cell = self.key_map, self.cell
        if pane is None or cell is None:
            return ""
        row = pane.rows[self.cursor[0]]
        where = f"{pane.names[self.cursor[1]]} of {row.layer} {row.dynamic}".rstrip()
        what = cell.says or ("no sample" if not cell.paths else "")
        names = ", ".join(path.rpartition("/")[2] for path in cell.paths[:3])
        more = f" and {len(cell.paths) - 3} more" if len(cell.paths) > 3 else ""
        return visible(": ".join(part for part in (where, "; ".join(p for p in (what, f"{names}{more}") if p)) if part))

    @property
    def path(self) -> str:
        """The file under the cursor of a map or of bars; empty for none."""
        if self.cell and self.cell.paths:
            return self.cell.paths[0]
        bars = self.bars
        return bars.bars[self.cursor[0]].path if bars and self.cursor[0] < len(bars.bars) else ""

    @property
    def place(self) -> str:
        """Where one is among the findings: ``3 of 14``."""
        if self.sight.finding in self.findings and len(self.findings) > 1:
            return f"finding {self.findings.index(self.sight.finding) + 1} of {len(self.findings)}"
        if self.sight.path in self.files and len(self.files) > 1:
            return f"file {self.files.index(self.sight.path) + 1} of {len(self.files)}"
        return ""

    @property
    def heard(self) -> tuple[Sight, tuple[str, ...]]:
        """What would be heard, and the files of a map's cell beside it."""
        if self.path:
            return Sight(path=self.path), self.cell.paths[1:] if self.cell else ()
        return msgspec.structs.replace(self.sight, kind=self.drawing.kind if self.drawing else self.sight.kind), ()

    def offers(self, action: str) -> bool:
        """Tell whether a key does something now."""
        drawing, window = self.drawing, self.drawing.window if self.drawing else None
        match action:
            case "zoom_in":
                return bool(window and window.end - window.start > window.least)
            case "zoom_out" | "whole":
                return bool(window and window.end - window.start < window.whole)
            case "left" | "right":
                moves = bool(drawing and window and drawing.kind != "seam" and window.end - window.start < window.whole)
                return moves or self.key_map is not None
            case "up" | "down":
                return self.key_map is not None or self.bars is not None
            case "next" | "previous":
                return len(self.findings) > (self.sight.finding in self.findings)
            case "next_file" | "previous_file":
                return len(self.files) > (self.sight.path in self.files)
            case "another":
                return len(self.kinds) > 1
            case "enter":
                return bool(self.path)
            case "hear":
                sight = self.heard[0]
                return sight.kind == "bounce" or natural_kind(sight.place).audible
            case "leave_out":
                return bool(drawing and drawing.kind == "weight" and self.path)
            case _:
                return True

    # -- where keys lead; each returns what is to be drawn then ---------------------------------------------------

    def _view(self, window: Window) -> Sight:
        self.sight = msgspec.structs.replace(self.sight, start=window.start, end=window.end)
        return self.sight

    @property
    def _window(self) -> Window:
        window = self.drawing.window if self.drawing else None
        return window or Window(start=0, end=1, whole=1)

    def _about(self) -> float | None:
        finding = self.sight.finding
        frames = finding.at.frames if finding else None
        if self.drawing and self.drawing.kind == "seam":
            return None
        if self.drawing and self.drawing.kind == "bytes" and finding and finding.at.byte is not None:
            return float(finding.at.byte)
        return (frames[0] + frames[1]) / 2 if frames else None

    def zoom(self, way: Literal["in", "out"]) -> Sight:
        """See half or twice as much: around the place of the finding while it is in view."""
        return self._view(self._window.zoomed(ZOOM if way == "in" else 1 / ZOOM, self._about()))

    def whole(self) -> Sight:
        """See all of it."""
        return self._view(Window(start=0, end=self._window.whole, whole=self._window.whole))

    def move(self, right: int, down: int = 0) -> Sight | None:
        """Move what is in view, or the cursor; None where only the cursor moved."""
        if pane := self.key_map:
            row = max(0, min(len(pane.rows) - 1, self.cursor[0] + down))
            self.cursor = row, max(0, min(len(pane.names) - 1, self.cursor[1] + right))
            return None
        if down:
            places = [n for n, bar in enumerate(self.bars.bars) if bar.path] if self.bars else []
            if places:
                now = min(range(len(places)), key=lambda n: abs(places[n] - self.cursor[0]))
                self.cursor = places[max(0, min(len(places) - 1, now + down))], 0
            return None
        return self._view(self._window.moved(STEP * right))

    def finding(self, by: int) -> Sight:
        """Go to another finding, around at the ends."""
        here = self.findings.index(self.sight.finding) if self.sight.finding in self.findings else -1 if by > 0 else 0
        finding = self.findings[(here + by) % len(self.findings)]
        return self._go(Sight(finding=finding, path=finding.path, kind=KIND_OF[finding.rule]))

    def file(self, by: int) -> Sight:
        """Go to another file, around at the ends."""
        here = self.files.index(self.sight.path) if self.sight.path in self.files else -1 if by > 0 else 0
        kind = self.sight.kind if self.sight.kind in ("waveform", "pitch", "spectrum") else None
        return self._go(Sight(path=self.files[(here + by) % len(self.files)], kind=kind))

    def another(self) -> Sight:
        """Go to another picture of the same."""
        now = self.drawing.kind if self.drawing else self.sight.kind
        here = self.kinds.index(now) if now in self.kinds else -1
        kind = self.kinds[(here + 1) % len(self.kinds)]
        return self._go(msgspec.structs.replace(self.sight, kind=kind, start=0, end=0))

    def enter(self) -> Sight:
        """Go to the file under the cursor; :meth:`back` leads back here."""
        self._before.append(self.sight)
        cell, path = self.cell, self.path
        if cell and cell.paths:
            self.files = cell.paths
        found = next((one for one in self.findings if one.path == path), None)
        kind: Kind | None = None if self.bars and not cell else "waveform"
        return self._go(Sight(finding=found if kind == "waveform" and _is_wave(found) else None, path=path, kind=kind))

    def back(self) -> Sight | None:
        """Go to where one came from; None where that is out of the pictures."""
        if not self._before:
            return None
        self.drawing, self.files = None, ()
        return self._go(self._before.pop())

    def _go(self, sight: Sight) -> Sight:
        self.sight, self._fresh = sight, True
        return sight


def _is_wave(finding: Finding | None) -> bool:
    return finding is not None and KIND_OF.get(finding.rule) == "waveform"
