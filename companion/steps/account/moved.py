"""How far a folder has moved from one state to another, counted in what a maker works on. Pure."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence

import msgspec

from companion.core.entries import Kind
from companion.core.facts import FACTS_FILE
from companion.core.text import plural

Change = tuple[str, str | None, str | None]
"""A path, and what tells its content before and after; None where there is no such file."""


class Counts(msgspec.Struct, frozen=True, kw_only=True):
    """How many files of one kind came, went, hold something else, or lie elsewhere under the same content."""

    added: int = 0
    removed: int = 0
    changed: int = 0
    renamed: int = 0

    @property
    def total(self) -> int:
        """How many are not as they were."""
        return self.added + self.removed + self.changed + self.renamed

    def phrases(self, one: str, many: str, *, bare: bool = False) -> list[str]:
        """Return ``2 samples added``, ``1 removed``; ``bare``: a single one without its number, ``patch changed``."""
        there = [(name, count) for name in self.__struct_fields__ if (count := getattr(self, name))]
        if not there:
            return []
        (verb, count), *rest = there
        first = f"{one} {verb}" if bare and count == 1 else f"{plural(count, one, many)} {verb}"
        return [first, *(f"{count:,} {verb}" for verb, count in rest)]


class Moved(msgspec.Struct, frozen=True, kw_only=True):
    """What differs between two states. samples: impulse responses among them. facts: whether ``release.toml`` differs.

    others: files of any other kind, but those that only a system writes.
    """

    samples: Counts = Counts()
    patches: Counts = Counts()
    scripts: Counts = Counts()
    facts: bool = False
    others: int = 0

    @property
    def worked(self) -> bool:
        """Whether a patch, a script or the facts differ: what is worked on again and again, in one file."""
        return bool(self.patches.total or self.scripts.total or self.facts)

    @property
    def any(self) -> bool:
        """Whether anything of the maker's differs."""
        return bool(self.samples.total or self.worked or self.others)

    @property
    def text(self) -> str:
        """All of it in a few words, such as ``2 samples added, 1 changed, patch changed``; empty for nothing."""
        parts = [
            *self.samples.phrases("sample", "samples"),
            *self.patches.phrases("patch", "patches", bare=True),
            *self.scripts.phrases("script", "scripts", bare=True),
        ]
        parts += ["facts changed"] if self.facts else []
        parts += [plural(self.others, "other file")] if self.others else []
        return ", ".join(parts)


def moved_by(changes: Iterable[Change], kind_of: Callable[[str], Kind]) -> Moved:
    """Count changes. The same content at another path is one file renamed, not one removed and one added."""
    groups: dict[Kind | None, list[Change]] = defaultdict(list)
    for change in changes:
        kind = kind_of(change[0])
        groups[None if change[0] == FACTS_FILE else Kind.SAMPLE if kind.audible else kind].append(change)
    named = (Kind.SAMPLE, Kind.PATCH, Kind.SCRIPT)
    samples, patches, scripts = (_counts(groups[kind]) for kind in named)
    others = [one for kind, group in groups.items() if kind not in (None, *named, Kind.SYSTEM) for one in group]
    return Moved(samples=samples, patches=patches, scripts=scripts, facts=None in groups, others=_counts(others).total)


def _counts(changes: Sequence[Change]) -> Counts:
    come = Counter(after for _, before, after in changes if before is None)
    gone = Counter(before for _, before, after in changes if after is None)
    renamed = (gone & come).total()
    return Counts(
        added=come.total() - renamed,
        removed=gone.total() - renamed,
        changed=len(changes) - come.total() - gone.total(),
        renamed=renamed,
    )
