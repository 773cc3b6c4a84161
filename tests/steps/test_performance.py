"""The performance as evidence: for exactly this content and judge; measured and by hand in one list; never more than
was heard.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from companion.core.errors import CompanionError
from companion.steps.model import State
from companion.trials.performance.midi import Asked
from companion.workshop import Workshop

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"
without = ["controls"]

[naming]
middle_c = "C3"

[[layers]]
name = "struck"
low_key = 48
high_key = 72
"""


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    folder = tmp_path / "work"
    (folder / "Samples").mkdir(parents=True)
    (folder / "release.toml").write_text(FACTS, "utf-8")
    (folder / "Slate.eeng").write_bytes(b"\0patch\0")
    soundfile.write(folder / "Samples" / "struck_C3.wav", np.zeros(100), 22_050)
    return Workshop.open(folder)


@pytest.fixture(scope="module")
def renders() -> dict[str, Any]:
    return {}


@pytest.fixture
def bounce(standin: Any, renders: dict[str, Any], tmp_path: Path) -> Callable[..., Path]:
    """``bounce(shop, "organ", silent=…)``: the performance of the folder as it is, bounced; each is rendered once."""

    def make(shop: Workshop, kind: str = "organ", number: int = 0, asked: Asked | None = None, **faults: Any) -> Path:
        midi = Path(shop.perform(asked, tmp_path / "midi").files[number].file).read_bytes()
        name = repr((midi, kind, sorted(faults.items())))
        if name not in renders:
            instrument = standin.Made(kind, seed=5, rate=22_050, takes=1)
            renders[name] = standin.render(midi, instrument, faults=standin.Faults(**faults))
        path = tmp_path / f"bounce {kind} {len(faults)} {number}.wav"
        soundfile.write(path, renders[name], 22_050, subtype="PCM_16")
        return path

    return make


Bounce = Callable[..., Path]


def by_id(shop: Workshop) -> dict[str, str]:
    return {view.trial.title.partition(":")[0]: view.answer.result if view.answer else "" for view in shop.trials()}


def test_a_clean_bounce_measures_everything_and_is_evidence(shop: Workshop, bounce: Bounce) -> None:
    assert shop.trials() == ()
    told = shop.judge(bounce(shop))
    assert told.kept
    assert told.findings == ()
    assert (told.part, told.judged) == ("keys", len(told.slots))
    assert set(by_id(shop).values()) == {"pass"}
    assert all(view.measured for view in shop.trials())
    status = shop.status().step("controls")
    assert status.state is State.PROVEN
    assert "25 keys judged from a bounce" in status.because


def test_a_silent_key_fails_the_step_until_a_clean_bounce(shop: Workshop, bounce: Bounce) -> None:
    told = shop.judge(bounce(shop, silent=frozenset({55})))
    assert {(finding.rule, finding.at.key) for finding in told.findings} == {("note-silent", 55)}
    assert by_id(shop)["Every key sounds"] == "fail"
    status = shop.status().step("controls")
    assert status.state is State.FAILING
    assert {finding.rule for finding in status.findings} >= {"note-silent"}
    assert "G2" in told.findings[0].where
    shop.judge(bounce(shop))
    assert shop.status().step("controls").state is State.PROVEN


def test_it_counts_for_exactly_this_content(shop: Workshop, bounce: Bounce) -> None:
    path = bounce(shop, silent=frozenset({55}))
    shop.judge(path)
    sample = shop.folder / "Samples" / "struck_C3.wav"
    before = sample.read_bytes()
    soundfile.write(sample, np.ones(100) / 4, 22_050)
    assert shop.trials() == (), "other samples: what the bounce told is of another instrument"
    assert shop.status().step("controls").state is not State.FAILING
    assert "other content" in shop.performance().stale
    refused = shop.judge(path)
    assert not refused.kept
    assert [finding.rule for finding in refused.findings] == ["bounce-other"]
    assert shop.trials() == ()
    sample.write_bytes(before)
    assert by_id(shop)["Every key sounds"] == "fail", "what was measured comes back with the content"


def test_another_judge_makes_it_stale(shop: Workshop, bounce: Bounce, monkeypatch: pytest.MonkeyPatch) -> None:
    shop.judge(bounce(shop))
    from companion.steps.looks import judging

    now = judging.judge_now("keys")
    monkeypatch.setattr(judging, "judge_now", lambda part: {**now, "note-silent": now["note-silent"] + 1})
    assert shop.trials() == ()
    assert "another companion" in shop.performance().stale


def test_what_it_cannot_judge_is_asked_by_hand(shop: Workshop, bounce: Bounce) -> None:
    told = shop.judge(bounce(shop, "kit"))
    assert told.findings == ()
    assert len(told.by_ear) == 3
    asked, loud, last = [view.trial for view in shop.trials() if not view.measured]
    assert asked.kind == loud.kind == last.kind == "by ear"
    shop.answer(loud.id, "pass")
    shop.answer(last.id, "pass")
    assert "Every key is in tune with its neighbours" not in by_id(shop), "nothing is claimed of what was not heard"
    assert shop.status().step("controls").state is State.OPEN
    shop.answer(asked.id, "pass")
    assert shop.status().step("controls").state is State.PROVEN
    shop.answer(asked.id, "fail", "the third drum is flat")
    assert shop.status().step("controls").state is State.FAILING


def test_a_measured_answer_is_not_given_by_hand(shop: Workshop, bounce: Bounce) -> None:
    shop.judge(bounce(shop))
    with pytest.raises(CompanionError, match="no trial"):
        shop.answer(shop.trials()[0].trial.id, "pass")


def test_a_foreign_or_silent_or_cut_bounce_proves_nothing(shop: Workshop, bounce: Bounce, tmp_path: Path) -> None:
    path = bounce(shop)
    data, rate = soundfile.read(path)
    other = tmp_path / "other.wav"
    for sound in (np.zeros((rate * 60, 2)), np.random.default_rng(1).normal(0, 0.1, (rate * 60, 2)), data[:0]):
        soundfile.write(other, sound, rate)
        told = shop.judge(other)
        assert not told.kept
        assert [finding.rule for finding in told.findings] == ["bounce-other"]
    assert shop.trials() == ()
    soundfile.write(other, data[: len(data) // 2], rate)
    told = shop.judge(other)
    assert [finding.rule for finding in told.findings] == ["bounce-other"]
    assert shop.status().step("controls").state is State.FAILING
    assert "pass" not in by_id(shop).values(), "half a bounce proves nothing of the whole"


def test_parts_are_judged_each_by_itself_and_found_by_their_files(shop: Workshop, bounce: Bounce) -> None:
    asked = Asked(seconds=60, split=True)
    files = shop.perform(asked).files
    assert len(files) == 2
    second = bounce(shop, number=1, asked=asked)
    told = shop.judge(second)
    assert (told.number, told.parts, told.kept) == (2, 2, True)
    assert "(1 of 2 parts)" in shop.status().step("controls").because
    shop.judge(bounce(shop, number=0, asked=asked))
    assert "25 keys judged" in shop.status().step("controls").because
    shop.judge(bounce(shop))
    assert "(" not in shop.status().step("controls").because, "the whole takes the place of the parts"


def test_a_kept_bounce_lies_in_the_folder_and_no_longer_waits(shop: Workshop, bounce: Bounce) -> None:
    path = bounce(shop)
    shop.perform()
    there = shop.places.bounces / path.name
    shutil.copy2(path, there)
    assert shop.performance().waiting == (path.name,)
    shop.judge(there, keep=True)
    view = shop.performance()
    assert view.waiting == ()
    assert view.outcomes[0].file == path.name
    assert view.files == ("Slate Choir 1.0 keys.mid",)


def test_without_keys_the_way_to_state_them_is_told(shop: Workshop) -> None:
    (shop.folder / "release.toml").write_text('[instrument]\ntitle = "x"\n', "utf-8")
    (shop.folder / "Samples" / "struck_C3.wav").rename(shop.folder / "Samples" / "slab.wav")
    shop.reload()
    with pytest.raises(CompanionError, match="low_key"):
        shop.perform()
    assert "low_key" in shop.performance().problem


@pytest.mark.skipif(os.name == "nt", reason="links need a right there")
def test_a_strangers_link_is_not_written_through(shop: Workshop, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (shop.folder / ".companion").mkdir(exist_ok=True)
    shop.places.bounces.symlink_to(outside)
    with pytest.raises(CompanionError, match="link"):
        shop.perform()
    assert list(outside.iterdir()) == []


def test_sound_that_cannot_be_read_is_one_line(shop: Workshop, tmp_path: Path) -> None:
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"RIFF\0\0\0\0WAVEnothing")
    with pytest.raises(CompanionError, match="does not read as sound"):
        shop.judge(bad)
    with pytest.raises(CompanionError, match="does not read as sound"):
        shop.judge(tmp_path / "none.wav")


@pytest.mark.parametrize("name", ["part", "number", "keys", "by_ear", "bounce"])
def test_evidence_of_a_bounce_that_was_changed_by_hand_counts_for_nothing(
    shop: Workshop, bounce: Bounce, name: str
) -> None:
    shop.judge(bounce(shop))
    (path,) = (shop.places.evidence / "performance").glob("*.json")
    plain = json.loads(path.read_text("utf-8"))
    plain["details"][name] = {"of": "a stranger"}
    path.write_text(json.dumps(plain), "utf-8")
    assert shop.performance().outcomes == ()
    assert shop.trials() == ()
    assert "judged from a bounce" not in shop.status().step("controls").because
