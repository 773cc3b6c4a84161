"""Away and Needs: what each claims, the evidence it needs, and everything by which it would be false while it stood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import pytest

from companion.core.evidence import AwayKind, AwayTest
from companion.core.facts import Engine, Facts
from companion.core.rules import findings_of
from companion.steps.checks import needs
from companion.steps.checks.needs import NeedsModel, Weight, requirement
from companion.trials import away_rules
from companion.trials.away_filing import filed
from companion.trials.away_rules import AwayModel

FACTS = Facts(
    engine=Engine(name="Example Engine", edition="full", saved_with="7.2", minimum="7.1", systems=("windows", "macos"))
)
MARKS: dict[AwayKind, str] = {
    "originals hidden": "open", "another computer": "open", "another player": "open", "a piece of music": "sound",
}  # fmt: skip


def given(**more: Any) -> AwayTest:
    """A test as the workshop keeps it: of this content, with the engine of the facts."""
    kind: AwayKind = more.get("kind", "another player")
    said = {"engine_version": "7.1", "system": "Windows 11", "played": "low to high", "edition": "full", "who": "Ada"}
    kept = {"kind": kind, "result": "pass", "engine": "Example Engine", "content": MARKS[kind]}
    return AwayTest(**{**kept, **said, **more})


def counting(tests: Sequence[AwayTest], facts: Facts) -> AwayModel:
    numbered = (msgspec.structs.replace(test, order=order) for order, test in enumerate(tests, 1))
    sorted_out = filed(((test, False) for test in numbered), MARKS, facts.engine.name)
    return AwayModel(facts=facts, tests=sorted_out.here, others=sorted_out.aside)


def opens(tests: Sequence[AwayTest], facts: Facts) -> bool:
    found = findings_of(away_rules.RULES, counting(tests, facts))
    return not any(finding.blocks for finding in found)


def line(name: str, value: str) -> Callable[[Sequence[AwayTest], Facts], bool]:
    def holds(tests: Sequence[AwayTest], facts: Facts) -> bool:
        lines = requirement(facts, counting(tests, facts).tests, Weight())
        (one,) = [one for one in lines if one.name == name and value in one.value]
        return one.proven

    return holds


def silent(rule: str) -> Callable[[Sequence[AwayTest], Facts], bool]:
    def holds(tests: Sequence[AwayTest], facts: Facts) -> bool:
        model = NeedsModel(facts=facts, tests=counting(tests, facts).tests)
        return rule not in [finding.rule for finding in findings_of(needs.RULES, model)]

    return holds


def engine(**more: Any) -> Facts:
    return msgspec.structs.replace(FACTS, engine=msgspec.structs.replace(FACTS.engine, **more))


CLAIMS: dict[str, Callable[[Sequence[AwayTest], Facts], bool]] = {
    "it opens away from the maker": opens,
    "it opens in the minimum": line("Engine", "or newer"),
    "nothing speaks against a minimum below what it was saved with": silent("minimum-below-saved"),
    "it opens on Windows": line("System", "Windows"),
    "nothing speaks against Windows": lambda tests, facts: silent("system-unproven")(
        tests, msgspec.structs.replace(facts, engine=msgspec.structs.replace(facts.engine, systems=("windows",)))
    ),
    "it plays in the full edition": line("Edition", "full"),
    "nothing speaks against the full edition": silent("edition-unproven"),
}
"""Each claim, as it is asked of the rules or of the lines of the requirement."""
EVERY = frozenset(CLAIMS)
MINIMUM = frozenset(claim for claim in CLAIMS if "minimum" in claim)
WINDOWS = frozenset(claim for claim in CLAIMS if "Windows" in claim)
EDITION = frozenset({"it plays in the full edition"})
DENIED = frozenset({"nothing speaks against the full edition"})
ALL_BUT_DENIED = EVERY - DENIED

# What is recorded, the facts, and the claims that it must leave unproven.
FALSIFIED: dict[str, tuple[list[AwayTest], Facts, frozenset[str]]] = {
    "nothing was tested": ([], FACTS, ALL_BUT_DENIED),
    "a result alone": ([AwayTest(kind="originals hidden", result="pass")], FACTS, ALL_BUT_DENIED),
    "the version is not said": ([given(engine_version="")], FACTS, ALL_BUT_DENIED),
    "the version is no version": ([given(engine_version="the newest")], FACTS, ALL_BUT_DENIED),
    "the version is in other digits": ([given(engine_version="７.1")], FACTS, ALL_BUT_DENIED),
    "the system is not said": ([given(system=" ")], FACTS, ALL_BUT_DENIED),
    "what was played is not said": ([given(played="…")], FACTS, ALL_BUT_DENIED),
    "another patch": ([given(content="other")], FACTS, ALL_BUT_DENIED),
    "no mark of any content": ([given(content="")], FACTS, ALL_BUT_DENIED),
    "another engine": ([given(engine="Other Engine")], FACTS, ALL_BUT_DENIED),
    "the engine was renamed": ([given()], engine(name="Other Engine"), ALL_BUT_DENIED),
    "it failed": ([given(result="fail")], FACTS, ALL_BUT_DENIED),
    "it reached for the originals": ([given(reached_originals=True)], FACTS, ALL_BUT_DENIED),
    "it failed later, same tester": ([given(), given(result="fail")], FACTS, ALL_BUT_DENIED),
    "it failed later, said in other letters": (
        [given(), given(result="fail", who="ada ", system="windows  11", engine_version="7.1.0")], FACTS, ALL_BUT_DENIED
    ),
    "it failed later, the edition left out": ([given(), given(result="fail", edition="")], FACTS, ALL_BUT_DENIED),
    "a piece of music at home": ([given(kind="a piece of music")], FACTS, ALL_BUT_DENIED),
    "a piece of music on an old engine": (
        [given(kind="a piece of music", engine_version="5.0")], engine(minimum="5.0"), ALL_BUT_DENIED
    ),
    "an engine below the minimum": ([given(engine_version="7.0")], FACTS, ALL_BUT_DENIED),
    "the minimum was raised since": ([given()], engine(minimum="7.2"), EVERY - DENIED - {
        "nothing speaks against a minimum below what it was saved with"}),
    "another player failed there": (
        [given(), given(who="Bo", result="fail")], FACTS, MINIMUM | WINDOWS | EDITION
    ),
    "another player failed there with a newer engine": (
        [given(), given(who="Bo", result="fail", engine_version="7.3")], FACTS, WINDOWS | EDITION
    ),
    "a failure on a system nobody named": (
        [given(), given(who="Bo", result="fail", system="", content="open")], FACTS, MINIMUM | WINDOWS | EDITION
    ),
    "a newer engine only": ([given(engine_version="7.2")], FACTS, MINIMUM),
    "another system only": ([given(system="macOS 15")], FACTS, WINDOWS),
    "a system nobody knows": ([given(system="a borrowed one")], FACTS, WINDOWS),
    "another edition only": ([given(edition="free")], FACTS, EDITION | DENIED),
    "any edition named": ([given(edition="Any")], FACTS, EDITION),
    "no edition named": ([given(edition="")], FACTS, EDITION),
    "any edition, from one": ([given(edition="free")], engine(edition="any, or full"), EDITION | DENIED),
}  # fmt: skip

# The nearest neighbours: each must leave every claim proven.
PROVEN: dict[str, tuple[list[AwayTest], Facts]] = {
    "another player": ([given()], FACTS),
    "another computer": ([given(kind="another computer")], FACTS),
    "originals hidden": ([given(kind="originals hidden")], FACTS),
    "no name": ([given(who="")], FACTS),
    "it failed first, then passed": ([given(result="fail"), given()], FACTS),
    "it reached first, then no more": ([given(reached_originals=True), given()], FACTS),
    "another failed on another system": ([given(), given(who="Bo", system="macOS 15", result="fail")], FACTS),
    "another failed below the minimum": ([given(), given(who="Bo", engine_version="7.0", result="fail")], FACTS),
    "another failed with other content": ([given(), given(who="Bo", content="other", result="fail")], FACTS),
    "another failed in another engine": ([given(), given(who="Bo", engine="Other", result="fail")], FACTS),
    "a piece of music failed": ([given(), given(kind="a piece of music", result="fail")], FACTS),
    "a newer engine as well": ([given(), given(engine_version="7.3")], FACTS),
    "another edition as well": ([given(edition="free"), given(edition="Full ")], FACTS),
    "a build of the minimum": ([given(engine_version="7.1.0")], FACTS),
    "said less, later": ([given(), given(played="", content="")], FACTS),
}


@pytest.mark.parametrize("case", FALSIFIED)
def test_a_claim_that_something_falsifies_does_not_stand(case: str) -> None:
    tests, facts, fallen = FALSIFIED[case]
    held = {claim for claim, holds in CLAIMS.items() if claim in fallen and holds(tests, facts)}
    assert held == set(), "proven all the same"


@pytest.mark.parametrize("case", FALSIFIED)
def test_and_no_claim_beside_it_falls(case: str) -> None:
    tests, facts, fallen = FALSIFIED[case]
    if facts.engine.minimum != FACTS.engine.minimum or facts.engine.edition != FACTS.engine.edition:
        return  # other lines
    assert {claim for claim, holds in CLAIMS.items() if claim not in fallen and not holds(tests, facts)} == set()


@pytest.mark.parametrize("case", PROVEN)
def test_with_its_evidence_each_claim_stands(case: str) -> None:
    tests, facts = PROVEN[case]
    assert {claim for claim, holds in CLAIMS.items() if not holds(tests, facts)} == set()


def test_a_tester_is_not_outweighed_by_someone_else_nor_by_less() -> None:
    failed = given(result="fail")
    for later in (given(who="Bo"), given(engine_version="7.2"), given(system="macOS 15"), given(played="")):
        tests = counting([failed, later], FACTS).tests
        assert failed.result in [test.result for test in tests]
        assert not line("System", "Windows")([failed, later], FACTS)


def test_any_edition_takes_two() -> None:
    facts = engine(edition="any")
    assert not line("Edition", "any")([given(edition="free")], facts)
    assert not line("Edition", "any")([given(edition="")], facts)
    assert not line("Edition", "any")([given(edition="free"), given(edition="any")], facts)
    assert line("Edition", "any")([given(edition="free"), given(edition="full")], facts)
    assert silent("edition-unproven")([given(edition="free")], facts)
