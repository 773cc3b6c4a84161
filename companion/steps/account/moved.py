"""How far a folder has moved from one state to another, counted in what a maker works on. Pure."""

from collections import Counter
from collections.abc import Callable, Iterable

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
    samples, patches, scripts, others = _Tally(), _Tally(), _Tally(), _Tally()
    facts = False
    for path, before, after in changes:
        kind = kind_of(path)
        if path == FACTS_FILE:
            facts = True
        elif kind.audible:
            samples.add(before, after)
        elif kind is Kind.PATCH:
            patches.add(before, after)
        elif kind is Kind.SCRIPT:
            scripts.add(before, after)
        elif kind is not Kind.SYSTEM:
            others.add(before, after)
    return Moved(
        samples=samples.counts(),
        patches=patches.counts(),
        scripts=scripts.counts(),
        facts=facts,
        others=others.counts().total,
    )


class _Tally:
    """Changes of one kind of file, counted as they come."""

    def __init__(self) -> None:
        self._gone: Counter[str] = Counter()
        self._come: Counter[str] = Counter()
        self._changed = 0

    def add(self, before: str | None, after: str | None) -> None:
        if before is None and after is not None:
            self._come[after] += 1
        elif after is None and before is not None:
            self._gone[before] += 1
        else:
            self._changed += 1

    def counts(self) -> Counts:
        renamed = (self._gone & self._come).total()
        return Counts(
            added=self._come.total() - renamed,
            removed=self._gone.total() - renamed,
            changed=self._changed,
            renamed=renamed,
        )
