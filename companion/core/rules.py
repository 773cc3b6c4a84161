"""Rules: what is looked for, why it matters, how to mend it, and the check that finds it, as one object.

A rule is made where its check stands::

    @rule("starts-hot", WARNS, step="sound", version=2, rests_on=(EDGES,), means="…", why="…", mend="…",
          limit="first sample under {bound} of the peak", unit="%", bound=20)
    def starts_hot(model: SoundModel) -> Iterator[Finding]:
        yield starts_hot.finding(path, at=At(frames=(0, 1), rate=48_000), value=34.0)

and listed in its room's plain tuple. The name is then the rule: calling it looks for the fault.
"""

from collections.abc import Callable, Iterable
from typing import Any, Final, Generic, TypeVar

import msgspec

from companion.core.describe import Value, filled, value_text, where_text
from companion.core.findings import NOWHERE, At, Finding, Severity

M = TypeVar("M")
NO_SOURCE: Final = "common practice, no source"


class Measure(msgspec.Struct, frozen=True):
    """Something measured of content; ``version`` rises whenever the same content may measure otherwise."""

    id: str
    version: int


AUDIO_HEADERS: Final = Measure("audio-headers", 1)
"""What audio files say of themselves without being decoded. One room reads it and another judges it, so it stands here;
it rises too when more or fewer files count as unreadable or cut off.
"""


class Rule(msgspec.Struct, Generic[M], frozen=True):
    """What a check looks for, and the check itself.

    id: the name in the fault catalogue. step: the id of the step that catches it. version: raised whenever the verdict
    on the same input may change. rests_on: the measures that the verdict comes from. means: the fault in one sentence.
    why: what a player would suffer. mend: how to put it right. limit: the limit as a sentence, with ``{bound}`` for
    the default ``bound`` in ``unit``. source: where rule and limit come from. unknown: its findings say "could not
    tell" rather than "wrong".
    """

    id: str
    step: str
    severity: Severity
    check: Callable[[M], Iterable[Finding]]
    means: str
    why: str
    mend: str
    version: int = 1
    rests_on: tuple[Measure, ...] = ()
    limit_template: str = ""
    unit: str = ""
    bound: float | None = None
    source: str = NO_SOURCE
    unknown: bool = False

    def __call__(self, model: M) -> list[Finding]:
        """Return what the check finds in ``model``."""
        return list(self.check(model))

    @property
    def limit(self) -> str:
        """The default limit as people read it; empty where there is none."""
        return filled(self.limit_template, bound=value_text(self.bound, self.unit))

    def finding(
        self,
        path: str = "",
        *,
        at: At = NOWHERE,
        value: Value | None = None,
        unit: str | None = None,
        bound: float | None = None,
        says: str = "{value}",
        where: str | None = None,
        limit: str | None = None,
        mend: str | None = None,
        severity: Severity | None = None,
    ) -> Finding:
        """Return a finding of this rule; its sentences are written from the data.

        path: relative, with forward slashes. value, unit, bound: what was measured and what it was held against;
        ``unit`` and ``bound`` are the rule's own where not given. says: what was found, with ``{value}`` for the value
        and its unit. where, limit, mend, severity replace what follows from the data and the rule. Without a value or a
        bound the sentence stands as it is given, so that it may hold text of a file.
        """
        unit = self.unit if unit is None else unit
        bound = self.bound if bound is None else bound
        limit = self.limit_template if limit is None else limit
        return Finding(
            rule=self.id,
            severity=severity or self.severity,
            path=path,
            at=at,
            value=value,
            unit=unit,
            bound=bound,
            where=where_text(at) if where is None else where,
            measured=filled(says, value=value_text(value, unit)) if value is not None or says == "{value}" else says,
            limit=filled(limit, bound=value_text(bound, unit)) if bound is not None else limit,
            why=self.why,
            mend=self.mend if mend is None else mend,
            unknown=self.unknown,
        )


def rule(
    id: str,  # noqa: A002 -- what it is called everywhere else
    severity: Severity,
    *,
    step: str,
    means: str,
    why: str,
    mend: str,
    version: int = 1,
    rests_on: tuple[Measure, ...] = (),
    limit: str = "",
    unit: str = "",
    bound: float | None = None,
    source: str = NO_SOURCE,
    unknown: bool = False,
) -> Callable[[Callable[[M], Iterable[Finding]]], Rule[M]]:
    """Make the decorated check a :class:`Rule`; see there for the arguments."""

    return lambda check: Rule(
        id, step, severity, check, means, why, mend, version, rests_on, limit, unit, bound, source, unknown
    )


def findings_of(rules: Iterable[Rule[M]], model: M) -> tuple[Finding, ...]:
    """Return what rules find in ``model``, rule by rule."""
    return tuple(finding for one in rules for finding in one(model))


def judge_of(rules: Iterable[Rule[Any]]) -> dict[str, int]:
    """Return who judges: the version of each rule, and of each measure they rest on, by id."""
    listed = list(rules)
    measures = {measure.id: measure.version for one in listed for measure in one.rests_on}
    return {**measures, **{one.id: one.version for one in listed}}
