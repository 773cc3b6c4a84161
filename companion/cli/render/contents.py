"""What ships, what stays and what is asked about, as lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.cli.render.checklist import typed
from companion.contents.ships import kinds_text
from companion.core.text import listed, plural, shorten, visible
from companion.core.units import decimal_bytes

if TYPE_CHECKING:
    from companion.contents.groups import AskedGroup
    from companion.contents.ships import KindTotal, ListedFile, ShipList

MOST_SHOWN: Final = 10
"""Files of one kind that are listed one by one; --all has them all."""
_PATH: Final = 44


def decided_line(count: int) -> str:
    """Return what an answer comes to."""
    return f"Kept in release.toml: the answer for {plural(count, 'file')}."


def contents_lines(contents: ShipList, folder: Path, *, whole: bool = False) -> list[str]:
    """Return what is asked about, then what ships by kind, then what stays by reason, then the sums."""
    most = len(contents.files) if whole else MOST_SHOWN
    lines: list[str] = []
    if contents.groups:
        lines += [f"Asked about, {plural(len(contents.groups), 'group')}: does it ship, or does it stay?"]
        lines += [f"  ? {_group(group)}" for group in contents.groups[:most]]
        lines += _more(len(contents.groups), most)
        first = typed(contents.groups[0].id)
        lines += [f"  Answer each once: companion contents {typed(folder)} --ship {first}   (or --stay)", ""]
    lines += _section("Ships", "✓", contents.of("ships"), contents.ships, most, by_kind=True)
    lines += _section("Stays", "·", contents.of("stays"), contents.stays, most, by_kind=False)
    return lines[:-1] if lines and not lines[-1] else lines


def _group(group: AskedGroup) -> str:
    names = listed([visible(path.rpartition("/")[2]) for path in group.paths], 2)
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
    lines = [f"{title}: {plural(len(files), 'file')}, {size} ({kinds_text(sums)})"]
    for head, several in _batches(files, sums, by_kind=by_kind):
        lines.append(f"  {head}")
        lines += [_line(mark, file, by_kind=by_kind) for file in several[:most]]
        lines += _more(len(several), most)
    return [*lines, ""]


def _batches(
    files: Iterable[ListedFile], sums: Iterable[KindTotal], *, by_kind: bool
) -> list[tuple[str, list[ListedFile]]]:
    """Return files by kind, in the order of the kinds, or by the reason why they stay, each with its heading."""
    found: dict[str, list[ListedFile]] = {one.kind.value: [] for one in sums} if by_kind else {}
    for file in files:
        found.setdefault(file.kind.value if by_kind else file.why, []).append(file)
    if by_kind:
        return [(kinds_text([one]), found[one.kind.value]) for one in sums]
    return [(f"{plural(len(several), 'file')}: {why}", several) for why, several in sorted(found.items())]


def _line(mark: str, file: ListedFile, *, by_kind: bool) -> str:
    about = file.why if by_kind else file.kind.value
    return f"    {mark} {shorten(visible(file.path), _PATH):<{_PATH}} {decimal_bytes(file.bytes):>8}  {about}"
