"""Which file a mention means, and whether players would have it.

A relative path is looked for where it stands: against the folder of the file that names it, its parents, and the
release folder. A path that fits nowhere that way but is the whole end of one path below counts as found elsewhere:
many engines keep the sample folder apart from the names in it, and nobody can tell that from outside. A path of
another computer is matched by the longest end that fits, so that the file it meant is known to be in use.
"""

import re
from collections import deque
from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import Final
from urllib.parse import unquote

import msgspec

from companion.contents.index import PathIndex
from companion.contents.kinds import AUDIO, PICTURES, SCRIPTS
from companion.contents.reading.homes import FILE_ADDRESS
from companion.contents.reading.mentions import Mention, Style, unescaped
from companion.contents.reading.scanned import Scan
from companion.core.entries import Entry, Kind
from companion.core.findings import At


class Fate(StrEnum):
    """What became of a mention."""

    FOUND = "found"
    NORMALISATION = "found by normalisation only"
    CASE = "found by case only"
    ELSEWHERE = "found elsewhere by its name"
    MISSING = "missing"
    OUTSIDE = "outside the release folder"
    UNSURE = "not a file for certain"


class Reference(msgspec.Struct, frozen=True, kw_only=True):
    """A mention in ``source`` and the file it means.

    target: the path found; with a missing mention, one of the same name that lies elsewhere, or empty. others: how
    many more files fit as well. excluded: the target is in the folder but does not ship.
    """

    source: str
    mention: Mention
    fate: Fate
    target: str = ""
    others: int = 0
    excluded: bool = False

    @property
    def at(self) -> At:
        """The place of the mention, and the file it means."""
        at = self.mention.at
        return msgspec.structs.replace(at, others=(self.target,)) if self.target else at


class References(msgspec.Struct, frozen=True, kw_only=True):
    """All mentions of all files, and every path that one of them means or may mean.

    by: what each file that was read means or may mean, by its path: paths, and keys of ``fitting`` (they begin with
    ``\\0``), which holds the files that fit one mention equally well.
    """

    items: tuple[Reference, ...] = ()
    used: frozenset[str] = frozenset()
    by: Mapping[str, frozenset[str]] = {}
    fitting: Mapping[str, tuple[str, ...]] = {}

    def named_by(self, source: str) -> frozenset[str]:
        """Return what one file that was read means or may mean."""
        names = self.by.get(source, frozenset())
        return frozenset(path for name in names for path in self.fitting.get(name, (name,)))

    def reached(self, roots: Iterable[str]) -> dict[str, str]:
        """Return what ``roots`` name, and what is named by that in turn, each with the first file that names it.

        ``roots`` themselves are in it where one of them names another.
        """
        found: dict[str, str] = {}
        seen: set[str] = set()
        waiting = deque(roots)
        known = set(waiting)
        while waiting:
            source = waiting.popleft()
            for name in sorted(self.by.get(source, ())):
                several = (name,) if not name.startswith("\0") else () if name in seen else self.fitting[name]
                seen.add(name)
                for path in several:
                    if path != source:
                        found.setdefault(path, source)
                    if path not in known:
                        known.add(path)
                        waiting.append(path)
        return found


_MISSED: Final = AUDIO | PICTURES | SCRIPTS | {"mid", "midi"}
_TEMPLATE: Final = re.compile(r"%[-+ 0#]*\d*[a-z]|\{[^}]*\}|\$\w|\$\(|#\{")
_FRAGMENT: Final = re.compile(r"[_\-. ][^\\/]*")
_LOCAL: Final = re.compile(rf"(?:{FILE_ADDRESS})?(?:[A-Za-z]:|~[\w.-]*|%\w+%|\$\{{?HOME\}}?)?[\\/]*", re.IGNORECASE)


def _readings(text: str) -> list[str]:
    """Return the paths that ``text`` may stand for, with forward slashes: as it is, and with escapes undone."""
    found = [text]
    found.extend(unescaped(text))
    if "&" in text:
        from html import unescape  # whose table of names nobody else needs

        found.extend([unescape(item) for item in found])
    if "%" in text:
        found.extend([unquote(item) for item in found])
    return list(dict.fromkeys(re.sub(r"/{2,}", "/", item.replace("\\", "/")) for item in found))


def _joined(base: tuple[str, ...], parts: list[str]) -> str | None:
    """Return the path that ``parts`` lead to from ``base``, or None when they climb out."""
    out = list(base)
    for part in parts:
        if part == "..":
            if not out:
                return None
            out.pop()
        elif part not in ("", "."):
            out.append(part)
    return "/".join(out)


def _tails(text: str, sure: bool) -> list[str]:
    """Return what ``text`` may be without something in front that belongs to a list or a sentence."""
    cut = r"[,;=:(\[{'\t]" if sure else r"[ ,;=:(\[{'\t]"
    found = [text[match.end() :].lstrip() for match in list(re.finditer(cut, text))[:24]]
    return [item for item in found if item]


class _Resolver:
    def __init__(self, entries: Iterable[Entry], ships: frozenset[str]) -> None:
        self._ships = ships
        self._index = PathIndex(entry.path for entry in entries if entry.link is None)
        self.used: set[str] = set()
        self.by: dict[str, set[str]] = {}
        self.fitting: dict[str, tuple[str, ...]] = {}

    def _pick(self, paths: list[str]) -> str:
        """Return the one that ships, if any does."""
        return next((path for path in paths[:64] if path in self._ships), paths[0])

    def _made(self, source: str, mention: Mention, fate: Fate, paths: list[str]) -> Reference:
        target = self._pick(paths) if paths else ""
        if len(paths) > 1:
            # All that end as the first one does, to some depth: no two such lists are as long and begin alike.
            group = f"\0{len(paths)}\0{paths[0]}"
            self.by.setdefault(source, set()).add(group)
            if group not in self.fitting:
                self.fitting[group] = tuple(paths)
                self.used.update(paths)
        if target:
            self.by.setdefault(source, set()).add(target)
            self.used.add(target)
        return Reference(
            source=source,
            mention=mention,
            fate=fate,
            target=target,
            others=max(0, len(paths) - 1) if fate is not Fate.CASE else len(self._index.any_case(target)) - 1,
            excluded=bool(target) and target not in self._ships,
        )

    def _there(self, base: tuple[str, ...], texts: list[str]) -> tuple[Fate, list[str]] | None:
        """Return where ``texts`` lead from ``base``, its parents and the release folder: to the letter, or nearly."""
        bases = [base[:depth] for depth in range(len(base), -1, -1)]
        joined = [path for text in texts for b in bases if (path := _joined(b, text.split("/")))]
        for path in joined:
            if self._index.exact(path):
                return Fate.FOUND, [path]
        for path in joined:
            if found := self._index.composed(path):
                return Fate.NORMALISATION, [found]
        for path in joined:
            if several := self._index.any_case(path):
                return Fate.CASE, several
        return None

    def _spelling(self, tail: str, mention: Mention) -> Fate:
        """Return how a name without its folder, which is there in some case, is spelled; sentences may differ."""
        if not mention.sure or self._index.spells(tail):
            return Fate.ELSEWHERE
        return Fate.NORMALISATION if self._index.spells_composed(tail) else Fate.CASE

    def _longest_end(self, texts: list[str]) -> list[str]:
        """Return the files that share the longest end with any of ``texts``."""
        for text in texts:
            parts = [part for part in text.split("/") if part not in ("", ".", "..")][-24:]
            for first in range(len(parts)):
                tail = "/".join(parts[first:])
                if found := self._index.ending(tail):
                    return found
        return []

    def resolve(self, source: str, base: tuple[str, ...], mention: Mention) -> Reference:
        texts = _readings(mention.text)
        if mention.style.local:
            return self._local(source, mention, texts)
        found = self._there(base, texts)
        if found:
            return self._made(source, mention, *found)
        outside = all(_joined(base, text.split("/")) is None for text in texts)
        if mention.style is Style.CLIMBING and outside:
            paths = self._longest_end(texts)
            return self._made(source, mention, Fate.OUTSIDE if mention.sure else Fate.UNSURE, paths)
        for text in texts:
            whole = text.removeprefix("./")
            if several := self._index.ending(whole):
                return self._made(source, mention, self._spelling(whole, mention), several)
        for text in texts:
            for tail in _tails(text, mention.sure):
                found = self._there(base, [tail])
                if found:
                    return self._made(source, mention, *found)
                if several := self._index.ending(tail):
                    return self._made(source, mention, self._spelling(tail, mention), several)
        if not self._would_be_missed(mention):
            return Reference(source=source, mention=mention, fate=Fate.UNSURE)
        paths = self._longest_end(texts)
        return self._made(source, mention, Fate.MISSING, paths)

    def _local(self, source: str, mention: Mention, texts: list[str]) -> Reference:
        """Resolve a path of one computer: what it meant is the file below with the longest end in common."""
        paths = self._longest_end([_LOCAL.sub("", text, count=1) for text in texts])
        if paths:
            return self._made(source, mention, Fate.ELSEWHERE, paths)
        missing = self._would_be_missed(mention)
        return Reference(source=source, mention=mention, fate=Fate.MISSING if missing else Fate.UNSURE)

    @staticmethod
    def _would_be_missed(mention: Mention) -> bool:
        text = mention.text
        suffix = text.rpartition(".")[2].lower()
        bare = not re.search(r"[\\/]", text)
        return (
            mention.sure
            and suffix in _MISSED
            and not _TEMPLATE.search(text)
            and not (bare and _FRAGMENT.fullmatch(text))
        )


def resolve(scans: Mapping[str, Scan], entries: Iterable[Entry], ships: Iterable[str]) -> References:
    """Return what every mention in ``scans`` (by path of the file read) means among ``entries``.

    ships: the paths that players get. Linear in entries and mentions.
    """
    entries = list(entries)
    patches = {entry.path for entry in entries if entry.kind is Kind.PATCH}
    resolver = _Resolver(entries, frozenset(ships))
    items: list[Reference] = []
    for source in sorted(scans, key=lambda path: (path not in patches, path)):
        base = tuple(source.split("/")[:-1])
        items.extend(resolver.resolve(source, base, mention) for mention in scans[source].mentions)
    return References(
        items=tuple(items),
        used=frozenset(resolver.used),
        by={source: frozenset(names) for source, names in resolver.by.items()},
        fitting=resolver.fitting,
    )
