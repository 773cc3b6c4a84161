"""Each rule of Facts: facts that have the fault, and their nearest innocent neighbour."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from typing import Any

import pytest
from packaging.licenses import canonicalize_license_expression

from companion.core.facts import Control, Facts, Layer
from companion.core.findings import Finding, Severity
from companion.core.rules import findings_of
from companion.steps.checks.facts import (
    REQUIRED,
    RULES,
    USUAL_LICENCES,
    FactsModel,
    licence_file_in,
    licence_problem,
)

FILES = {"Slate Choir.patch", "LICENCE.txt", "Samples/Struck_C3.wav"}
Spoil = Callable[..., Facts]


def check(facts: Facts, files: Collection[str], **more: Any) -> tuple[Finding, ...]:
    return findings_of(RULES, FactsModel(facts=facts, files=files, **more))


def ids(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.rule for finding in findings]


def one(findings: tuple[Finding, ...], rule: str) -> Finding:
    assert ids(findings) == [rule]
    return findings[0]


def test_a_complete_release_is_silent(facts: Facts) -> None:
    assert check(facts, FILES) == ()
    assert check(facts, FILES, released="1.1", same_content=False) == ()


def test_empty_facts_name_all_that_is_missing_and_nothing_is_called_invalid() -> None:
    findings = check(Facts(), ())
    assert [finding.where for finding in findings if finding.rule == "fact-missing"] == [key for key, _ in REQUIRED]
    assert set(ids(findings)) == {"fact-missing", "rights-unstated"}


@pytest.mark.parametrize("key", [key for key, _ in REQUIRED])
@pytest.mark.parametrize("value", ["", "  \n\t"])
def test_each_fact_that_a_release_needs_is_missed_by_its_key(spoil: Spoil, key: str, value: str) -> None:
    table, _, name = key.partition(".")
    finding = one(check(spoil(**{table: {name: value}}), FILES), "fact-missing")
    assert (finding.path, finding.where, finding.severity) == ("release.toml", key, Severity.BLOCKS)
    assert finding.limit


@pytest.mark.parametrize("name", ["description", "credits", "tags"])
def test_what_a_release_can_do_without_is_not_missed(spoil: Spoil, name: str) -> None:
    assert check(spoil(instrument={name: type(getattr(Facts().instrument, name))()}), FILES) == ()


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("instrument", "version", "one"),
        ("instrument", "version", "1.0 build 4"),
        ("instrument", "version", "9" * 5000),
        ("engine", "saved_with", "the newest"),
        ("engine", "saved_with", "7.x"),
        ("engine", "minimum", "seven"),
        ("instrument", "licence", "Free for everybody"),
        ("instrument", "licence", "MIT OR"),
        ("instrument", "licence", "(" * 3000),
        ("instrument", "licence", "LicenseRef-"),
    ],
)
def test_a_fact_in_a_form_that_cannot_be_relied_on(spoil: Spoil, table: str, key: str, value: str) -> None:
    finding = one(check(spoil(**{table: {key: value}}), FILES), "fact-invalid")
    assert finding.where == f"{table}.{key}"
    assert value in finding.measured
    assert finding.limit


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("instrument", "version", " 1.2 "),
        ("instrument", "version", "1.2rc1"),
        ("engine", "saved_with", "7.2 build 401"),
        ("engine", "saved_with", "2024 R3"),
        ("engine", "minimum", "v7.2.0"),
        ("instrument", "licence", "cc-by-4.0"),
        ("instrument", "licence", "CC-BY-4.0 OR CC0-1.0"),
        ("instrument", "licence", "GPL-3.0-or-later WITH Classpath-exception-2.0"),
    ],
)
def test_its_neighbours_in_a_good_form(spoil: Spoil, table: str, key: str, value: str) -> None:
    assert check(spoil(**{table: {key: value}}), FILES) == ()


def test_a_hostile_value_is_shown_inert(spoil: Spoil) -> None:
    finding = one(check(spoil(instrument={"version": "\x1b[2J\u202e"}), FILES), "fact-invalid")
    assert finding.measured == "“\\x1b[2J\\u202e”"
    findings = check(spoil(controls=(Control(name="\x1b[2J", low=1, high=1, rest=1),)), FILES)
    assert one(findings, "fact-invalid").where == "controls.\\x1b[2J"


@pytest.mark.parametrize(
    "licence", ["LicenseRef-QuayRoom", "licenseref-QuayRoom", "MIT OR LicenseRef-QuayRoom", "(LicenseRef-A AND MIT)"]
)
@pytest.mark.parametrize("named", ["", "TERMS.txt"])
def test_a_licence_of_ones_own_has_to_ship_its_text(spoil: Spoil, licence: str, named: str) -> None:
    without = spoil(instrument={"licence": licence, "licence_file": named})
    finding = one(check(without, FILES), "fact-invalid")
    assert finding.where == "instrument.licence_file"
    assert licence in finding.limit
    assert check(spoil(instrument={"licence": licence}), FILES) == ()


@pytest.mark.parametrize(
    ("control", "where"),
    [
        (Control(name="Air", low=1, high=0, rest=0.5), "controls.Air"),
        (Control(name="Air", low=1, high=1, rest=1), "controls.Air"),
        (Control(name="Air", rest=1.01), "controls.Air.rest"),
        (Control(name="Air", rest=-0.01), "controls.Air.rest"),
        (Control(name="Air", cc=128), "controls.Air.cc"),
        (Control(name="Air", cc=-1), "controls.Air.cc"),
        (Control(name="Air", high=math.inf), "controls.Air"),
        (Control(name="Air", low=-math.inf), "controls.Air"),
        (Control(name="Air", rest=math.nan), "controls.Air"),
    ],
)
def test_a_control_that_cannot_be(spoil: Spoil, control: Control, where: str) -> None:
    assert one(check(spoil(controls=(control,)), FILES), "fact-invalid").where == where


@pytest.mark.parametrize(
    "control",
    [
        Control(name="Air", low=-1, high=0, rest=0),
        Control(name="Air", rest=1),
        Control(name="Air", cc=0),
        Control(name="Air", cc=127),
        Control(name="Air", cc=None, low=-1e9, high=1e9),
    ],
)
def test_its_neighbours_that_can(spoil: Spoil, control: Control) -> None:
    assert check(spoil(controls=(control,)), FILES) == ()


@pytest.mark.parametrize(
    ("layer", "measured"),
    [
        ({"low_key": 61, "high_key": 60}, "keys 61 to 60"),
        ({"low_key": -1}, "keys -1 to 127"),
        ({"high_key": 128}, "keys 0 to 128"),
        ({"low_velocity": 90, "high_velocity": 30}, "velocities 90 to 30"),
    ],
)
def test_a_layer_that_cannot_be(spoil: Spoil, layer: dict[str, Any], measured: str) -> None:
    finding = one(check(spoil(layers=(Layer(name="Struck", **layer),)), FILES), "fact-invalid")
    assert (finding.where, finding.measured) == ("layers.Struck", measured)


def test_its_neighbours_of_one_key_and_one_velocity(spoil: Spoil) -> None:
    layers = (
        Layer(name="One", low_key=60, high_key=60, low_velocity=0, high_velocity=0),
        Layer(name="All", low_key=0, high_key=127),
    )
    assert check(spoil(layers=layers), FILES) == ()


WRONG_LIMITS = (
    ("preview_seconds", float("nan")),
    ("tail_s", float("inf")),
    ("true_peak_dbtp", float("nan")),
    ("noise_dbfs", float("-inf")),
    ("cover_pixels", 0),
    ("upload_bytes", -1),
    ("voices", 0),
    ("pitch_cents", -0.1),
)
RIGHT_LIMITS = (
    ("preview_seconds", 0.5),
    ("true_peak_dbtp", -1.0),
    ("true_peak_dbtp", 0.0),
    ("noise_dbfs", -60.0),
    ("dc_offset", 0.0),
    ("cover_pixels", 1),
    ("voices", None),
)


@pytest.mark.parametrize(("name", "value"), WRONG_LIMITS)
def test_a_limit_that_nothing_can_exceed_or_keep_to(spoil: Spoil, name: str, value: float) -> None:
    assert one(check(spoil(limits={name: value}), FILES), "fact-invalid").where == f"limits.{name}"


@pytest.mark.parametrize(("name", "value"), RIGHT_LIMITS)
def test_its_neighbours_that_can_be_held(spoil: Spoil, name: str, value: float | None) -> None:
    assert check(spoil(limits={name: value}), FILES) == ()


def test_two_of_one_name(spoil: Spoil) -> None:
    twice = (Layer(name="Struck"), Layer(name="Hummed"), Layer(name="Struck"))
    finding = one(check(spoil(layers=twice), FILES), "fact-invalid")
    assert (finding.where, finding.measured) == ("layers.name", "“Struck”")
    assert one(check(spoil(controls=(Control(name="A"),) * 3), FILES), "fact-invalid").where == "controls.name"
    assert check(spoil(layers=(Layer(name="A"),), controls=(Control(name="A"),)), FILES) == ()


@pytest.mark.parametrize(
    ("version", "released", "same", "raised"),
    [
        ("1.2", "1.2", False, False),
        ("1.2", "1.2.0", False, False),
        ("1.2", "1.3", False, False),
        ("1.2rc1", "1.2", False, False),
        ("1.10", "1.9", False, True),
        ("1.2", "1.2rc1", False, True),
        ("1.2", "1.2", True, True),
        ("1.2", "", False, True),
    ],
)
def test_the_version_is_raised_when_the_content_differs(
    spoil: Spoil, version: str, released: str, same: bool, raised: bool
) -> None:
    findings = check(spoil(instrument={"version": version}), FILES, released=released, same_content=same)
    assert ids(findings) == ([] if raised else ["version-not-raised"])
    if not raised:
        assert (findings[0].measured, findings[0].limit) == (version, f"above {released}")


@pytest.mark.parametrize("named", ["", "GONE.txt"])
def test_the_text_of_the_licence_ships(spoil: Spoil, named: str) -> None:
    bare = {"Slate Choir.patch", "Docs/LICENCE.txt", "LICENCE-notes.txt"}
    finding = one(check(spoil(instrument={"licence_file": named}), bare), "licence-text-missing")
    assert finding.severity is Severity.WARNS


@pytest.mark.parametrize(
    "name", ["LICENCE.txt", "licence", "License.md", "COPYING", "Lizenz.txt", "Licencia.md", "LICENZA"]
)
def test_a_text_that_says_so_by_its_name_is_enough(spoil: Spoil, name: str) -> None:
    assert check(spoil(instrument={"licence_file": ""}), {name}) == ()
    assert licence_file_in(["a.wav", name]) == name


def test_without_a_licence_it_is_the_licence_that_is_missed(spoil: Spoil) -> None:
    assert ids(check(spoil(instrument={"licence": "", "licence_file": ""}), ())) == ["fact-missing"]


@pytest.mark.parametrize("rights", ["", "   "])
def test_the_right_to_pass_it_on_is_stated(spoil: Spoil, rights: str) -> None:
    finding = one(check(spoil(instrument={"rights": rights}), FILES), "rights-unstated")
    assert finding.severity is Severity.WARNS
    assert "no legal advice" in finding.mend


@pytest.mark.parametrize("text", ["MIT\x00", "__import__('os')", "True", "MIT)OR(MIT", "\n", "NONE", "MIT " * 3000])
def test_no_text_passes_for_a_licence_by_accident(text: str) -> None:
    assert licence_problem(text)


def test_what_passes_without_the_list_is_on_it() -> None:
    for licence in USUAL_LICENCES:
        assert canonicalize_license_expression(licence) == licence
    assert len(USUAL_LICENCES) > 3


def test_the_licence_is_looked_for_at_the_top_alone_and_the_first_by_name_is_taken() -> None:
    assert licence_file_in(["docs/LICENCE.txt", "Lizenzgebühren.txt", "b.wav"]) == ""
    assert licence_file_in(["b.wav", "License.md", "COPYING", "docs/LICENCE"]) == "COPYING"


def test_every_rule_says_what_a_player_would_suffer_and_how_to_mend_it() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.step in ("facts", "needs", "out")
        assert rule.means.endswith(".")
        assert rule.why.endswith(".")
        assert rule.mend
        assert rule.source
