"""A state's line and its findings never contradict each other: each claim with every rule, for and against."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from companion.core.findings import Finding, Severity
from companion.steps.catalogue import RULES
from companion.steps.claims import CLAIMS, NOTHING_MISSING, NOTHING_STRAY, LineClaim, said
from companion.workshop import Workshop

BESIDE = {
    # A waiver that lets nothing pass leaves the facts what they are.
    "facts": frozenset({"waiver-idle"}),
    # That a name is bad, or a picture does not open, takes nothing away and puts nothing in.
    "contents": frozenset(
        {
            "picture-unreadable",
            "name-forbidden",
            "name-reserved",
            "name-ends-badly",
            "name-twins",
            "name-invisible",
            "path-too-long",
        }
    ),
    # A backslash stands in a relative path; metadata and the encoding of a script are no paths.
    # What is too long or too large is all there, and true; so is a picture that nobody measured.
    "words": frozenset({"page-too-long", "media-too-large", "media-unmeasured"}),
    # A report, or what songs will miss, says nothing against the release or the copy that was checked.
    "out": frozenset({"report-open", "songs-break"}),
    "paths": frozenset({"path-backslash", "metadata-private", "script-encoding"}),
}
"""The rules that may find something beside each claim of their step: whatever is new has to be decided."""


def found(rule: str, waived: str = "") -> Finding:
    return Finding(rule=rule, severity=Severity.NOTES, waived=waived)


@pytest.mark.parametrize("step", sorted(BESIDE))
def test_of_every_rule_is_decided_what_it_denies(step: str) -> None:
    rules = {rule.id for rule in RULES if rule.step == step}
    denying = frozenset[str]().union(*(claim.denied_by for claim in CLAIMS if claim.step == step))
    assert denying | BESIDE[step] == rules
    assert not denying & BESIDE[step]


@pytest.mark.parametrize("claim", CLAIMS, ids=lambda claim: claim.says)
def test_a_claim_is_dropped_for_each_finding_that_denies_it_and_for_no_other(claim: LineClaim) -> None:
    for rule in {rule.id for rule in RULES if rule.step == claim.step}:
        for waived in ("", "it is meant so"):
            assert said([found(rule, waived)], claim) == ([] if rule in claim.denied_by else [claim.says])
    assert said([], claim) == [claim.says]


def test_claims_are_dropped_one_by_one() -> None:
    assert said([], NOTHING_MISSING, NOTHING_STRAY) == ["nothing missing", "nothing stray"]
    assert said([found("nested-archive")], NOTHING_MISSING, NOTHING_STRAY) == ["nothing missing"]
    assert said([found("symlink-outside")], NOTHING_MISSING, NOTHING_STRAY) == []


def test_a_folder_with_a_stray_file_is_not_called_free_of_them(
    demo_folder: Path, mend_demo: Callable[..., None]
) -> None:
    mend_demo(demo_folder)
    shop = Workshop.open(demo_folder)
    clean = shop.check(("contents",)).step("contents")
    assert clean.because.endswith("nothing missing, nothing stray"), clean
    (demo_folder / "Slate Choir - Copy.eeng").write_bytes((demo_folder / "Slate Choir.eeng").read_bytes())
    status = shop.check(("contents", "facts"))
    stray = status.step("contents")
    assert {one.rule for one in stray.findings} == {"stray-working-file"}
    assert stray.because.endswith("nothing missing; 1 warning"), stray
    assert status.step("facts").because == "complete and consistent"
    shop.save_facts({"instrument.rights": ""})
    assert shop.status().step("facts").because == "consistent; 1 warning"
