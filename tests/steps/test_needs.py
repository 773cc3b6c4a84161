"""Needs: each rule with its neighbour, and the requirement with what each line rests on."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from companion.core.evidence import AwayTest
from companion.core.facts import Facts
from companion.core.findings import Finding, Severity
from companion.core.rules import findings_of
from companion.core.systems import system_of
from companion.steps.checks.needs import RULES, Line, NeedsModel, Weight, next_test, proof_of_minimum, requirement

Away = Callable[..., AwayTest]
Spoil = Callable[..., Facts]


def check(facts: Facts, tests: Sequence[AwayTest]) -> tuple[Finding, ...]:
    return findings_of(RULES, NeedsModel(facts=facts, tests=tests))


def ids(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.rule for finding in findings]


@pytest.fixture
def both(away: Away) -> tuple[AwayTest, ...]:
    """A passed away test on each system that the facts name, on the minimum."""
    return away(), away(system="macOS 14")


def test_a_minimum_that_was_tested_on_every_system_is_silent(facts: Facts, both: tuple[AwayTest, ...]) -> None:
    assert check(facts, both) == ()


@pytest.mark.parametrize("minimum", ["", "  "])
def test_no_minimum(spoil: Spoil, both: tuple[AwayTest, ...], minimum: str) -> None:
    (finding,) = check(spoil(engine={"minimum": minimum}), both)
    assert (finding.rule, finding.where, finding.severity) == ("minimum-unset", "engine.minimum", Severity.BLOCKS)


NOBODY = ["minimum-unproven", "minimum-unbacked"]
"""A test in an engine that is too old, or that nobody named, opened nothing of what is promised."""


@pytest.mark.parametrize(
    ("minimum", "saved", "tested", "rules"),
    [
        ("7.1", "7.2", "7.2", ["minimum-below-saved"]),
        ("7.2", "7.2 build 4", "7.2 build 4", ["minimum-below-saved"]),
        ("7.1", "7.2", "7.1", []),
        ("7.1", "7.2", "7.0", ["minimum-below-saved"]),
        ("7.2", "7.2", "7.2", []),
        ("7.2.0", "7.2", "7.2", []),
        ("7.2", "7.2", "7.3", ["minimum-unproven"]),
        ("7.3", "7.2", "7.4", ["minimum-unproven"]),
        ("7.3", "7.2", "7.2", NOBODY),
        ("7.3", "7.2", "7.3.0", []),
        ("7.2", "7.2", "", NOBODY),
        ("7.2", "7.2", "the newest", NOBODY),
    ],
)
def test_a_minimum_below_what_it_was_saved_with_and_one_nobody_has_tried(
    spoil: Spoil, away: Away, minimum: str, saved: str, tested: str, rules: list[str]
) -> None:
    facts = spoil(engine={"minimum": minimum, "saved_with": saved, "systems": ()})
    findings = check(facts, [away(engine_version=tested)])
    assert ids(findings) == rules
    assert [finding.severity for finding in findings] == [
        Severity.BLOCKS if rule == "minimum-below-saved" else Severity.WARNS for rule in rules
    ]


@pytest.mark.parametrize("more", [{"result": "fail"}, {"reached_originals": True}])
def test_a_test_that_failed_or_reached_the_originals_shows_nothing(
    spoil: Spoil, away: Away, more: dict[str, object]
) -> None:
    tests = [away(engine_version="7.1", **more)]
    stated = spoil(engine={"minimum": "7.1", "systems": ("windows",)})
    assert proof_of_minimum(stated, tests) is None
    findings = check(stated, tests)
    assert ids(findings) == ["minimum-below-saved", "system-unproven"]
    assert findings[1].measured == "Windows: a test failed there"
    assert proof_of_minimum(stated, [*tests, away(engine_version="7.1")]) is not None


def test_a_minimum_that_is_no_version_is_none(spoil: Spoil, both: tuple[AwayTest, ...]) -> None:
    (finding,) = check(spoil(engine={"minimum": "seven"}), both)
    assert (finding.rule, finding.measured, finding.blocks) == ("minimum-unset", "“seven”", True)


@pytest.mark.parametrize("saved", ["", "seven"])
def test_a_minimum_that_nothing_backs_is_not_known(spoil: Spoil, both: tuple[AwayTest, ...], saved: str) -> None:
    facts = spoil(engine={"saved_with": saved})
    found = {finding.rule: finding for finding in check(facts, ())}
    assert found["minimum-unbacked"].unknown
    assert found["minimum-unbacked"].measured == "7.2: nothing backs it"
    assert check(facts, both) == ()


def test_the_version_it_was_saved_with_backs_a_minimum_only_where_it_was_opened_at_all(
    spoil: Spoil, away: Away, both: tuple[AwayTest, ...]
) -> None:
    def unbacked(*tests: AwayTest) -> list[str]:
        return [one.measured for one in check(spoil(), tests) if one.rule == "minimum-unbacked"]

    stated = ["7.2: stated, and no away test of this content has passed"]
    assert unbacked() == stated
    assert unbacked(away(engine_version="7.3", result="fail")) == stated
    assert unbacked(away(engine_version="7.3", reached_originals=True)) == stated
    assert unbacked(away(engine_version="7.3", kind="a piece of music")) == stated
    assert unbacked(away(engine_version="7.3")) == []
    assert unbacked(*both) == []


def test_a_version_it_was_saved_with_that_cannot_be_read_is_the_facts_to_tell(
    spoil: Spoil, both: tuple[AwayTest, ...]
) -> None:
    assert check(spoil(engine={"saved_with": "seven"}), both) == ()


def test_a_system_nobody_has_tried(spoil: Spoil, away: Away) -> None:
    (finding,) = check(spoil(), [away(system="Windows 11")])
    assert (finding.rule, finding.measured) == ("system-unproven", "macOS: not tested")
    assert finding.severity is Severity.WARNS
    assert check(spoil(engine={"systems": ("windows",)}), [away(system="Windows 11")]) == ()
    assert check(spoil(engine={"systems": ()}), [away(system="Haiku")]) == ()


@pytest.mark.parametrize("edition", ["", " "])
def test_no_edition(spoil: Spoil, both: tuple[AwayTest, ...], edition: str) -> None:
    (finding,) = check(spoil(engine={"edition": edition}), both)
    assert (finding.rule, finding.severity) == ("edition-unstated", Severity.WARNS)


@pytest.mark.parametrize(
    ("text", "system"),
    [
        ("Windows 11", "windows"),
        ("win10", "windows"),
        ("WINDOWS", "windows"),
        ("a win laptop", "windows"),
        ("macOS 14.2", "macos"),
        ("Mac OS X", "macos"),
        ("OSX 10.9", "macos"),
        ("os x", "macos"),
        ("my iMac", "macos"),
        ("MacBook", "macos"),
        ("Darwin 23", "macos"),
        ("Linux, kernel 6.1", "linux"),
        ("GNU/Linux", "linux"),
        ("Linux with kwin", "linux"),
        ("Linux, written in emacs", "linux"),
        ("Linux, one machine of two", "linux"),
        ("Ubuntu 24.04", "linux"),
        ("Debian 12", "linux"),
        ("openSUSE Leap", "linux"),
        ("Arch", "linux"),
        ("Sonoma", "macos"),
        ("high sierra", "macos"),
        ("Big Sur 11.7", "macos"),
        ("", ""),
        ("my old laptop", ""),
        ("a machine in the archive", ""),
        ("the peppermint computer", ""),
    ],
)
def test_which_system_a_person_means(text: str, system: str) -> None:
    assert system_of(text) == system


def line(lines: tuple[Line, ...], name: str) -> Line:
    return next(one for one in lines if one.name == name)


def test_each_line_of_the_requirement_says_what_it_rests_on(facts: Facts, away: Away) -> None:
    weight = Weight(samples=1200, seconds=185, memory=2 * 10**9, unpacked=1_250_000_000, download=999_999)
    lines = requirement(facts, [away(system="Windows 11")], weight)
    told = [(one.name, one.value, one.proven) for one in lines]
    assert told == [
        ("Engine", "Example Engine 7.2 or newer", True),
        ("Edition", "any", False),
        ("System", "Windows", True),
        ("System", "macOS", False),
        ("Download", "1.00 MB (977 KiB)", True),
        ("Disk, unpacked", "1.25 GB (1.16 GiB)", True),
        ("Memory", "2.00 GB (1.86 GiB) with every sample loaded", True),
        ("Samples", "1,200 samples, 3 min 05 s of sound", True),
    ]
    assert lines[0].because == "an away test on 7.2 passed"
    assert lines[1].because == "as stated by the maker; opened in free alone"
    assert lines[2].because == "opened and played on Windows 11"
    assert lines[3].because == "as stated by the maker; not tried there yet"


def test_what_is_not_known_is_said_to_be_so_and_never_proven(facts: Facts, spoil: Spoil) -> None:
    lines = requirement(facts, (), Weight(samples=1))
    assert not line(lines, "Engine").proven
    assert line(lines, "Edition").because == "as stated by the maker"
    assert not any(one.proven for one in lines if one.name == "System")
    assert (line(lines, "Download").value, line(lines, "Download").proven) == ("not built yet", False)
    assert line(lines, "Samples").value == "1 sample"
    assert "Memory" not in [one.name for one in lines]
    bare = requirement(spoil(engine={"minimum": "", "name": "", "edition": ""}), (), Weight())
    assert line(bare, "Engine").value == "Engine not stated, version not stated"
    assert "Edition" not in [one.name for one in bare]


def test_a_system_that_was_tested_though_not_stated_is_told_too(spoil: Spoil, away: Away) -> None:
    lines = requirement(spoil(engine={"systems": ()}), [away(system="Linux")], Weight())
    assert [(one.value, one.proven) for one in lines if one.name == "System"] == [("Linux", True)]


def test_what_helpers_wrote_is_shown_inert(facts: Facts, away: Away) -> None:
    tests = [away(system="Windows \x1b[2J", edition="\u202efree", engine_version="7.2")]
    for one in requirement(facts, tests, Weight()):
        assert "\x1b" not in one.because + one.value
        assert "\u202e" not in one.because + one.value
    assert "Windows \\x1b[2J" in line(requirement(facts, tests, Weight()), "System").because


def test_the_next_test_is_the_one_that_would_settle_most(facts: Facts, spoil: Spoil, away: Away) -> None:
    yours = "that it opens on a computer that is not yours"
    assert next_test(facts, ()) == (
        "Most useful next: a test on Windows with Example Engine 7.2. "
        f"It would settle Windows, the minimum of 7.2 and {yours}."
    )
    assert next_test(facts, (away(),)) == "Most useful next: a test on macOS. It would settle macOS."
    assert next_test(facts, (away(), away(system="macOS 14"))) == ""
    assert next_test(facts, (away(engine_version="7.3"), away(system="macOS 14", engine_version="7.3"))) == (
        "Most useful next: a test on another computer with Example Engine 7.2. It would settle the minimum of 7.2."
    )
    at_home = (away(kind="originals hidden"), away(kind="originals hidden", system="macOS 14"))
    assert next_test(facts, at_home) == f"Most useful next: a test on another computer. It would settle {yours}."
    full = spoil(engine={"edition": "Full"})
    with_it = "a test on another computer with Example Engine, Full edition"
    told = next_test(full, (away(), away(system="macOS 14")))
    assert told == f"Most useful next: {with_it}. It would settle the Full edition."
    assert next_test(full, (away(edition="full"), away(system="macOS 14"))) == ""


def test_a_test_that_failed_leaves_its_question_open(facts: Facts, away: Away) -> None:
    tests = (away(), away(system="macOS 14", result="fail"))
    assert "a test on macOS" in next_test(facts, tests)
    assert "the minimum of 7.2" in next_test(
        facts, (away(result="fail"), away(system="macOS 14", engine_version="7.3"))
    )
