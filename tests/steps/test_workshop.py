"""What either door asks of a workshop, on a real folder."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import companion.workshop as workshop
from companion.core.errors import Cancelled, CompanionError
from companion.core.progress import Watch
from companion.steps.catalogue import RULES
from companion.steps.model import State
from companion.steps.table import STEP_IDS
from companion.workshop import Workshop

FACTS = '[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "Slate Choir"
    folder.mkdir()
    (folder / "Slate.eeng").write_bytes(b"patch")
    return folder


def test_without_facts_nobody_has_said_that_there_are_no_controls(folder: Path) -> None:
    controls = Workshop.open(folder).status().step("controls")
    assert (controls.state, controls.because) == (State.OPEN, "not looked at yet")
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    controls = Workshop.open(folder).status().step("controls")
    unsaid = "no control is declared, and nothing states that there are none"
    assert (controls.state, controls.because) == (State.UNKNOWN, unsaid)
    assert "instrument.without" in controls.next
    shop = Workshop.open(folder)
    shop.save_facts({"instrument.without": ["controls"]})
    controls = shop.status().step("controls")
    assert (controls.state, controls.because) == (State.PROVEN, "the facts state that there are no controls")


def test_of_checks_one_runs_at_a_time_and_whoever_waits_can_be_stopped(folder: Path) -> None:
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    shop = Workshop.open(folder)
    running, go_on = threading.Event(), threading.Event()

    def hold(progress: object) -> None:
        running.set()
        assert go_on.wait(60)

    with ThreadPoolExecutor(2) as threads:
        first = threads.submit(shop.check, ("contents",), Watch(hold))
        assert running.wait(60)
        stopped = Watch()
        stopped.cancel()
        with pytest.raises(Cancelled):
            shop.check(("contents",), stopped)
        assert shop.status().step("contents").state is State.OPEN, "looking waits for nobody"
        second = threads.submit(shop.check, ("paths",))
        assert not second.done()
        go_on.set()
        assert first.result().step("contents").state is not State.OPEN
        assert second.result().step("contents").state is not State.OPEN, "it began when the first was done"


CONTROLS = '[[controls]]\nname = "Air"\n[[controls]]\nname = "Body"\n'


def test_an_answer_that_is_no_pass_needs_words(folder: Path) -> None:
    (folder / "release.toml").write_text(FACTS + CONTROLS, encoding="utf-8")
    shop = Workshop.open(folder)
    first, second = (view.trial.id for view in shop.trials()[:2])
    for result in ("fail", "note"):
        with pytest.raises(CompanionError, match="needs words"):
            shop.answer(first, result, "  ")
    assert not any(view.answer for view in shop.trials())
    shop.answer(first, "pass")
    shop.answer(second, "fail", "a click")
    assert [view.answer.result for view in shop.trials() if view.answer] == ["pass", "fail"]
    with pytest.raises(CompanionError, match="There is no trial “none”"):
        shop.answer("none", "pass")


def test_the_history_is_verified_mirrored_forgotten_and_adopted(folder: Path, tmp_path: Path) -> None:
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    shop = Workshop.open(folder)
    shop.snapshot("first")
    (folder / "Slate.eeng").write_bytes(b"patch two")
    shop.snapshot("", kind="before restore")
    assert shop.verify_history().damaged == ()
    shop.mirror(str(tmp_path / "mirror"))
    with pytest.raises(CompanionError, match="Snapshot 1 has a label: first"):
        shop.forget([1, 2])
    assert [shot.number for shot in shop.snapshots()] == [2, 1], "one that is refused takes none with it"
    shop.forget([2])
    shop.forget([1], labelled=True)
    assert shop.snapshots() == []
    shop.close()
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    again = Workshop.open(fresh)
    assert again.adopt(tmp_path / "mirror").snapshots == 2
    assert [shot.number for shot in again.snapshots()] == [2, 1]


def test_what_needs_no_folder(demo_folder: Path, tmp_path: Path) -> None:
    explained = workshop.explain()
    assert {rule.id for rule in explained} == {rule.id for rule in RULES}
    order = [(STEP_IDS.index(rule.step), rule.severity.weight) for rule in explained]
    assert order == sorted(order), "in the order of the work, what blocks first"
    assert [rule.id for rule in workshop.explain("clipped")] == ["clipped"]
    with pytest.raises(CompanionError, match="There is no rule “none”"):
        workshop.explain("none")
    sample = demo_folder / "Samples/Struck/struck_C4_v40_rr1.wav"
    assert [one.path for one in workshop.measure([sample])] == [str(sample)]
    with pytest.raises(CompanionError, match="There is no such archive"):
        workshop.prove(tmp_path / "none.zip")
    workshop.copy_demo(tmp_path / "copy")
    assert (tmp_path / "copy" / "release.toml").is_file()


def test_nothing_is_failing_before_anything_is_stated(folder: Path) -> None:
    def states() -> tuple[State, State]:
        status = Workshop.open(folder).status()
        return status.step("facts").state, status.step("needs").state

    assert states() == (State.OPEN, State.OPEN)
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    assert states() == (State.FAILING, State.FAILING)
