"""Away tests filed: which of all that were ever recorded count now, and why the others do not."""

from collections.abc import Iterable, Mapping
from typing import Final, Literal

import msgspec

from companion.core.evidence import AwayKind, AwayTest
from companion.trials.away import unsaid

Why = Literal["other content", "another engine", "not all said"]


class Aside(AwayTest, frozen=True, kw_only=True):
    """An away test that does not count, and why."""

    why: Why


WHY: Final[Mapping[str, str]] = {
    "other content": "made with other content",
    "another engine": "made with another engine than the facts name",
    "not all said": "without the engine’s version, the system or what was played",
}
"""Each reason as it stands behind the tests: ``2 away tests made with other content``."""


class Filed(msgspec.Struct, frozen=True, kw_only=True):
    """Every away test, in the order they were recorded. here: those that count; aside: those that do not."""

    here: tuple[AwayTest, ...] = ()
    aside: tuple[Aside, ...] = ()


def filed(given: Iterable[tuple[AwayTest, bool]], marks: Mapping[AwayKind, str], engine: str) -> Filed:
    """Return the tests of ``given`` filed.

    given: each test with whether it was kept for the content as it is, which decides only for tests without a mark of
    their own. marks: of what each kind rests on, as it is now. engine: what the facts call the engine now.
    """
    known: dict[AwayTest, bool] = {}
    for test, kept_for_this in given:
        known[test] = known.get(test, False) or kept_for_this
    here, aside = [], []
    for test in sorted(known, key=lambda test: test.order):
        same = test.content == marks[test.kind] if test.content else known[test]
        if why := _why_not(test, engine, same=same):
            aside.append(Aside(**msgspec.structs.asdict(test), why=why))
        else:
            here.append(test)
    return Filed(here=tuple(here), aside=tuple(aside))


def _why_not(test: AwayTest, engine: str, *, same: bool) -> Why | None:
    """Return why a test does not count. What failed is believed however little was said of it."""
    if not same:
        return "other content"
    if test.engine and _plain(test.engine) != _plain(engine):
        return "another engine"
    if test.result == "pass" and not test.reached_originals and unsaid(test):
        return "not all said"
    return None


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()
