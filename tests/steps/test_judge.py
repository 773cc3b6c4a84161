"""A verdict knows its judge: a better rule makes a step stale, and what a person answered stands."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import companion.steps.catalogue as catalogue
from companion.contents import folder_scan, versions
from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.rules import Measure
from companion.steps.model import State
from companion.steps.table import BY_ID, STEPS
from companion.workshop import Workshop


@pytest.fixture
def folder(demo_folder: Path, mend_demo: Callable[..., None]) -> Path:
    mend_demo(demo_folder)
    return demo_folder


@pytest.fixture
def raise_version(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """``raise_version("clipped")``: let these rules, or measures, be of a later version than they are."""

    def raised(*names: str) -> None:
        real = catalogue.judge_of

        def judge_of(*ids: str) -> dict[str, int]:
            return {name: version + (name in names) for name, version in real(*ids).items()}

        monkeypatch.setattr(catalogue, "judge_of", judge_of)

    return raised


def states(folder: Path) -> dict[str, tuple[State, str]]:
    shop = Workshop.open(folder)
    try:
        return {step.id: (step.state, step.because) for step in shop.status().steps}
    finally:
        shop.close()


def stale(folder: Path) -> dict[str, str]:
    return {step: because for step, (state, because) in states(folder).items() if state is State.STALE}


def test_a_better_rule_makes_stale_what_it_judged_and_a_look_mends_that(
    folder: Path, raise_version: Callable[..., None]
) -> None:
    Workshop.open(folder).check(("contents", "paths", "sound", "words"))
    assert stale(folder) == {}
    raise_version("clipped")
    assert (
        stale(folder)
        == {
            "sound": "judged by an older companion (clipped)",
            "words": "judged by another companion (clipped)",
        }
        or stale(folder)["sound"] == "judged by an older companion (clipped)"
    )
    Workshop.open(folder).check(("sound", "words"))
    assert stale(folder) == {}


def test_an_older_companion_finds_its_own_proof_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Workshop.open(folder).check(("paths",))
    kept = catalogue.judge_of
    with monkeypatch.context() as patch:
        patch.setattr(catalogue, "judge_of", lambda *ids: {**kept(*ids), "path-drive": 9})
        assert stale(folder)["paths"] == "judged by an older companion (path-drive)"
        Workshop.open(folder).check(("paths",))
        assert stale(folder) == {}
    assert stale(folder) == {}


def test_an_archive_is_proven_again_and_not_built_again(folder: Path, raise_version: Callable[..., None]) -> None:
    shop = Workshop.open(folder)
    built = shop.pack()
    before = built.path.stat().st_mtime_ns
    raise_version("name-reserved")  # by which the opened copy is judged
    shop = Workshop.open(folder)
    archive = shop.status().step("archive")
    assert (archive.state, archive.because) == (State.STALE, "judged by an older companion (name-reserved)")
    assert shop.check(("archive",)).step("archive").state is State.PROVEN
    assert built.path.stat().st_mtime_ns == before


def test_what_a_person_answered_and_waived_belongs_to_the_content(
    folder: Path, raise_version: Callable[..., None]
) -> None:
    shop = Workshop.open(folder)
    trial = shop.trials()[0].trial.id
    shop.answer(trial, "fail", "a click")
    shop.record_away(
        AwayTest(kind="originals hidden", result="pass", played="all", engine_version="7.2.1", system="Windows 11")
    )
    (folder / "Samples" / "Struck" / "struck_C4_v40_rr1.wav").write_bytes(b"")
    shop.check(("contents",))
    shop.waive("file-empty", "Samples/Struck/struck_C4_v40_rr1.wav", "meant so")
    raise_version("control-untried", "away-untried", "file-empty")
    shop = Workshop.open(folder)
    (answered,) = [view for view in shop.trials() if view.answer]
    assert answered.answer is not None
    assert (answered.trial.id, answered.answer.note) == (trial, "a click")
    found = shop.check(("contents",)).step("contents").findings
    assert [one.waived for one in found if one.rule == "file-empty"] == ["meant so"]
    shop.answer(trial, "pass")
    (answered,) = [view for view in shop.trials() if view.answer]
    assert answered.answer is not None
    assert answered.answer.result == "pass"


def test_release_refuses_what_an_older_companion_judged(folder: Path, raise_version: Callable[..., None]) -> None:
    Workshop.open(folder).check()
    before = Workshop.open(folder).status()
    raise_version("clipped")
    with pytest.raises(CompanionError, match=r"Not every step is proven: .*Sound \(stale\)"):
        Workshop.open(folder).release()
    assert before.step("sound").state.settled


def test_evidence_writes_down_its_judge(folder: Path) -> None:
    Workshop.open(folder).check(("sound",))
    (file,) = (folder / ".companion" / "evidence" / "sound").iterdir()
    plain: dict[str, Any] = json.loads(file.read_text("ascii"))
    assert plain["judge"] == catalogue.judge_of("sound", "file-unreadable")
    assert file.name.startswith(f"{plain['fingerprint']}-")


def test_every_rule_belongs_to_a_step_that_judges_by_it(demo_folder: Path) -> None:
    """Whatever a look may find, it finds by a rule of its judge: else its evidence would not count."""
    shop = Workshop.open(demo_folder)
    shop.check()
    desk = shop.desk()
    for step in STEPS:
        for evidence in desk.evidence.of_content(step.id, desk.mark(step.id)):
            assert {finding.rule for finding in evidence.findings} <= set(evidence.judge), step.id
    assert {rule.step for rule in catalogue.RULES} == set(BY_ID)


def test_better_reading_of_audio_headers_makes_stale_what_was_judged_by_it(
    folder: Path, raise_version: Callable[..., None]
) -> None:
    Workshop.open(folder).check(("contents", "paths"))
    raise_version("audio-headers")
    found = stale(folder)
    assert found["contents"] == found["paths"] == "judged by an older companion (audio-headers)"


def test_what_ships_is_worked_out_again_once_paths_are_read_better(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scans: list[Path] = []
    real = folder_scan.scan_folder

    def scan_folder(place: Path, *rest: Any) -> Any:
        scans.append(place)
        return real(place, *rest)

    monkeypatch.setattr(folder_scan, "scan_folder", scan_folder)
    states(folder)
    assert len(scans) == 1
    states(folder)
    assert len(scans) == 1, "what ships of this content is remembered"
    monkeypatch.setattr(versions, "SHIPS_BY", (*versions.SHIPS_BY[:-1], Measure("references", 99)))
    states(folder)
    assert len(scans) == 2
