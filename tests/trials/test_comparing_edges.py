"""The limits by which two bounces are held to differ, each tried on both of its sides with figures made for it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from companion.core.progress import Watch
from companion.trials.performance import comparing
from companion.trials.performance.align import Alignment
from companion.trials.performance.comparing import Difference, compare
from companion.trials.performance.hearing import Rest, Tone

QUIET = -90.0
BINS = 960


def peak(cents: float) -> Any:
    """A spectrum on the scale of cents with three partials, moved by so many cents, of length one."""
    found = np.zeros(BINS, np.float32)
    for partial in (0, 1200, 1902):
        found[round((2400 + partial + cents) / 10)] = 1.0
    found -= found.mean()
    return (found / np.linalg.norm(found)).astype(np.float32)


def tone(loud: float = -20.0, *, before: float = QUIET, level: float | None = None, cents: float | None = 0.0) -> Tone:
    spectrum = None if cents is None else peak(cents)
    return Tone(before=before, loud=loud, level=loud if level is None else level, after=QUIET, peak=0.5, cents=spectrum)


def slot(kind: str = "note", notes: int = 1) -> Any:
    played = [SimpleNamespace(key=60, on=0, off=500) for _ in range(notes)]
    return SimpleNamespace(kind=kind, notes=played, start=0, end=1000)


def compared(
    monkeypatch: pytest.MonkeyPatch,
    home: dict[int, Tone],
    away: dict[int, Tone],
    rests: tuple[dict[int, Rest], dict[int, Rest]] = ({}, {}),
) -> Any:
    """Compare what was heard of two bounces, whatever they were."""
    heard = {"home": (home, rests[0]), "away": (away, rests[1])}
    monkeypatch.setattr(comparing, "_heard", lambda sound, score, watch: heard[sound])
    score: Any = SimpleNamespace(slots=[slot() for _ in range(9)])
    sides: Any = ("home", "away")
    return compare(sides[0], sides[1], score)


STEADY = {number: tone() for number in range(6)}


def found(monkeypatch: pytest.MonkeyPatch, one: Tone, other: Tone) -> list[tuple[str, int, float]]:
    """What differs of one note among six that do not."""
    told = compared(monkeypatch, {**STEADY, 6: one}, {**STEADY, 6: other})
    return [(each.what, each.slot, round(each.value, 3)) for each in told.differences]


@pytest.mark.parametrize(
    ("one", "other", "expected"),
    [
        # it must be there without a doubt at home, and not begin away, and be much softer
        (tone(-20), tone(-46.5, before=-50), [("missing", 6, -26.5)]),
        (tone(-20), tone(-46.0, before=-50), []),
        (tone(-20, before=-34), tone(-60, before=-60), [("missing", 6, -40.0)]),
        (tone(-20, before=-33.9), tone(-60, before=-60), []),
        (tone(-20), tone(-60, before=-65.9), [("missing", 6, -40.0)]),
    ],
)
def test_a_note_is_missing_where_it_is_clear_at_home_and_does_not_begin_away(
    monkeypatch: pytest.MonkeyPatch, one: Tone, other: Tone, expected: list[Any]
) -> None:
    assert [each for each in found(monkeypatch, one, other) if each[0] == "missing"] == expected


def test_a_soft_note_that_begins_is_softer_and_not_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert found(monkeypatch, tone(-20), tone(-60, before=-66)) == [("level", 6, -40.0)]


def test_what_is_missing_is_told_against_the_volume_of_the_host(monkeypatch: pytest.MonkeyPatch) -> None:
    """Away everything is 20 dB louder: a note at -30 there is 30 dB too soft, and one at -27 is 27."""
    louder = {number: tone(0.0) for number in STEADY}
    for away, expected in ((-30.0, [-30.0]), (-27.0, [-27.0]), (-25.9, [])):
        told = compared(monkeypatch, {**STEADY, 6: tone()}, {**louder, 6: tone(away, before=away)})
        assert told.gain == 20.0
        assert [each.value for each in told.differences if each.what == "missing"] == expected


@pytest.mark.parametrize(
    ("cents", "expected"), [(0, []), (30, []), (40, [40]), (-30, []), (-40, [-40]), (100, [100]), (-200, [-200])]
)
def test_a_note_is_off_pitch_from_35_cents_on(
    monkeypatch: pytest.MonkeyPatch, cents: float, expected: list[float]
) -> None:
    told = [each for each in found(monkeypatch, tone(), tone(cents=cents)) if each[0] == "pitch"]
    assert [round(value, -1) for _, _, value in told] == expected


@pytest.mark.parametrize(
    ("one", "other", "judged"),
    [
        (tone(-20, before=-34), tone(-20, before=-34, cents=100), True),
        (tone(-20, before=-33.9), tone(-20, before=-34, cents=100), False),
        (tone(-20, before=-34), tone(-20, before=-33.9, cents=100), False),
        (tone(cents=None), tone(cents=100), False),
        (tone(cents=100), tone(cents=None), False),
    ],
)
def test_pitch_is_judged_of_notes_that_are_clear_in_both(
    monkeypatch: pytest.MonkeyPatch, one: Tone, other: Tone, judged: bool
) -> None:
    assert ("pitch" in [each[0] for each in found(monkeypatch, one, other)]) is judged


@pytest.mark.parametrize(
    ("likeness", "lead", "error", "judged"),
    [
        (0.35, 0.06, 36.0, True),
        (0.34, 0.06, 36.0, False),
        (0.35, 0.05, 36.0, False),
        (0.9, 0.5, 35.0, False),
        (0.9, 0.5, -35.1, True),
    ],
)
def test_a_shift_is_believed_where_it_is_like_and_leads(
    monkeypatch: pytest.MonkeyPatch, likeness: float, lead: float, error: float, judged: bool
) -> None:
    monkeypatch.setattr(
        comparing, "shifted_by", lambda one, other, centre: (error, likeness, lead) if centre == 0 else (0.0, 1.0, 1.0)
    )
    told = [each for each in found(monkeypatch, tone(), tone()) if each[1] == 6]
    assert told == ([("pitch", 6, round(error, 3))] if judged else [])


@pytest.mark.parametrize(
    ("by", "expected"), [(4.5, []), (-4.5, []), (4.6, [("level", 6, 4.6)]), (-4.6, [("level", 6, -4.6)])]
)
def test_a_level_strays_by_more_than_it_may(
    monkeypatch: pytest.MonkeyPatch, by: float, expected: list[tuple[str, int, float]]
) -> None:
    assert found(monkeypatch, tone(-30), tone(-30 + by)) == expected


@pytest.mark.parametrize(("by", "expected"), [(22.75, []), (22.76, [8]), (-22.75, []), (-22.76, [8])])
def test_where_levels_scatter_they_must_stray_by_more_than_that(
    monkeypatch: pytest.MonkeyPatch, by: float, expected: list[int]
) -> None:
    """Four notes 2 dB up, four 2 dB down, one far out: the median is 2 dB on its side, the median deviation from that
    4 dB, and 3.5 × 1.4826 × 4 dB = 20.756 dB is the most that a note may stray.
    """
    levels = [2.0, -2.0] * 4 + [by]
    home = {number: tone(-60) for number in range(9)}
    told = compared(monkeypatch, home, {number: tone(-60 + value) for number, value in enumerate(levels)})
    assert told.gain == (2.0 if by > 0 else -2.0)
    assert [each.slot for each in told.differences] == expected


def test_levels_are_those_of_the_note_while_held_and_of_notes_that_begin_in_both(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert found(monkeypatch, tone(-20, level=-25), tone(-20, level=-35)) == [("level", 6, -10.0)]
    assert found(monkeypatch, tone(-20, before=-26), tone(-30)) == [("level", 6, -10.0)]
    assert found(monkeypatch, tone(-20, before=-25.9), tone(-30)) == []
    assert found(monkeypatch, tone(-20), tone(-30, before=-36)) == [("level", 6, -10.0)]
    assert found(monkeypatch, tone(-20), tone(-30, before=-35.9)) == []


@pytest.mark.parametrize(("heard", "enough"), [(2, False), (3, True)])
def test_volumes_are_matched_by_three_notes_at_least(monkeypatch: pytest.MonkeyPatch, heard: int, enough: bool) -> None:
    notes = {number: tone() if number < heard else tone(QUIET) for number in range(6)}
    told = compared(monkeypatch, notes, notes)
    assert (told is not None) is enough
    if enough:
        assert (told.slots, told.gain, told.differences) == (6, 0.0, ())


def test_only_what_was_heard_in_both_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    told = compared(monkeypatch, {**STEADY, 6: tone()}, {**STEADY, 7: tone(-60)})
    assert (told.slots, told.differences) == (6, ())


@pytest.mark.parametrize(
    ("home", "away", "gain", "expected"),
    [
        ({0: -70}, {0: -63.9}, 0, [(0, 6.1)]),
        ({0: -70}, {0: -64.0}, 0, []),
        ({0: -90}, {0: -75.0}, 0, []),  # nobody hears that
        ({0: -90}, {0: -74.9}, 0, [(0, 15.1)]),
        ({0: -70}, {0: -55.0}, 10, []),  # everything is louder there
        ({0: -70}, {0: -53.0}, 10, [(0, 7.0)]),
        ({0: -70, 1: -70, 2: -70}, {0: -60, 1: -55, 2: -62}, 0, [(1, 15.0)]),  # told once, where it is worst
        ({0: -70, 1: -70}, {1: -50, 2: -20}, 0, [(1, 20.0)]),
        ({0: -50}, {0: -70}, 0, []),
        ({}, {}, 0, []),
    ],
)
def test_noise_is_told_once_where_it_is_worst(
    monkeypatch: pytest.MonkeyPatch, home: Any, away: Any, gain: float, expected: list[tuple[int, float]]
) -> None:
    louder = {number: tone(-20 + gain) for number in STEADY}
    rests = tuple({n: Rest(early=0.0, late=float(late)) for n, late in one.items()} for one in (home, away))
    told = compared(monkeypatch, STEADY, louder, (rests[0], rests[1]))
    assert [(one.slot, round(one.value, 6)) for one in told.differences] == expected
    assert all(one.what == "noise" for one in told.differences)


def test_differences_come_by_what_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    home = {**STEADY, 6: tone(), 7: tone(), 8: tone()}
    away = {**STEADY, 6: tone(-70, before=-70), 7: tone(cents=100), 8: tone(-40)}
    told = compared(monkeypatch, home, away)
    assert [(one.what, one.slot) for one in told.differences] == [("missing", 6), ("pitch", 7), ("level", 8)]
    assert isinstance(told.differences[0], Difference)


# -- what is heard of a bounce at all --------------------------------------------------------------------------------


def placed(offset: float, *, found: bool = True) -> Alignment:
    return Alignment(offset=offset, ratio=1.0, fit=20.0, covered=((0.0, 100.0, found),))


@pytest.mark.parametrize(
    ("offset", "seconds", "found", "there"),
    [
        (0.0, 10.0, True, True),
        (-1.01, 10.0, True, True),  # what begins within 20 ms of the start is there
        (-1.02, 10.0, True, False),
        (0.0, 1.71, True, True),  # and so is what ends within 0.3 s behind the end
        (0.0, 1.70, True, False),
        (0.0, 10.0, False, False),  # its stretch was not found
        (-0.5, 1.19, True, False),
    ],
)
def test_a_slot_is_there_where_the_bounce_holds_it(offset: float, seconds: float, found: bool, there: bool) -> None:
    assert comparing._is_there(placed(offset, found=found), 1.0, 2.0, seconds) is there


def test_the_limits_of_where_it_is_lie_outside() -> None:
    assert not comparing._is_there(placed(-0.02), 0.0, 1.0, 9.0)
    assert comparing._is_there(placed(-0.019), 0.0, 1.0, 9.0)
    assert not comparing._is_there(placed(0.0), 0.5, 0.3, 0.0)
    assert comparing._is_there(placed(0.0), 0.5, 0.299, 0.0)


@pytest.mark.parametrize("lost", ["home", "away"])
def test_what_is_no_bounce_of_it_on_either_side_is_not_compared(monkeypatch: pytest.MonkeyPatch, lost: str) -> None:
    monkeypatch.setattr(comparing, "_heard", lambda sound, score, watch: None if sound == lost else (STEADY, {}))
    score: Any = SimpleNamespace(slots=[slot()])
    sides: Any = ("home", "away")
    assert compare(sides[0], sides[1], score) is None


def test_single_notes_and_rests_are_heard_and_progress_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    heard = SimpleNamespace(onsets=(), seconds=0.01)
    monkeypatch.setattr(comparing, "listen", lambda blocks, rate: heard)
    monkeypatch.setattr(comparing, "align", lambda *given: placed(2.0))
    asked: list[tuple[str, tuple[float, ...]]] = []

    def hear(sound: Any, *at: float) -> Tone:
        asked.append(("note", at))
        return tone()

    def hear_rest(sound: Any, *at: float) -> Rest:
        asked.append(("rest", at))
        return Rest(0.0, -70.0)

    monkeypatch.setattr(comparing, "hear", hear)
    monkeypatch.setattr(comparing, "hear_rest", hear_rest)
    slots = [slot(), slot("rest", 0), slot("take"), slot("note", 2), slot("voices", 1)]
    score: Any = SimpleNamespace(slots=slots, onsets=(0,), length=1000)
    sound: Any = SimpleNamespace(rate=RATE, seconds=10.0, blocks=lambda watch: iter(()))
    seen: list[int] = []
    tones, rests = comparing._heard(sound, score, Watch(lambda progress: seen.append(progress.done))) or ({}, {})
    assert (set(tones), set(rests)) == ({0}, {1})
    # Of a note from its beginning to its end and the end of its slot, each where the bounce has it.
    assert asked == [("note", (2.0, 2.5, 3.0)), ("rest", (2.0, 3.0))]
    monkeypatch.setattr(comparing, "align", lambda *given: None)
    assert comparing._heard(sound, score, Watch()) is None


RATE = 22_050
