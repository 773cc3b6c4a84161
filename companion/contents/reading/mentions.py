"""A mention: a piece of text inside a file that names another file, and what kind of path it is."""

import re
from collections.abc import Callable
from enum import StrEnum
from typing import Final, Protocol

import msgspec

from companion.contents.reading.homes import FILE_ADDRESS, HOME_FOLDER, HOME_VARIABLE
from companion.core.findings import At
from companion.core.text import visible

MOST_MENTIONS: Final = 100_000


class Style(StrEnum):
    """How a path begins, which decides where else it can be found."""

    RELATIVE = "relative"
    CLIMBING = "climbing"
    ABSOLUTE = "absolute"
    DRIVE = "drive"
    UNC = "network share"
    URL = "file address"
    HOME = "home folder"

    @property
    def local(self) -> bool:
        """Whether such a path means one computer only."""
        return self not in (Style.RELATIVE, Style.CLIMBING)


class Mention(msgspec.Struct, frozen=True, kw_only=True):
    """One path read in a file.

    text: as it stands there, escapes included. offset: bytes from the file's start, or from the start of the unpacked
    part that ``inside`` names. part: where the outermost such part begins in the file. encoding: ``utf-8``,
    ``utf-16-le``, ``utf-16-be`` or a code page. sure: its beginning is certain, and it stands where only a path stands,
    not in running text. times: how often the same text occurs (``offset`` is the first). line: of plain text, that it
    stands in, from 1; 0 in other bytes.
    """

    text: str
    offset: int
    encoding: str = "utf-8"
    style: Style = Style.RELATIVE
    inside: str = ""
    part: int = 0
    sure: bool = True
    times: int = 1
    line: int = 0

    @property
    def byte(self) -> int:
        """Where it stands in the file itself: for one in an unpacked part, where that part begins."""
        return self.part if self.inside else self.offset

    @property
    def at(self) -> At:
        """The same as data; the line of an unpacked part is none of the file's own."""
        return At(byte=self.byte, line=self.line or None if not self.inside else None)

    @property
    def place(self) -> str:
        """Where it stands, as a person reads it: ``line 12``, ``byte 1,204 of the zlib part at byte 96``."""
        here = f"line {self.line:,}" if self.line else f"byte {self.offset:,}"
        return here + (f" of the {visible(self.inside)}" if self.inside else "")


_DRIVE: Final = re.compile(r"[A-Za-z]:[\\/]")
_UNC: Final = re.compile(r"\\{2,4}[^\\/]")
_HOME: Final = re.compile(
    rf"~[\w.-]*[\\/]|\$\{{?HOME\}}?[\\/]|{HOME_VARIABLE}|(?:{FILE_ADDRESS})?(?:[A-Za-z]:)?{HOME_FOLDER}", re.IGNORECASE
)


def _escapes(digits: int) -> re.Pattern[str]:
    """Code units, code points (``U`` with so many digits) and bytes; in octal only where they may be UTF-8."""
    point = rf"\\U[0-9a-fA-F]{{{digits}}}|\\u[0-9a-fA-F]{{4}}|\\u\{{[0-9a-fA-F]{{1,6}}\}}|\\x[0-9a-fA-F]{{2}}"
    return re.compile(rf"((?:{point})+|(?:\\[23][0-7]{{2}}){{2,}})")


_ESCAPE: Final = _escapes(4)
_LONG: Final = _escapes(8)
_UNIT: Final = re.compile(r"\\([0-7]{3})|\\[uUx]\{?([0-9a-fA-F]+)")


def unescaped(text: str) -> list[str]:
    """Return what ``text`` may stand for with its escapes undone; nothing where it holds none.

    ``\\x`` is read as a character, and as a byte of UTF-8; ``\\U`` with eight digits and with four; a slash may be
    escaped as well.
    """

    def units(match: re.Match[str]) -> list[int]:
        return [int(octal, 8) if octal else int(number, 16) for octal, number in _UNIT.findall(match[0])]

    def wide(match: re.Match[str]) -> str:
        text = "".join(chr(unit) for unit in units(match) if unit < 0x110000)
        return text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")

    def narrow(match: re.Match[str]) -> str:
        return bytes(min(unit, 255) for unit in units(match)).decode("utf-8", "replace")

    if "\\" not in text:
        return []
    found = [_ESCAPE.sub(wide, text)]
    if "\\U" in text:
        found.append(_LONG.sub(wide, text))
    if re.search(r"\\[x23]", text):
        found.append(_ESCAPE.sub(narrow, text))
    return [item.replace("\\\\", "\\").replace("\\/", "/") for item in found]


def without_escapes(text: str) -> str:
    """Return ``text`` without the escapes that are told by a backslash, so that what is left of those separates."""
    return _ESCAPE.sub("", text).replace("\\/", "/")


def style_of(text: str) -> Style:
    """Return the style of a path by how it begins; ``..`` anywhere makes a relative one climbing."""
    if _HOME.match(text):
        return Style.HOME
    if text[:5].lower() == "file:":
        return Style.URL
    if _DRIVE.match(text):
        return Style.DRIVE
    if _UNC.match(text):
        return Style.UNC
    if text.startswith(("/", "\\", "%")):
        return Style.ABSOLUTE
    return Style.CLIMBING if ".." in re.split(r"[\\/]+", text) else Style.RELATIVE


class Add(Protocol):
    """Takes a mention that was read; see :meth:`Mentions.adding`."""

    def __call__(self, text: str, offset: int, sure: bool, begins: bool = True) -> None: ...


class Mentions:
    """The mentions of one file; the same text in the same part is one. ``complete``: there were not too many."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], Mention] = {}
        self.complete = True

    def adding(self, encoding: str, inside: str, part: int) -> Add:
        """Return the function that adds a mention read in ``encoding``: by its text, first byte, whether it is sure,
        and whether it begins where it seems to, so that its beginning means something.
        """

        def add(text: str, offset: int, sure: bool, begins: bool = True) -> None:
            before = self._found.get((text, inside))
            if before is not None:
                self._found[text, inside] = msgspec.structs.replace(
                    before, times=before.times + 1, sure=before.sure or sure, offset=min(before.offset, offset)
                )
            elif len(self._found) < MOST_MENTIONS:
                self._found[text, inside] = Mention(
                    text=text,
                    offset=offset,
                    encoding=encoding,
                    style=style_of(text) if begins else Style.RELATIVE,
                    inside=inside,
                    part=part,
                    sure=sure,
                )
            else:
                self.complete = False

        return add

    def number(self, inside: str, lines: Callable[[list[int]], list[int]]) -> None:
        """Say in which lines the mentions of a text stand. lines: gives those of rising offsets."""
        here = sorted((mention.offset, key) for key, mention in self._found.items() if key[1] == inside)
        for (_, key), line in zip(here, lines([offset for offset, _ in here]), strict=True):
            self._found[key] = msgspec.structs.replace(self._found[key], line=line)

    @property
    def sorted(self) -> tuple[Mention, ...]:
        """All of them by part and place."""
        return tuple(sorted(self._found.values(), key=lambda mention: (mention.inside, mention.offset)))
