"""What ships, what stays and what is asked about, as lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.cli.render.checklist import typed
from companion.contents.ships import KindTotal, kinds_text
from companion.core.text import listed, plural, shorten, visible
from companion.core.units import decimal_bytes

if TYPE_CHECKING:
    from companion.contents.groups import AskedGroup
    from companion.contents.ships import ListedFile, ShipList

MOST_SHOWN: Final = 10
"""Files of one kind that are listed one by one; --all has them all."""
_WIDTH: Final = 80
"""Columns of a terminal that nobody has widened: no line of the list runs over."""
_PATH: Final = 48


def decided_line(count: int) -> str:
    """Return what an answer comes to."""
    if not count:
        return "Nothing to keep: it is so already."
    return f"Kept in release.toml: the answer for {plural(count, 'file')}."


def contents_lines(contents: ShipList, folder: Path, *, whole: bool = False) -> list[str]:
    """Return what is asked about, then what ships by kind and why, then what stays by reason, each with its sum."""
    most = len(contents.files) if whole else MOST_SHOWN
    lines: list[str] = []
    if contents.groups:
        lines += [f"Asked about, {plural(len(contents.groups), 'group')}: does it ship, or does it stay?"]
        lines += [line for group in contents.groups[:most] for line in _wrapped(f"  ? {_group(group)}", 4)]
        lines += _more(len(contents.groups), most)
        first = typed(contents.groups[0].id)
        # A line of its own, and whole: it is there to be copied.
        lines += ["  Answer each once, with --ship or --stay:"]
        lines += [f"  companion contents {typed(folder)} --ship {first}", ""]
    lines += _section("Ships", "✓", contents.of("ships"), contents.ships, most, by_kind=True)
    lines += _section("Stays", "·", contents.of("stays"), contents.stays, most, by_kind=False)
    return lines[:-1] if lines and not lines[-1] else lines


def _wrapped(line: str, indent: int) -> list[str]:
    from textwrap import wrap

    return wrap(line, _WIDTH, subsequent_indent=" " * indent, break_on_hyphens=False) or [line]


def _group(group: AskedGroup) -> str:
    names = listed([shorten(visible(path.rpartition("/")[2]), _PATH) for path in group.paths], 2)
    held = f"{plural(len(group.paths), 'file')}, {decimal_bytes(group.bytes)}"
    return f"{visible(group.id)}  {held}" + (f": {names}" if len(group.paths) > 1 or group.whole else "")


def _more(count: int, most: int) -> list[str]:
    return [f"    … and {count - most:,} more (--all lists them, --json has them all)"] if count > most else []


def _section(
    title: str, mark: str, files: Sequence[ListedFile], sums: Sequence[KindTotal], most: int, *, by_kind: bool
) -> list[str]:
    if not files:
        return []
    size = decimal_bytes(sum(total.bytes for total in sums))
    lines = _wrapped(f"{title}: {plural(len(files), 'file')}, {size} ({kinds_text(sums)})", 4)
    for head, several in _batches(files, sums, by_kind=by_kind):
        lines += _wrapped(f"  {head}", 4)
        lines += [_line(mark, file, by_kind=by_kind) for file in several[:most]]
        lines += _more(len(several), most)
    return [*lines, ""]


def _batches(
    files: Iterable[ListedFile], sums: Iterable[KindTotal], *, by_kind: bool
) -> list[tuple[str, list[ListedFile]]]:
    """Return files by kind, in the order of the kinds, and why they ship; or by the reason why they stay; each with its
    heading.
    """
    found: dict[tuple[str, str], list[ListedFile]] = {}
    for file in files:
        found.setdefault((file.kind.value if by_kind else "", file.why), []).append(file)
    if not by_kind:
        return [(f"{plural(len(several), 'file')}: {why}", several) for (_, why), several in sorted(found.items())]
    batches = []
    for one in sums:
        for (kind, why), several in found.items():
            if kind == one.kind.value:
                total = KindTotal(kind=one.kind, files=len(several), bytes=sum(file.bytes for file in several))
                batches.append((f"{kinds_text([total])}: {why}", several))
    return batches


def _line(mark: str, file: ListedFile, *, by_kind: bool) -> str:
    """Return a file with its bytes, and with its kind where the heading does not tell it."""
    width = _PATH + (16 if by_kind else 0)
    line = f"    {mark} {shorten(visible(file.path), width):<{width}} {decimal_bytes(file.bytes):>8}"
    return line if by_kind else f"{line}  {file.kind.value}"
