"""Bounces of the controls as evidence: what they prove needs no hand, what they cannot tell is asked with a reason."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile

from companion.core.errors import CompanionError
from companion.steps.looks.controls import TrialView
from companion.steps.model import State
from companion.trials.performance.midi import Asked
from companion.workshop import Workshop

RATE = 24_000
EFFECTS = {"level": 20, "pan": 21, "lowpass": 22}
RESTS = {"level": 127, "pan": 64, "lowpass": 127}
FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"

[naming]
middle_c = "C3"

[[layers]]
name = "held"
low_key = 48
high_key = 72
round_robins = 2
"""


def facts_of(host: Any, **without: str) -> str:
    """The facts; controls named in ``without`` have no controller."""
    text = FACTS
    for effect, cc in EFFECTS.items():
        moved = "" if effect in without else f"cc = {cc}\n"
        text += f'\n[[controls]]\nname = "{effect.title()}"\nhigh = 127.0\nrest = {RESTS[effect]}.0\n{moved}'
        text += f'effect = "{host.WORDS[effect]}"\n'
    return text


@pytest.fixture
def shop(tmp_path: Path, panel_host: Any) -> Workshop:
    folder = tmp_path / "work"
    (folder / "Samples").mkdir(parents=True)
    (folder / "release.toml").write_text(facts_of(panel_host), "utf-8")
    (folder / "Slate.eeng").write_bytes(b"\0patch\0")
    return Workshop.open(folder)


@pytest.fixture(scope="module")
def renders() -> dict[str, Any]:
    return {}


Bounce = Callable[..., Path]


@pytest.fixture
def bounce(panel_host: Any, renders: dict[str, Any], tmp_path: Path) -> Bounce:
    """``bounce(shop, dead=[20])``: the performance of the controls, bounced; each is rendered once."""

    def make(shop: Workshop, number: int = 0, asked: Asked | None = None, **faults: Any) -> Path:
        files = [file for file in shop.perform(asked, tmp_path / "midi").files if file.part == "controls"]
        midi = Path(files[number].file).read_bytes()
        name = repr((midi, sorted(faults.items())))
        if name not in renders:
            wires = [panel_host.wired(effect, cc, 0.5 if effect == "level" else 1.0) for effect, cc in EFFECTS.items()]
            renders[name] = panel_host.render(
                midi, panel_host.synthetic("sustained", seed=5, rate=RATE), wires, faults, "A"
            )
        path = tmp_path / f"moved {number} {len(faults)}.wav"
        soundfile.write(path, renders[name], RATE, subtype="PCM_24")
        return path

    return make


def views(shop: Workshop) -> dict[str, TrialView]:
    return {view.trial.title: view for view in shop.trials()}


def results(shop: Workshop) -> dict[str, str]:
    """By title: the answer, and whether it was measured."""
    return {
        title: f"{view.answer.result if view.answer else ''}{' measured' if view.measured else ''}"
        for title, view in views(shop).items()
    }


def test_both_files_are_written_and_a_clean_bounce_proves_every_trial(shop: Workshop, bounce: Bounce) -> None:
    assert [file.part for file in shop.perform().files] == ["keys", "controls"]
    assert shop.status().step("controls").state is State.OPEN
    told = shop.judge(bounce(shop))
    assert (told.part, told.kept, told.findings, told.by_ear) == ("controls", True, (), ())
    assert told.judged == len(told.slots) > 40
    assert {"pass measured"} == set(results(shop).values())
    assert {"Level alone", "All controls right to left", "Extremes together 1 of 4"} <= set(results(shop))
    assert views(shop)["Pan alone"].trial.instruction == "Measured from a bounce of the performance."
    status = shop.status().step("controls")
    assert status.state is State.PROVEN
    assert "no trial is left to the hand; 3 controls judged from a bounce" in status.because


def test_a_dead_control_fails_the_step_and_its_trial(shop: Workshop, bounce: Bounce) -> None:
    told = shop.judge(bounce(shop, dead=[21]))
    assert [(finding.rule, finding.at.control) for finding in told.findings] == [("control-no-effect", "Pan")]
    assert {slot.title for slot in told.slots if slot.rules} >= {"Pan at 0", "Pan at 127"}
    assert results(shop)["Pan alone"] == "fail measured"
    assert results(shop)["Level alone"] == "pass measured"
    status = shop.status().step("controls")
    assert status.state is State.FAILING
    assert {"control-untried"}.isdisjoint(finding.rule for finding in status.findings)
    pan = views(shop)["Pan alone"].trial
    shop.answer(pan.id, "pass")
    assert results(shop)["Pan alone"] == "fail measured", "no answer takes away what was measured"
    assert shop.status().step("controls").state is State.FAILING


def test_an_ear_may_contradict_what_was_measured_as_fine(shop: Workshop, bounce: Bounce) -> None:
    shop.judge(bounce(shop))
    shop.answer(views(shop)["Pan alone"].trial.id, "fail", "it rustles")
    assert results(shop)["Pan alone"] == "fail"
    assert shop.status().step("controls").state is State.FAILING
    assert "turn “Pan” to 0" in views(shop)["Pan alone"].trial.instruction
    with pytest.raises(CompanionError, match="no trial"):
        shop.answer(next(view.trial.id for view in shop.trials() if view.trial.kind == "measured"), "pass")


def test_it_proves_exactly_this_content_by_exactly_this_judge(
    shop: Workshop, bounce: Bounce, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop.judge(bounce(shop))
    patch = shop.folder / "Slate.eeng"
    patch.write_bytes(b"\0another patch\0")
    assert set(results(shop).values()) == {""}
    assert "other content" in shop.performance().stale
    patch.write_bytes(b"\0patch\0")
    assert results(shop)["Level alone"] == "pass measured"
    facts = shop.folder / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace("from soft to loud", "from dark to bright"), "utf-8")
    shop.reload()
    assert results(shop)["Level alone"] == "", "other words promise something else"
    facts.write_text(facts.read_text("utf-8").replace("from dark to bright", "from soft to loud", 1), "utf-8")
    shop.reload()
    assert results(shop)["Level alone"] == "pass measured"
    from companion.steps.looks import judging

    now = judging.judge_now("controls")
    assert "control-clicks" in now
    assert "note-silent" not in now, "what judges keys says nothing of controls"
    monkeypatch.setattr(judging, "judge_now", lambda part: {**now, "control-clicks": now["control-clicks"] + 1})
    assert set(results(shop).values()) == {""}
    assert "another companion" in shop.performance().stale


def test_what_no_controller_moves_stays_by_hand_and_keeps_what_takes_all_of_them(
    shop: Workshop, bounce: Bounce, panel_host: Any
) -> None:
    (shop.folder / "release.toml").write_text(facts_of(panel_host, pan="by hand"), "utf-8")
    shop.reload()
    performed = shop.perform()
    assert performed.by_hand == ("“Pan”: no MIDI controller moves it",)
    assert "cc beside the control in the facts" in performed.give_one
    shop.judge(bounce(shop))
    told = results(shop)
    assert (told["Level alone"], told["Pan alone"], told["All controls left to right"]) == ("pass measured", "", "")
    assert told["Extremes together 1 of 4"] == ""
    assert "could not tell: it does not move “Pan”" in views(shop)["Extremes together 1 of 4"].trial.instruction
    assert shop.status().step("controls").state is State.OPEN


def test_half_a_bounce_proves_nothing_of_the_controls(shop: Workshop, bounce: Bounce, tmp_path: Path) -> None:
    data, rate = soundfile.read(bounce(shop))
    half = tmp_path / "half.wav"
    soundfile.write(half, data[: 2 * len(data) // 3], rate)
    told = shop.judge(half)
    assert "bounce-other" in [finding.rule for finding in told.findings]
    assert "pass measured" not in results(shop).values()


def test_parts_prove_their_controls_and_not_what_takes_all(shop: Workshop, bounce: Bounce) -> None:
    asked = Asked(seconds=75, split=True)
    parts = [file for file in shop.perform(asked).files if file.part == "controls"]
    assert [(file.number, file.parts) for file in parts] == [(1, 3), (2, 3), (3, 3)]
    assert all(file.seconds <= 75 for file in parts)
    shop.judge(bounce(shop, number=1, asked=asked))
    told = results(shop)
    assert (told["Level alone"], told["Pan alone"]) == ("", "pass measured")
    assert "(1 of 3 parts)" in shop.status().step("controls").because or told["Level alone"] == ""
    shop.judge(bounce(shop, number=0, asked=asked))
    told = results(shop)
    assert (told["Level alone"], told["Lowpass alone"], told["All controls left to right"]) == ("pass measured", "", "")
    shop.judge(bounce(shop))
    assert set(results(shop).values()) == {"pass measured"}


@pytest.mark.parametrize("name", ["moved", "told"])
def test_evidence_of_controls_that_was_changed_by_hand_counts_for_nothing(
    shop: Workshop, bounce: Bounce, name: str
) -> None:
    shop.judge(bounce(shop))
    (path,) = (shop.places.evidence / "performance").glob("*.json")
    plain = json.loads(path.read_text("utf-8"))
    plain["details"][name] = [{"of": "a stranger"}]
    path.write_text(json.dumps(plain), "utf-8")
    assert shop.performance().outcomes == ()
    assert set(results(shop).values()) == {""}
