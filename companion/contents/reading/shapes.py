"""Where a path begins and ends among the characters around it, and whether it is one at all.

Works on decoded text, so that every encoding is judged alike.
"""

import re
from typing import Final, NamedTuple

from companion.contents.kinds import AUDIO, PICTURES, SCRIPTS
from companion.contents.reading.homes import ROOTS

SUFFIXES: Final = frozenset(AUDIO | PICTURES | SCRIPTS | {"txt", "mid", "midi"})
"""Extensions that end a path wherever it stands; those of the folder's own files are added when scanning."""
WEAK: Final = frozenset({"js", "py", "au", "lua", "txt", "snd"})
"""Extensions that also end words which are no files (the names of programs, domains)."""

# Control characters, what no file name holds on any common system, what no text holds, and a mark for the byte order.
STOP: Final = re.compile('[\x00-\x1f\x7f-\x9f"<>|*?`\ud800-\udfff\ue000-\uf8ff\ufeff\ufff0-\uffff]')
_SCHEME: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:/{2}")
_START: Final = re.compile(
    r"file:/|(?<![A-Za-z0-9])[A-Za-z]:[\\/](?!/)|(?:(?<=[^\w/\\.~%-])|^)(?:~[\\/]|%[A-Za-z]{3,20}%[\\/]|\$\{?HOME\}?/"
    rf"|/(?:{'|'.join(ROOTS)})/|\.\.?[\\/]|\\{{2,4}}[A-Za-z0-9])",
    re.IGNORECASE,
)
_KEY: Final = re.compile(r"^[\w.\- ]*(?:=|:(?=[ \t]))[ \t]*|^[^=]*\s[\w.\-]+=[ \t]*")
_SITE: Final = re.compile(r"(?:^|\s)(?://|www\.)\S*$")
_BULLET: Final = re.compile(r"[ \t]*[-\u2022][ \t]+(?=\S)")
_COMMENT: Final = re.compile(r"\s*(?:--|//|#(?:[\s#]|$)|;|/\*|\*|!)")
_BREAK: Final = re.compile("[\x00-\x08\x0a-\x1f\ud800-\udfff]")
_ATTRIBUTE: Final = re.compile(r"(?:href|src|action|url|content)\s*[=(]\s*[\"']?$", re.IGNORECASE)
_LOCAL: Final = re.compile(r"/(?:Users|Volumes|home)/")
_LOCAL_START: Final = re.compile(r"^(?:file:/{0,3}|[A-Za-z]:|~|%\w+%|\$\{?HOME\}?|(?:\.\.[\\/]+)+|[\\/]+)")
_RARE: Final = re.compile("[\u0590-\u1dff\u2060-\U0010ffff]")
_CLIMB: Final = re.compile(r"^(?:\.{1,2}[\\/]+)+")
_NAMED: Final = re.compile(r"[ -~]+\.\w{2,5}$", re.ASCII)
_ODD: Final = re.compile(r"[^\w .,()\[\]{}+&'#@!~=$%^\\/:\u0300-\u036f-]")
_WORD: Final = re.compile(r"[^\W_]")


class Shape(NamedTuple):
    """A path inside a run of text: characters from ``start`` to ``end``.

    sure: see ``Mention.sure``.
    """

    start: int
    end: int
    sure: bool


def is_rare(text: str) -> bool:
    """Tell whether ``text`` holds letters that two random bytes hit by chance (ideographs, symbols, syllables)."""
    return not text.isascii() and _RARE.search(text) is not None


def _lengths(text: str, encoding: str) -> tuple[int, ...]:
    """Return the numbers by which a length in front may count ``text``, its closing zero included or not."""
    wide = "16" in encoding
    size = len(text.encode(encoding, "surrogatepass" if wide else "surrogateescape"))
    return (size // 2, size // 2 + 1, size, size + 2) if wide else (size, size + 1)


def _counted_end(text: str, start: int, end: int, encoding: str) -> int:
    """Return where the path at ``start`` ends, at most at ``end``, if the character before it counts it."""
    count = ord(text[start - 1])
    if encoding == "utf-8" and not _NAMED.search(text, start, start + count):
        return end
    if "16" in encoding and is_rare(text[start : min(end, start + count)]):
        count //= 2  # bytes, not characters
    return min(end, start + count)


def ending(text: str, dot: int, end: int) -> Shape | None:
    """Return the path that ends in the extension ``text[dot:end]``, or None when nothing there is one.

    text: what stands around it, from the end of the path before it.
    """
    start = 0
    for stop in STOP.finditer(text, 0, dot):
        start = stop.end()
    after = text[end : end + 1]
    if (
        start >= dot
        or after.isalnum()
        or (after and after in "_/\\")
        or (after == "." and text[end + 1 : end + 2].isalnum())
    ):
        return None
    return _delimited(text, start, dot, end)


def _delimited(text: str, start: int, dot: int, end: int) -> Shape | None:
    """Return the path between quotes, in a line of text, or between bytes that are no text."""
    left, after = text[start - 1 : start], text[end : end + 1]
    quoted = left == after and left in ('"', "`") and bool(left)
    if after == "'" and "'" in text[start:dot]:
        start, quoted = text.rindex("'", start, dot) + 1, True
    elif after in (")", "]") and not quoted:
        opener = text.rfind("(["[after == "]"], start, dot)
        if opener >= start and text.count(after, opener, dot) == 0:
            start, quoted = opener + 1, True
    marked_up = left == ">" and after == "<"
    line = left in ("\n", "\r", "\t") or after in ("\n", "\r") or (start == 0 and text[:1].isascii())
    scheme = _last(_SCHEME, text, start, dot)
    if scheme and scheme.group().lower() != "file://":
        gap = text.find(" ", scheme.end(), dot)
        if gap < 0:
            return None
        start = gap + 1
    found = _last(_START, text, start, dot)
    if found:
        start = found.start()
    key = _KEY.match(text[start:dot]) if line and not (quoted or found) else None
    bullet = _BULLET.match(text[start:dot]) if left == "\n" and not (quoted or found) else None
    listed = bullet and re.match(r"[ \t]*(?:#|[\r\n]|$)", text[end:])
    if key:
        start += key.end()
    elif bullet:
        start += bullet.end()
    while line and start < dot and text[start] in " \t'([{,;=:":
        start += 1
    body = text[start:end]
    sure = bool(quoted or marked_up or key or found or listed)
    if not sure:
        spaced = " " in re.split(r"[\\/]", body)[0] or not re.search(r"[\\/]", body)
        prose = after == " " and text[end + 1 : end + 2].isalnum()
        sure = not prose and (not line or not (spaced and " " in body))
    sure = sure and not _commented(text, start)
    if body.startswith("/") and not _LOCAL.match(body) and _ATTRIBUTE.search(text[max(0, start - 20) : start]):
        return None  # the root of a web site, not of a disk
    return _checked(text, start, dot, end, sure=sure)


def _last(pattern: re.Pattern[str], text: str, start: int, end: int) -> re.Match[str] | None:
    last = None
    for match in pattern.finditer(text, start, end):
        last = match
    return last


def _commented(text: str, start: int) -> bool:
    """Tell whether the line that leads to ``start`` begins as comments do in scripts."""
    line = text[:start]
    breaks = _last(_BREAK, line, 0, start)
    if breaks and breaks.group() not in "\r\n":
        return False  # these are bytes, not lines
    return _COMMENT.match(text[breaks.end() if breaks else 0 : start + 1]) is not None


def plausible(body: str) -> bool:
    """Tell whether ``body``, a path without its extension, can be one at all."""
    body = _CLIMB.sub("", body)
    name = re.split(r"[\\/]", body)[-1]
    if not name.strip() or _SITE.search(body) or ":" in re.sub(r"^(?:file:|[A-Za-z]:)", "", body):
        return False
    return len(_ODD.findall(body)) <= 0.2 * len(body) and len(_WORD.findall(body)) * 2 >= len(body)


def _checked(text: str, start: int, dot: int, end: int, *, sure: bool) -> Shape | None:
    """Return the shape if it can be a path at all."""
    body = text[start:dot]
    if not plausible(body):
        return None
    weak = text[dot + 1 : end].lower() in WEAK or end - dot <= 3
    if weak and not re.search(r"[\\/]", body):
        sure = False
    return Shape(start, end, sure and (len(body) >= 3 or text[start - 1 : start] in ("\0", '"', "'", "")))


def beginning(text: str, at: int, encoding: str) -> Shape | None:
    """Return the path that begins at ``at`` with a root, share, home or climb, whatever its ending.

    Where ``text[at]`` is a colon, the drive's letter or ``file`` in front of it belongs to the path. encoding: how
    ``text`` stood in the bytes; ``latin-1`` for any code page, of which only the ASCII is known.
    """
    start = at
    if text[at] == ":":
        start = at - 4 if text[max(0, at - 4) : at].lower() == "file" else at - 1
        if start < 0 or not (text[start].isascii() and text[start].isalpha()):
            return None
    before = text[start - 1 : start]
    inner = bool(before) and before in "/\\.~%-_"  # the middle of a longer one, however many there are in a row
    if inner and (text[at] in "~%$" or before in "/\\" or before == text[at]):
        return None
    stop = STOP.search(text, start)
    end = stop.start() if stop else len(text)
    if (colon := text.find(":", start + 6, end)) >= 0:  # a path has one behind its drive or scheme only
        end = colon
    counted = inner or before == " " or (before.isalnum() and not is_rare(before))
    if counted:  # what is behind it may look like letters: a count ends it
        end = _counted_end(text, start, end, encoding)
    if before == "'":
        closing = text.find("'", start, end)
        end = closing if closing >= 0 else end
    while end > start and text[end - 1] in " .,;:)]}'":
        end -= 1
    body = text[start:end]
    counted = counted and len(body) <= 255 and ord(before) in _lengths(body, encoding)
    if not counted and (inner or (before.isalnum() and not is_rare(before))):
        return None
    if len(body) > 1024:
        return None
    if not _is_local(body, encoding) or (body[:1] == "/" and _ATTRIBUTE.search(text[max(0, start - 20) : start])):
        return None
    glued = before == ":" and "A" <= text[start - 2 : start - 1] <= "Z"  # a drive that letters stand in front of
    return Shape(start, end, (counted or before != " ") and not glued and not _commented(text, start))


def _is_local(body: str, encoding: str) -> bool:
    """Tell whether ``body``, which begins as a path of one computer, goes on as one."""
    rest = _LOCAL_START.sub("", body, count=1).lstrip("\\/")
    if re.match(r"[A-Za-z]:/", body) and body[2:4] == "//":
        return False
    if encoding == "latin-1" and 5 * sum(not char.isascii() for char in rest) > len(rest):
        return False  # bytes rather than letters of a code page
    parts = [part for part in re.split(r"[\\/]+", rest) if part]
    odd, letters = len(_ODD.findall(rest)), len(_WORD.findall(rest))
    if not parts or odd > 0.1 * len(rest) or letters < 0.6 * len(rest):
        return False
    if body[:1] == "/":
        return len(parts) >= 2
    if body[:5].lower() == "file:" or body[:1] in "%$":
        return True
    return (len(parts) >= 2 and len(rest) >= 8) or (len(parts[0]) >= 6 and body[:1].isupper())
