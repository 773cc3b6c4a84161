"""How the text of a script is written: its encoding and its line ends."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import msgspec

from companion.contents.reading.lines import lines_at
from companion.core.entries import Entry, Kind
from companion.core.regular import read_whole

MOST_BYTES: Final = 16 << 20


class ScriptText(msgspec.Struct, frozen=True, kw_only=True):
    """encoding: ``ascii``, ``utf-8``, ``utf-8 with a byte order mark``, ``utf-16`` or ``not utf-8``.

    offset: the first byte that is not ASCII, or not UTF-8. line: that of the first byte that is not UTF-8, from 1.
    line_ends: the kinds used, of ``LF``, ``CR LF``, ``CR``.
    """

    encoding: str
    offset: int = 0
    line: int | None = None
    line_ends: tuple[str, ...] = ()


def script_text(data: bytes) -> ScriptText:
    """Return how ``data`` is written (Unicode Standard, section 23.8, for byte order marks)."""
    ends = {b"\n": "LF", b"\r\n": "CR LF", b"\r": "CR"}
    used = tuple(sorted({ends[match] for match in re.findall(rb"\r\n|\n|\r", data)}))
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return ScriptText(encoding="utf-16", line_ends=used)
    beyond = re.search(rb"[\x80-\xff]", data)
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        (line,) = lines_at(data, "utf-8", (error.start,))
        return ScriptText(encoding="not utf-8", offset=error.start, line=line, line_ends=used)
    if data.startswith(b"\xef\xbb\xbf"):
        return ScriptText(encoding="utf-8 with a byte order mark", line_ends=used)
    return ScriptText(encoding="utf-8" if beyond else "ascii", offset=beyond.start() if beyond else 0, line_ends=used)


def read_scripts(folder: Path, entries: Iterable[Entry]) -> dict[str, ScriptText]:
    """Return how each script among ``entries`` is written; the inventory reports one that cannot be read."""
    found: dict[str, ScriptText] = {}
    for entry in entries:
        if entry.kind is Kind.SCRIPT and not entry.problem and entry.size <= MOST_BYTES:
            try:
                found[entry.path] = script_text(read_whole(folder / entry.path))
            except OSError:
                continue
    return found
