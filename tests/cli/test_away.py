"""``companion away``: what is recorded, what is refused in one line, and what is listed with its reason."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

TOLD = ("--engine-version", "7.2.1", "--system", "Windows 11", "--played", "every key")
MUSIC = ("--engine-version", "7.2.1", "--system", "Windows 11")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("--result", "fail"), "without the kind of test"),
        (("--result", "pass", *TOLD), "without the kind of test"),
        (("--notes", "silence"), "without the kind of test"),
        (("--reached-originals",), "without the kind of test"),
        (("--unused", "Air"), "without the kind of test"),
        (("--kind", "another player", *TOLD), "needs its result"),
        (("--kind", "originals hidden", "--result", "pass"), "with which version of the engine"),
        (("--kind", "originals hidden", "--result", "fail", *TOLD[:2], *TOLD[4:]), "on which system"),
        (("--kind", "originals hidden", "--result", "pass", *TOLD[:4]), "what was opened and played"),
        (
            ("--kind", "originals hidden", "--result", "pass", *TOLD[:4], "--notes", "fine"),
            "what was opened and played",
        ),
        (("--kind", "a piece of music", "--result", "pass", *MUSIC), "Which piece was played?"),
    ],
)
def test_what_says_too_little_is_refused_in_one_line_and_nothing_is_recorded(
    companion: Any, demo_folder: Path, given: tuple[str, ...], says: str
) -> None:
    refused = companion("away", demo_folder, *given)
    assert (refused.code, refused.out) == (2, "")
    assert says in refused.err
    assert refused.err.count("\n") == 1
    assert companion("away", demo_folder, "--json").json["here"] == []


@pytest.mark.parametrize("result", ["pass", "fail"])
def test_what_says_enough_is_recorded_with_the_engine_of_the_facts(
    companion: Any, demo_folder: Path, result: str
) -> None:
    done = companion("away", demo_folder, "--kind", "originals hidden", "--result", result, *TOLD)
    assert done.code == 0
    (test,) = companion("away", demo_folder, "--json").json["here"]
    assert (test["result"], test["engine"], test["engine_version"]) == (result, "Example Engine", "7.2.1")
    assert f"{result}: originals hidden  Windows 11 · Example Engine 7.2.1  every key" in done.out


def test_a_test_in_an_engine_of_another_name_is_listed_with_the_reason(companion: Any, demo_folder: Path) -> None:
    assert companion("away", demo_folder, "--kind", "another player", "--result", "pass", *TOLD).code == 0
    facts = demo_folder / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('"Example Engine"', '"Other Engine"'), encoding="utf-8")
    listed = companion("away", demo_folder)
    assert listed.out.startswith("0 away tests of this content.\n1 away test made with another engine than the facts")
    assert "pass: another player" in listed.out
    assert [test["why"] for test in companion("away", demo_folder, "--json").json["elsewhere"]] == ["another engine"]


def test_an_engine_that_the_facts_do_not_name_is_tested_by_nobody(companion: Any, demo_folder: Path) -> None:
    facts = demo_folder / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('name = "Example Engine"', 'name = ""'), encoding="utf-8")
    refused = companion("away", demo_folder, "--kind", "another player", "--result", "pass", *TOLD)
    assert refused.code == 2
    assert "do not name the engine" in refused.err
