"""A new draft laid over what stands, so that nothing the maker wrote is lost.

Three-way by paragraph: the last draft is the base, what stands is one side, the new draft the other. Where both
changed the same place the maker's words stay and the draft's are reported. Without a base, what stands is all the
maker's, but for paragraphs that equal the draft's, numbers aside: those are taken to be an older draft's.
"""

import re
from collections.abc import Iterable
from difflib import SequenceMatcher
from typing import Final

import msgspec

from companion.words.three_way import three_way

_STARTS: Final = re.compile(r"\s*(?:[-*+•]\s|\d+[.)]\s|#{1,6}\s|[<|>]|```|~~~)")
_UNDERLINE: Final = re.compile(r"\s{0,3}(?:=+|-{2,})\s*")
_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)*")


class Clash(msgspec.Struct, frozen=True, kw_only=True):
    """A place of the maker's wording (own) where the draft says otherwise (drafted) than it did (old)."""

    own: str
    old: str
    drafted: tuple[str, ...]


class Merged(msgspec.Struct, frozen=True, kw_only=True):
    """The merged text.

    conflicts: drafts' paragraphs left out because the maker's own stand in their place; clashes: the same by place.
    replaced: paragraphs taken for an older draft's, where no base was there to tell; the draft's stand instead.
    """

    text: str
    conflicts: tuple[str, ...] = ()
    clashes: tuple[Clash, ...] = ()
    replaced: tuple[str, ...] = ()


def units(text: str) -> list[str]:
    """Return ``text`` in the pieces that are merged: paragraphs, list items, headings, blank lines.

    A line belongs to the one before it where it goes on with its paragraph; joined by line feeds they are the text.
    """
    found: list[str] = []
    for line in text.split("\n"):
        goes_on = found and found[-1].strip() and line.strip() and not _STARTS.match(line)
        heading = found and found[-1].lstrip().startswith(("#", "<"))
        if goes_on and not heading:
            found[-1] += "\n" + line
        else:
            found.append(line)
    return found


def merge(last_draft: str | None, standing: str | None, new_draft: str) -> Merged:
    """Return ``new_draft`` merged into ``standing``, of which ``last_draft`` is the part that was generated before.

    standing None: nothing stands, the draft does. Every line of ``standing`` that ``last_draft`` does not have is in
    the result, in its order. Line endings become line feeds.
    """
    if standing is None or not standing.strip():
        return Merged(text=new_draft)
    mine, new = standing.replace("\r\n", "\n"), new_draft.replace("\r\n", "\n")
    if mine == new:
        return Merged(text=mine)
    if last_draft is None:
        return _without_base(units(mine), units(new))
    return _with_base(units(last_draft.replace("\r\n", "\n")), units(mine), units(new))


def _with_base(base: list[str], mine: list[str], new: list[str]) -> Merged:
    out: list[str] = []
    clashes: list[Clash] = []
    for piece in three_way(base, mine, new):
        if piece.what != "conflict":
            out += piece.merged
            continue
        _, old, own, drafted = piece
        both = _both(old, own, drafted)
        if both is None:
            out += own
            left_out = tuple(unit for unit in drafted if unit.strip() and unit not in own)
            clashes.append(Clash(own=_joined(own), old=_joined(old), drafted=left_out))
        else:
            out += both
    conflicts = tuple(unit for clash in clashes for unit in clash.drafted)
    return Merged(text="\n".join(out), conflicts=conflicts, clashes=tuple(clashes))


def unsettled(before: Iterable[Clash], merged: Merged, new_draft: str) -> Merged:
    """Return a merge with the clashes told ``before`` that nobody has settled, and without those that are settled.

    One is settled when the maker changed the words it was told of, took the draft's in, or when the draft says again
    what it said at first. What the maker took out is told once and settled by that.
    """
    mine = merged.text.replace("\r\n", "\n")
    standing, drafted = set(units(mine)), set(units(new_draft.replace("\r\n", "\n")))
    known = {clash.own: clash for clash in before}
    found: dict[str, Clash] = {}
    conflicts = [] if merged.clashes else list(merged.conflicts)
    for clash in merged.clashes:
        old = known.pop(clash.own, clash).old
        if old != "\n".join(clash.drafted):
            conflicts += clash.drafted
            if clash.own:
                found[clash.own] = msgspec.structs.replace(clash, old=old)
    for own, clash in known.items():
        if own in mine and drafted.issuperset(clash.drafted) and not standing.issuperset(clash.drafted):
            conflicts += clash.drafted
            found[own] = clash
    return msgspec.structs.replace(merged, conflicts=tuple(dict.fromkeys(conflicts)), clashes=tuple(found.values()))


def _joined(lines: Iterable[str]) -> str:
    return "\n".join(lines).strip("\n")


def _both(old: list[str], own: list[str], drafted: list[str]) -> list[str] | None:
    """Return both sides of a conflict where one of them only added to what stood, else None."""
    added = _added(old, own)
    if added:
        ahead, behind = added
        if not old and drafted and drafted[0].strip() and behind and not behind[0].strip():
            return drafted + behind  # the draft goes on with the list above; the maker's paragraph comes after it
        return ahead + drafted + behind if old else behind + drafted
    added = _added(old, drafted)
    return added and added[0] + own + added[1]


def _added(old: list[str], new: list[str]) -> tuple[list[str], list[str]] | None:
    """Return what ``new`` has ahead of ``old`` and behind its first line, where it only adds to it; else None."""
    codes = SequenceMatcher(None, old, new, autojunk=False).get_opcodes()
    if any(code[0] not in ("equal", "insert") for code in codes):
        return None
    ahead: list[str] = []
    behind: list[str] = []
    for tag, start, _, low, high in codes:
        if tag == "insert":
            (ahead if start == 0 and old else behind).extend(new[low:high])
    return ahead, behind


def _key(unit: str) -> str:
    return _NUMBER.sub("0", " ".join(unit.split()))


def _without_base(mine: list[str], new: list[str]) -> Merged:
    """Align on paragraphs alike but for their numbers; the maker's others follow the one they stood behind."""
    real = [unit for unit in new if unit.strip()]
    own = [unit for unit in mine if unit.strip() and not _UNDERLINE.fullmatch(unit)]
    matcher = SequenceMatcher(None, [_key(unit) for unit in own], [_key(unit) for unit in real], autojunk=False)
    kept: dict[int, list[str]] = {}  # the maker's paragraphs by how many of the draft's stand before them
    replaced: list[str] = []
    for tag, low, high, start, _ in matcher.get_opcodes():
        if tag == "equal":
            replaced += [unit for unit, fresh in zip(own[low:high], real[start:], strict=False) if unit != fresh]
        elif low != high:
            kept[start] = own[low:high]
    out: list[str] = []
    done = 0
    for unit in new:
        if unit.strip():
            out += _apart(kept.pop(done, []), out)
            done += 1
        out.append(unit)
    for rest in kept.values():
        out = [*_trimmed(out), "", *_apart(rest, [])]
    return Merged(text="\n".join(out), replaced=tuple(replaced))


def _apart(items: list[str], before: list[str]) -> list[str]:
    if not items:
        return []
    first = [""] if before and before[-1].strip() else []
    return [*first, *(part for unit in items for part in (unit, ""))]


def _trimmed(lines: list[str]) -> list[str]:
    while lines and not lines[-1].strip():
        lines = lines[:-1]
    return lines
