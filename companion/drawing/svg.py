"""Drawings as SVG: self-contained, inert, light or dark as the reader's system is."""

from __future__ import annotations

from typing import Final

from companion.drawing.shapes import Bars, Course, Drawing, Dump, KeyMap, Pane, Plot
from companion.drawing.svg_frame import LINE, MARGIN, WIDTH, Sheet, document, text_width
from companion.drawing.svg_plot import draw_plot
from companion.drawing.text_panes import cell_sign, map_legend

_ACROSS: Final = WIDTH - 2 * MARGIN
_MOST_BYTES: Final = 16
_LEGEND: Final = 88


def svg_text(drawing: Drawing, *, inline: bool = False) -> str:
    """Return the file: title, panes, figures. inline: as a part of a page that has :func:`svg_frame.style` already."""
    sheet = Sheet()
    sheet.y += 14
    sheet.text(MARGIN, sheet.y, drawing.title, "head", size=15)
    for pane in drawing.panes:
        sheet.y += 8
        _draw(pane, sheet)
    if drawing.note:
        sheet.lines(drawing.note, "muted")
    sheet.y += 6
    for figure in drawing.figures:
        before = sheet.y
        sheet.lines(figure.text, "plain", indent=90)
        sheet.text(MARGIN, before + LINE, figure.label, "muted")
    described = " ".join(f"{figure.label}: {figure.text}." for figure in drawing.figures)
    return document(drawing.title, described, sheet, inline=inline)


def _draw(pane: Pane, sheet: Sheet) -> None:
    if pane.title:
        sheet.y += LINE
        sheet.text(MARGIN, sheet.y, pane.title, "head")
    match pane:
        case Plot():
            draw_plot(pane, sheet)
        case KeyMap():
            _key_map(pane, sheet)
        case Bars():
            _bars(pane, sheet)
        case Dump():
            _dump(pane, sheet)
        case Course():
            _course(pane, sheet)


def _key_map(pane: KeyMap, sheet: Sheet) -> None:
    label = min(200.0, max((text_width(f"{row.layer} {row.dynamic}") for row in pane.rows), default=0.0)) + 8
    count = max(1, len(pane.names))
    wide = max(4.0, min(16.0, (_ACROSS - label) / count))
    sheet.y += LINE
    for column, name in enumerate(pane.names):
        if name[:1] == "C" and name[1:2] != "#":
            sheet.text(MARGIN + label + column * wide, sheet.y, name, "muted", size=11)
    for row in pane.rows:
        sheet.y += LINE
        sheet.text(MARGIN, sheet.y, f"{row.layer} {row.dynamic}", "muted")
        for column, cell in enumerate(row.cells):
            sign, ink = cell_sign(cell)
            left = MARGIN + label + column * wide
            if cell.state != "none":
                sheet.box(left, sheet.y - 13, wide - 1, LINE - 2, ink, 0.25 if cell.state == "covered" else 0.4)
                sheet.text(left + wide / 2, sheet.y, sign, ink, "middle", size=12)
            if cell.at:
                sheet.box(left, sheet.y + 3, wide - 1, 2, "mark")
    for line in map_legend(pane, _LEGEND):
        sheet.lines(line, "muted")


def _bars(pane: Bars, sheet: Sheet) -> None:
    name = min(260.0, max((text_width(bar.name) for bar in pane.bars), default=0.0)) + 8
    text = max((text_width(bar.text) for bar in pane.bars), default=0.0) + 8
    room = max(40.0, _ACROSS - name - text)
    most = max([bar.value for bar in pane.bars] + [pane.limit or 0.0], default=0.0) or 1.0
    top = sheet.y + 4
    for bar in pane.bars:
        sheet.y += LINE
        shown = bar.name if text_width(bar.name) <= name else f"…{bar.name[-int(name / 7.9) + 1 :]}"
        sheet.text(MARGIN, sheet.y, shown, "plain")
        sheet.box(MARGIN + name, sheet.y - 11, max(0.0, bar.value) / most * room, 12, bar.ink)
        sheet.text(WIDTH - MARGIN, sheet.y, bar.text, "muted", "end")
    if pane.limit is not None and pane.bars:
        x = MARGIN + name + pane.limit / most * room
        sheet.path([(x, top), (x, sheet.y + 4)], "limit", dashed=True)
        sheet.lines(pane.limit_text, "limit")


def _dump(pane: Dump, sheet: Sheet) -> None:
    data = bytes.fromhex(pane.hex)
    for first in range(0, len(data), _MOST_BYTES):
        sheet.y += LINE
        sheet.text(MARGIN, sheet.y, f"{pane.offset + first:,}", "muted")
        for place, byte in enumerate(data[first : first + _MOST_BYTES]):
            at = pane.offset + first + place
            marked = pane.first <= at < pane.end
            x = MARGIN + 90 + place * 26
            if marked:
                sheet.box(x - 3, sheet.y - 13, 26, LINE - 1, "mark", 0.2)
                sheet.box(x - 3, sheet.y + 3, 26, 1.5, "mark")
            sheet.text(x, sheet.y, f"{byte:02x}", "mark" if marked else "plain")
            shown = chr(byte) if 32 <= byte < 127 else "·"
            sheet.text(MARGIN + 90 + _MOST_BYTES * 26 + 14 + place * 9, sheet.y, shown, "mark" if marked else "muted")


def _course(pane: Course, sheet: Sheet) -> None:
    before = 0.0
    for moment in pane.moments:
        sheet.y += LINE
        if before:
            sheet.path([(MARGIN + 5, before), (MARGIN + 5, sheet.y - 9)], "muted")
        sheet.box(MARGIN + 1, sheet.y - 9, 8, 8, moment.ink)
        before = sheet.y
        sheet.text(MARGIN + 20, sheet.y, f"{moment.name}  {moment.when}", "plain")
        if moment.weight:
            sheet.text(WIDTH - MARGIN, sheet.y, moment.weight, "muted", "end")
        if moment.text:
            sheet.lines(moment.text, "muted", indent=20)
