"""Three-way merge of lists, after S. Khanna, K. Kunal, B. C. Pierce, "A Formal Investigation of Diff3" (2007)."""

from collections.abc import Iterator, Sequence
from difflib import SequenceMatcher
from typing import Literal, NamedTuple


class Hunk(NamedTuple):
    """A stretch of the base, and what stands in its place on either side.

    what: ``same`` where both sides have the same (most often the base), ``own`` or ``other`` where only that side
    changed the base, ``conflict`` where both changed it, each otherwise.
    """

    what: Literal["same", "own", "other", "conflict"]
    base: list[str]
    own: list[str]
    other: list[str]

    @property
    def merged(self) -> list[str]:
        """What stands in the merge; of a conflict, what is one's own."""
        return self.other if self.what == "other" else self.own


def three_way(base: Sequence[str], own: Sequence[str], other: Sequence[str]) -> Iterator[Hunk]:
    """Yield the pieces in order: together they are all of the base, and all of both sides."""
    in_own, in_other = _matched(base, own), _matched(base, other)
    agreed = [(at, in_own[at], in_other[at]) for at in range(len(base)) if at in in_own and at in in_other]
    i = j = k = 0
    for at, one, two in [*agreed, (len(base), len(own), len(other))]:
        if at > i or one > j or two > k:
            yield _told(list(base[i:at]), list(own[j:one]), list(other[k:two]))
        if at < len(base):
            line = [base[at]]
            yield Hunk("same", line, line, line)
        i, j, k = at + 1, one + 1, two + 1


def _told(base: list[str], own: list[str], other: list[str]) -> Hunk:
    if own == other:
        return Hunk("same", base, own, other)
    if own == base:
        return Hunk("other", base, own, other)
    return Hunk("own" if other == base else "conflict", base, own, other)


def _matched(base: Sequence[str], side: Sequence[str]) -> dict[int, int]:
    """Return where each place of the base that a side has kept lies there."""
    blocks = SequenceMatcher(None, base, side, autojunk=False).get_matching_blocks()
    return {block.a + at: block.b + at for block in blocks for at in range(block.size)}
