"""Which files make an archive heavy, and what could be saved; for a maker whose host has an upload limit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping

import msgspec

from companion.archive.plan import Plan


class Heavy(msgspec.Struct, frozen=True, kw_only=True):
    """One file: its bytes, its share of the whole (0 to 1), and the bytes that each remedy would save on it."""

    path: str
    bytes: int
    share: float
    savings: dict[str, int] = {}


class Weight(msgspec.Struct, frozen=True, kw_only=True):
    """What weighs most, heaviest first, and what each remedy would save on the whole, in bytes of the content.

    twins: bytes of files that repeat another's content: one of each would do, if the patch referred to that one.
    """

    bytes: int
    heaviest: tuple[Heavy, ...]
    savings: dict[str, int]
    twins: int

    def enough(self, over: int) -> dict[str, bool]:
        """Tell for each remedy whether it alone would bring an archive ``over`` bytes too large under its limit."""
        return {remedy: saved >= over for remedy, saved in self.savings.items()}


def weight(plan: Plan, savings: Mapping[str, Mapping[str, int]] | None = None, most: int = 20) -> Weight:
    """Return what weighs most in ``plan``.

    savings: by remedy, such as ``lossless packing`` or ``shorter tails``, the bytes it would save by path under the
    top folder. They come from whoever measured the samples.
    """
    savings = savings or {}
    total = plan.size
    skip = len(plan.top) + 1
    by_path = {member.name[skip:]: member for member in plan.members}
    heaviest = sorted(by_path.items(), key=lambda item: (-item[1].size, item[0]))[:most]
    sizes: defaultdict[str, list[int]] = defaultdict(list)
    for member in plan.members:
        sizes[member.sha256].append(member.size)
    return Weight(
        bytes=total,
        heaviest=tuple(
            Heavy(
                path=path,
                bytes=member.size,
                share=member.size / total if total else 0.0,
                savings={remedy: saved[path] for remedy, saved in savings.items() if saved.get(path)},
            )
            for path, member in heaviest
        ),
        savings={
            remedy: sum(count for path, count in saved.items() if path in by_path and count > 0)
            for remedy, saved in savings.items()
        },
        twins=sum(sum(same[1:]) for same in sizes.values()),
    )
