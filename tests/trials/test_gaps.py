"""Gaps of a millisecond in a note: those the host left are told, those of the sample are not, nor what looks so."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from companion.trials.performance.clicks import FILLED, MANY, OF_THE_SAMPLE, Dry, clicked, filled_up
from companion.trials.performance.gaps import GAP, GAP_OVER, Gap, gap_of, gaps_in
from companion.trials.performance.judged import Judged, Playback, Verdict
from companion.trials.performance.score import Note, Score, Slot
from companion.trials.performance.ticks import FROM_S, NO_TICK, Tick
from companion.trials.performance_rules import check_bounce

RATE = 44_100


def note(seconds: float = 0.38, hertz: float = 196.0, noise: float = 1e-4) -> Any:
    """What is listened to of a low note: four partials that never meet."""
    time = np.arange(int(seconds * RATE)) / RATE
    tone = sum(np.sin(2 * np.pi * hertz * n * time + n * n) for n in range(1, 5))
    return (0.1 * tone + noise * np.random.default_rng(2).standard_normal(len(time))).astype(np.float32)[:, None]


def gaping(data: Any, at: float, milliseconds: float = 1.0, left: float = 0.0) -> Any:
    data = data.copy()
    first = int((at - FROM_S) * RATE)
    data[first : first + int(milliseconds * RATE / 1000)] *= left
    return data


# What is a gap


@pytest.mark.parametrize("at", [0.15, 0.2487, 0.31, 0.4])
@pytest.mark.parametrize("milliseconds", [1.0, 2.0])
def test_a_gap_is_found_where_it_is(at: float, milliseconds: float) -> None:
    found = gap_of(gaping(note(), at, milliseconds), RATE)
    assert found.sure > 0.7 * GAP, "some stand less plainly in a wave than others"
    assert found.sure > 5 * gap_of(note(), RATE).sure
    assert found.at == pytest.approx(1000 * at, abs=1.5)


def test_a_gap_that_an_effect_half_fills_is_found_and_a_softer_moment_is_none() -> None:
    assert gap_of(gaping(note(), 0.3, left=0.3), RATE).sure > GAP / 4
    assert gap_of(gaping(note(), 0.3, left=0.8), RATE).sure < GAP / 2


def test_what_sounds_on_has_none_and_neither_has_noise_or_silence() -> None:
    assert gap_of(note(), RATE).sure < 5
    hiss = np.random.default_rng(1).standard_normal((8_000, 2)).astype(np.float32)
    assert gap_of(hiss, RATE).sure < 5
    assert gap_of(np.zeros((8_000, 1), np.float32), RATE) == Gap()
    assert gaps_in(note(0.04), RATE) == []


def test_where_a_note_begins_or_ends_there_is_no_gap() -> None:
    early = note()
    early[: int(0.07 * RATE)] = 0
    assert gap_of(early, RATE).sure < GAP
    cut = note()
    cut[int(0.2 * RATE) :] = 0
    assert gap_of(cut, RATE).sure < GAP
    assert gap_of(gaping(note(), 0.08), RATE).sure < GAP, "an attack is not over yet"


# Whose it is


def judged(gaps: dict[int, Gap], dry: Any = None, clicks: dict[int, Tick] | None = None) -> list[Verdict]:
    """Verdicts on gaps by key, keys without one around them."""
    keys = list(range(40, 100))
    slots = [Slot(kind="note", title="", start=0, end=700, notes=(Note(0, 450, key, 100),)) for key in keys]
    ticks = {n: (clicks or {}).get(key, Tick(0.0, 0, np.ones(380, np.float32))) for n, key in enumerate(keys)}
    return clicked(slots, ticks, dry, RATE, {n: gaps.get(key, Gap(1.0, 200)) for n, key in enumerate(keys)})


def test_a_gap_in_one_note_is_told_as_one() -> None:
    (found,) = judged({70: Gap(45.0, 300)})
    assert (found.rule, found.what, found.key, found.velocity, found.reason) == ("bounce-click", "gap", 70, 100, "")
    assert (found.value, found.bound) == (45.0, GAP)
    assert judged({70: Gap(GAP, 300)}) == []
    assert judged({}) == []
    assert clicked([], {}, gaps={}) == []


def test_a_note_that_clicks_is_told_once() -> None:
    click = Tick(200.0, 300, np.ones(380, np.float32))
    (found,) = judged({70: Gap(45.0, 300)}, clicks={70: click})
    assert found.what == ""


def test_what_nine_of_ten_notes_have_is_the_sound_of_the_host() -> None:
    usual = {key: Gap(15.0, 100 + 7 * (key % 11)) for key in range(40, 100)}
    assert judged(usual | {70: Gap(GAP_OVER * 15.0 - 1, 300)}) == []
    assert [one.key for one in judged(usual | {70: Gap(GAP_OVER * 15.0 + 1, 300)})] == [70]


def test_a_gap_at_one_moment_of_a_sample_is_asked_by_ear() -> None:
    (found,) = judged({70: Gap(45.0, 300), 72: Gap(15.0, round(300 * 2 ** (-2 / 12)))})
    assert (found.reason, len(found.slots)) == (OF_THE_SAMPLE, 1)
    assert judged({70: Gap(45.0, 300), 72: Gap(15.0, 300)})[0].reason == ""
    assert judged({70: Gap(45.0, 300), 72: Gap(8.0, round(300 * 2 ** (-2 / 12)))})[0].reason == ""
    assert judged({62: Gap(45.0, 300), 75: Gap(15.0, round(300 * 2 ** (-13 / 12)))})[0].reason == ""


def test_many_gaps_are_one_fault_of_the_host() -> None:
    some = {42 + 13 * n: Gap(45.0 + n, 200 + 31 * n) for n in range(MANY)}
    assert len(judged(some)) == MANY
    (found,) = judged(some | {98: Gap(60.0, 130)})
    assert (found.key, found.velocity, len(found.slots), found.value) == (-1, -1, MANY + 1, 60.0)


def test_a_gap_that_lies_in_the_sample_is_the_samples() -> None:
    whole = note(0.6)[:, 0]
    torn = gaping(whole[:, None], 0.36, 1.5)
    # Sounded at its own pitch, what lies at 360 ms of the sample is heard 360 ms after the note began.
    torn = np.concatenate([note(FROM_S), torn])
    assert judged({70: Gap(45.0, 360)}, lambda _: [Dry(torn, RATE, 70.0)]) == []
    (found,) = judged({70: Gap(45.0, 250)}, lambda _: [Dry(torn, RATE, 70.0)])
    assert found.key == 70
    (found,) = judged({70: Gap(45.0, 360)}, lambda _: [Dry(np.concatenate([note(FROM_S), note(0.6)]), RATE, 70.0)])
    assert found.key == 70


def test_it_is_said_in_words() -> None:
    slot = Slot(kind="note", title="C4 at 100", start=0, end=700, notes=(Note(0, 450, 60, 100),))
    score = Score(part="keys", mark="x", slots=(slot, slot), length=1400)

    def says(*slots: int) -> str:
        verdict = Verdict(rule="bounce-click", key=60, slots=slots, value=44.0, bound=GAP, what="gap")
        (found,) = check_bounce(Judged(playback=Playback(rate=RATE, seconds=1.4), score=score, verdicts=(verdict,)))
        return found.measured

    assert says(0) == "the note is gone for a millisecond or two, and back"
    assert says(0, 1) == "2 notes are gone for a millisecond or two, and back"


def test_where_gaps_are_filled_up_it_is_said_once_unless_one_was_heard_all_the_same() -> None:
    slots = [Slot(kind=kind, title="", start=0, end=700) for kind in ("rest", "note", "note", "take")]
    (asked,) = filled_up(slots, [Verdict(rule="bounce-click", key=60, what="")])
    assert (asked.rule, asked.reason, asked.slots, asked.key) == ("bounce-click", FILLED, (1, 2), -1)
    assert filled_up(slots, [Verdict(rule="bounce-click", key=60, what="gap")]) == []


def test_nothing_is_no_click() -> None:
    assert NO_TICK.near(100, 8) is None
