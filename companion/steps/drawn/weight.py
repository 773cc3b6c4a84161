"""What weighs how much of what ships, and what stays at home."""

from __future__ import annotations

from typing import Final

from companion.contents.ships import Fate, KindTotal, ListedFile, ShipList
from companion.core.findings import Finding
from companion.core.text import plural
from companion.core.units import both_bytes, decimal_bytes
from companion.drawing.shapes import Bar, Bars, Drawing, Figure
from companion.steps.drawn.common import figures_of, title_of

LARGEST: Final = 14
_FATES: Final[dict[Fate, str]] = {"ships": "ships", "stays": "stays at home", "asked": "asked about"}


def weight(listed: ShipList, limit: int | None = None, finding: Finding | None = None) -> Drawing:
    """Return the picture. limit: bytes that an upload may have, as the facts state it."""
    ships = listed.of("ships", "asked")
    total = sum(file.bytes for file in ships)
    largest = sorted(ships, key=lambda file: (-file.bytes, file.path))
    about = {finding.path, *finding.at.others} - {""} if finding else set()
    shown = [file for file in listed.files if file.path in about]
    shown += [file for file in largest if file.path not in about][: max(0, LARGEST - len(shown))]
    shown.sort(key=lambda file: (-file.bytes, file.path))
    panes = (
        Bars(
            title="By kind, before packing",
            bars=tuple(_kind_bar(one, total) for one in _kinds(listed)),
            limit=limit,
            limit_text=f"limits.upload_bytes: {both_bytes(limit)}" if limit is not None else "",
        ),
        Bars(title="The largest files", bars=tuple(_bar(file, about) for file in shown)),
    )
    rest = len(ships) - sum(file.fate != "stays" for file in shown)
    figures = [
        Figure("Ships", f"{plural(len(ships), 'file')}, {both_bytes(total)}"),
        Figure("Stays", _sum(listed.of("stays"))),
    ]
    if asked := listed.of("asked"):
        figures.append(Figure("Asked", f"{_sum(asked)}: say whether it ships"))
    return Drawing(
        kind="weight",
        title=title_of(finding, "What ships, by weight"),
        path=finding.path if finding else "",
        rule=finding.rule if finding else "",
        panes=panes if ships or shown else (),
        figures=(*figures_of(finding), *figures),
        note=f"{plural(rest, 'smaller file')} not shown." if rest > 0 else "" if ships else "Nothing ships.",
    )


def _kinds(listed: ShipList) -> list[KindTotal]:
    """Return totals by kind of what would ship as things stand, the heaviest first."""
    found: dict[str, KindTotal] = {}
    for one in (*listed.ships, *listed.asked):
        before = found.get(one.kind.value)
        files, size = (before.files, before.bytes) if before else (0, 0)
        found[one.kind.value] = KindTotal(kind=one.kind, files=files + one.files, bytes=size + one.bytes)
    return sorted(found.values(), key=lambda one: -one.bytes)


def _kind_bar(one: KindTotal, total: int) -> Bar:
    share = f"{100 * one.bytes / total:.0f} %" if total else "0 %"
    many = "patches" if one.kind.value == "patch" else ""
    return Bar(
        name=plural(one.files, one.kind.value, many), value=one.bytes, text=f"{decimal_bytes(one.bytes)}, {share}"
    )


def _bar(file: ListedFile, about: set[str]) -> Bar:
    return Bar(
        name=file.path,
        value=file.bytes,
        text=f"{decimal_bytes(file.bytes)}, {_FATES[file.fate]}",
        ink="mark" if file.path in about else "wave" if file.fate == "ships" else "second",
        path=file.path,
    )


def _sum(files: tuple[ListedFile, ...]) -> str:
    return f"{plural(len(files), 'file')}, {decimal_bytes(sum(file.bytes for file in files))}"
