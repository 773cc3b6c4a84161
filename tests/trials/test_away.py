"""Away tests: what is refused, which test stands, and which proves that it opens."""

from __future__ import annotations

from typing import get_args

import msgspec
import pytest

from companion.core.evidence import AwayKind, AwayTest
from companion.core.facts import Engine, Facts
from companion.trials.away import KINDS, opened, refuse, refuse_name, refuse_too_old, standing

FACTS = Facts(engine=Engine(name="Example Engine", saved_with="7.2", minimum="7.1"))

SAID = {"system": "Windows 11", "played": "low, middle and high"}


def elsewhere(version: str = "7.1", **more: object) -> AwayTest:
    values = {"kind": "another computer", "result": "pass", "engine_version": version, **SAID, **more}
    return AwayTest(**values)  # type: ignore[arg-type]


@pytest.mark.parametrize("who", ["", "Ada", "A. B.", "Anna Maria", "Zoë", "  Ada  "])
def test_a_first_name_or_initials_are_kept(who: str) -> None:
    assert refuse_name(who) is None


@pytest.mark.parametrize(
    "who", ["Ada B. Cee", "ada@example.org", "Wolfeschlegelsteinhausen", "0151 555", "/home/ada", "C:\\Users\\ada"]
)
def test_more_than_that_about_a_person_is_refused(who: str) -> None:
    problem = refuse_name(who)
    assert problem is not None
    assert who not in problem.line, "what is refused is not repeated either"


def test_an_older_engine_is_refused_with_the_reason_and_the_way_out() -> None:
    problem = refuse_too_old(elsewhere("7.0.9"), FACTS)
    assert problem is not None
    assert "7.0.9" in problem.line
    assert "older than 7.1" in problem.line
    assert problem.do.startswith("update to 7.1")


@pytest.mark.parametrize("version", ["7.1", "7.1.0", "7.10", "8", "7.1 build 2", ""])
def test_the_minimum_and_newer_are_welcome(version: str) -> None:
    assert refuse_too_old(elsewhere(version), FACTS) is None


def test_a_version_that_cannot_be_read_is_refused_not_guessed() -> None:
    problem = refuse_too_old(elsewhere("the newest"), FACTS)
    assert problem is not None
    assert "does not read as a version" in problem.line


def test_without_a_minimum_the_version_it_was_saved_with_decides_and_without_both_nothing_does() -> None:
    saved = Facts(engine=Engine(saved_with="7.2"))
    assert refuse_too_old(elsewhere("7.1"), saved) is not None
    assert refuse_too_old(elsewhere("7.2"), saved) is None
    assert refuse_too_old(elsewhere("0.1"), Facts()) is None


@pytest.mark.parametrize("kind", get_args(AwayKind))
@pytest.mark.parametrize("result", ["pass", "fail"])
@pytest.mark.parametrize(
    ("left_out", "where", "says"),
    [
        ({"engine_version": " "}, "engine version", "with which version of the engine"),
        ({"system": ""}, "system", "on which system"),
        ({"system": "11"}, "system", "on which system"),
        ({"played": " . "}, "played", "what was opened and played"),
    ],
)
def test_a_result_alone_is_a_tick_and_is_refused(
    kind: str, result: str, left_out: dict[str, str], where: str, says: str
) -> None:
    given = {"version": "7.1", "kind": kind, "result": result}
    assert refuse(elsewhere(**given), FACTS) is None
    problem = refuse(msgspec.structs.replace(elsewhere(**given), **left_out), FACTS)
    assert problem is not None
    assert problem.where == where
    assert says in problem.line


def test_a_person_is_asked_before_anything_else_and_an_engine_that_nobody_named_is_tested_by_nobody() -> None:
    assert refuse(elsewhere("7.1", who="a@b"), FACTS) is not None
    problem = refuse(elsewhere("7.1"), Facts(engine=Engine(name=" ")))
    assert problem is not None
    assert problem.where == "engine.name"


def test_a_repeat_by_the_same_person_on_the_same_system_counts_and_moves_to_the_end() -> None:
    first = elsewhere(who="Ada", system="Windows 11", result="fail")
    other = elsewhere(who="Bo", system="macOS 15")
    again = elsewhere(who="ada ", system="windows 11")
    assert standing([first, other, again]) == (other, again)


def test_a_pass_on_a_newer_engine_does_not_hide_what_failed_on_the_older() -> None:
    failed = elsewhere("7.1", who="Ada", result="fail")
    assert failed in standing([failed, elsewhere("7.3", who="Ada")])


@pytest.mark.parametrize(
    ("test", "proves"),
    [
        (elsewhere("7.1", kind="originals hidden"), True),
        (AwayTest(kind="originals hidden", result="pass"), False),
        (elsewhere("7.1", played=""), False),
        (elsewhere("7.1", system=""), False),
        (elsewhere("7.1"), True),
        (elsewhere("7.1", kind="another player"), True),
        (elsewhere("unreadable"), False),
        (elsewhere("7.0"), False),
        (elsewhere("7.1", result="fail"), False),
        (elsewhere("7.1", reached_originals=True), False),
        (elsewhere("7.1", kind="a piece of music"), False),
    ],
)
def test_what_proves_that_it_opens_away(test: AwayTest, proves: bool) -> None:
    assert opened([test], FACTS) == ((test,) if proves else ())


def test_every_kind_has_its_plain_steps() -> None:
    assert tuple(KINDS) == get_args(AwayKind)
    for kind, guide in KINDS.items():
        assert guide.kind == kind
        assert len(guide.steps) >= 4
        assert guide.ask.endswith("?")
        assert any("monitors" in step for step in guide.steps), "the first playback is quiet in every kind"
    assert any("Rename the sample folder" in step for step in KINDS["originals hidden"].steps)
    assert "name back" in KINDS["originals hidden"].steps[-1]
