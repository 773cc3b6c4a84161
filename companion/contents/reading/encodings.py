"""Whether bytes are plain text throughout, and in which encoding."""

from __future__ import annotations

import codecs
import re
from typing import Final

from companion.contents.reading.inflate import Buffer, let_go
from companion.contents.reading.names import CODE_PAGES, FolderNames, fold_case
from companion.contents.reading.shapes import is_rare

_HEAD: Final = 1 << 16
_BLOCK: Final = 4 << 20
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]")
_CONTROL_TEXT: Final = re.compile(r"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f\ud800-\udfff\ue000-\uf8ff\ufff0-\uffff]")


def text_encoding(data: Buffer, names: FolderNames) -> str:
    """Return the encoding of ``data`` if it is text throughout, else ``""``.

    UTF-8; UTF-16 with a byte order mark, or mostly ASCII without rare letters; else, where no byte is a control
    character and most others are letters, the code page in which most of ``names`` are found, cp1252 without any.
    """
    head = data[:_HEAD]
    if head[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) or b"\0" in head[:4]:
        return _wide(head)
    utf8 = _is_utf8(data)
    if utf8 is None:
        return ""
    return "utf-8" if utf8 else _code_page(head, names)


def _wide(head: bytes) -> str:
    for encoding, mark in (("utf-16-le", codecs.BOM_UTF16_LE), ("utf-16-be", codecs.BOM_UTF16_BE)):
        text = head[: len(head) // 2 * 2].decode(encoding, "replace")
        plain = head.startswith(mark) or (sum(map(str.isascii, text)) * 2 >= len(text) and not is_rare(text))
        if text and plain and not _CONTROL_TEXT.search(text):
            return encoding
    return ""


def _is_utf8(data: Buffer) -> bool | None:
    """Tell whether ``data`` is UTF-8; None where it holds control characters."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    valid = True
    for at in range(0, len(data), _BLOCK):
        block = data[at : at + _BLOCK]
        let_go(data, at, at + _BLOCK)
        if _CONTROL.search(block):
            return None
        try:
            decoder.decode(block if valid else b"", final=valid and at + _BLOCK >= len(data))
        except UnicodeDecodeError:
            valid = False
    return valid


def _code_page(head: bytes, names: FolderNames) -> str:
    def known(code: str) -> int:
        texts = [fold_case(head[max(0, e - 2 * names.longest) : e].decode(code, "replace")) for e in ends]
        return sum(not text[len(text) - names.find(text) :].isascii() for text in texts)

    ends = [hit.end() for hit in re.finditer(rb"\.[A-Za-z0-9]{2,5}", head)]
    page = max(CODE_PAGES[1:], key=known)
    beyond = [char for char in head.decode(page, "replace") if not char.isascii()]
    return page if sum(map(str.isalpha, beyond)) * 2 > len(beyond) else ""
