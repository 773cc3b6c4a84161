"""The limits by which two bounces are held to differ, each tried on both of its sides with figures made for it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from companion.core.progress import Watch
from companion.trials.performance import comparing
from companion.trials.performance.align import Alignment
from companion.trials.performance.comparing import Difference, SideHeard, compare
from companion.trials.performance.hearing import Rest, Tone
from companion.trials.performance.timing import Rise, hear_rise, late

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
    rises: tuple[dict[int, Rise], dict[int, Rise]] = ({}, {}),
    takes: tuple[tuple[Rise, ...], ...] = (),
) -> Any:
    """Compare what was heard of two bounces, whatever they were."""
    heard = {
        "home": SideHeard(tones=home, rests=rests[0], rises=rises[0], takes=takes),
        "away": SideHeard(tones=away, rests=rests[1], rises=rises[1]),
    }
    monkeypatch.setattr(comparing, "_heard", lambda sound, score, watch: heard[sound])
    score: Any = SimpleNamespace(slots=[slot() for _ in range(9)])
    sides: Any = ("home", "away")
    return compare(sides[0], sides[1], score)


STEADY = {number: tone() for number in range(6)}
WHOLE = SideHeard(tones=STEADY, rests={}, rises={})


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


# -- when notes begin ------------------------------------------------------------------------------------------------

SHARP = {number: Rise(0.004, 0.003) for number in range(9)}


def moved(*milliseconds: float, span: float = 0.003) -> dict[int, Rise]:
    """The same notes, each so much later."""
    return {number: Rise(0.004 + by / 1000, span) for number, by in enumerate(milliseconds)}


@pytest.mark.parametrize(
    ("away", "expected"),
    [
        (moved(*[0] * 8, 29), {}),
        (moved(*[0] * 8, 31), {8: 31}),
        (moved(*[0] * 8, -31), {8: -31}),
        (moved(*[250] * 9), {}),  # all of them: that is a latency
        (moved(*[250] * 8, 290), {8: 40}),
        (moved(*[0] * 5, *[80] * 4), {5: 80, 6: 80, 7: 80, 8: 80}),  # a whole layer
        # The narrowest 40 %, the first four, are 31 ms wide around 15, so that 148 are allowed.
        (moved(0, 10, 20, 31, 43, 56, 70, 85, 170), {8: 155}),
        (moved(0, 10, 20, 31, 43, 56, 70, 85, 160), {}),
    ],
)
def test_a_note_is_late_by_what_stands_out_of_all_others(away: dict[int, Rise], expected: dict[int, float]) -> None:
    assert {number: round(1000 * value) for number, value in late(SHARP, away, ()).items()} == expected


def test_few_notes_tell_nothing() -> None:
    four, five = dict(list(SHARP.items())[:4]), dict(list(SHARP.items())[:5])
    assert late(four, moved(0, 0, 0, 99), ()) == {}
    assert set(late(five, moved(0, 0, 0, 0, 99), ())) == {4}
    assert set(late(five, moved(0, 0, 0, 60, 99), ())) == {3, 4}, "three that agree are enough"
    assert late(SHARP, {}, ()) == {}


@pytest.mark.parametrize(("side", "by", "told"), [(0, 61, True), (0, 59, False), (1, 61, True), (1, 59, False)])
def test_a_slow_attack_begins_at_no_one_moment(side: int, by: float, told: bool) -> None:
    """A rise of 100 ms, in either bounce, leaves 60 ms open."""
    sides = [dict(SHARP), moved(*[0] * 8, by)]
    sides[side][8] = Rise(sides[side][8].at, 0.1)
    assert bool(late(sides[0], sides[1], ())) is told


@pytest.mark.parametrize(("by", "told"), [(59, False), (61, True)])
def test_takes_that_begin_apart_at_home_leave_as_much_open(by: float, told: bool) -> None:
    takes = ((Rise(0.0, 0.0), Rise(0.005, 0.0)), (Rise(0.01, 0.0), Rise(0.03, 0.0), Rise(0.05, 0.0)), ())
    assert bool(late(SHARP, moved(*[0] * 8, by), takes)) is told
    assert late(SHARP, moved(*[0] * 8, 31), takes[:1]) != {}


def test_what_begins_late_is_told_behind_what_is_louder(monkeypatch: pytest.MonkeyPatch) -> None:
    rests = ({0: Rest(0.0, -70.0)}, {0: Rest(0.0, -50.0)})
    told = compared(monkeypatch, STEADY, {**STEADY, 5: tone(-30)}, rests, (SHARP, moved(*[0] * 8, 90)))
    assert [(one.what, one.slot) for one in told.differences] == [("level", 5), ("timing", 8), ("noise", 0)]
    assert abs(told.differences[1].value - 0.09) < 1e-9


class Burst:
    """Sound of one channel made of pieces: (from second, to second, level in dB)."""

    rate = RATE = 22_050
    seconds = 9.0

    def __init__(self, *pieces: tuple[float, float, float], swell: float = 0.0) -> None:
        self.data = np.zeros((9 * self.RATE, 1), np.float32)
        for first, last, level in pieces:
            frames = np.arange(int(last * self.RATE) - int(first * self.RATE)) / self.RATE
            rise = np.minimum(1.0, frames / swell) if swell else 1.0
            wave = 10 ** (level / 20) * np.sin(2 * np.pi * 441 * frames) * rise
            self.data[int(first * self.RATE) :][: len(wave), 0] += wave.astype(np.float32)

    def read(self, first: float, last: float) -> Any:
        return self.data[round(first * self.RATE) : round(last * self.RATE)]


@pytest.mark.parametrize("by", [-0.03, 0.0, 0.05, 0.3])
def test_a_rise_is_seen_where_it_is(by: float) -> None:
    found = hear_rise(Burst((2 + by, 2.45, -20)), 2.0, 2.45)
    assert found
    assert abs(found.at - by) < 0.006
    assert found.span < 0.012


def test_a_swell_is_seen_as_long_as_it_is() -> None:
    """Linear in amplitude over 400 ms: from a tenth to 35.5 % of its height are 102 ms."""
    found = hear_rise(Burst((2, 3, -20), swell=0.4), 2.0, 2.45)
    assert found
    assert abs(found.at - 0.142) < 0.008
    assert abs(found.span - 0.102) < 0.012


@pytest.mark.parametrize(
    ("sound", "seen"),
    [
        (Burst(), False),
        (Burst((1, 3, -20)), False),  # it sounds all along
        (Burst((1, 3, -31), (2, 3, -20)), False),  # 13.1 dB above what rings on, in phase with it
        (Burst((1, 3, -34), (2, 3, -20)), True),  # 15.6 dB
        (Burst((1.94, 3, -20)), False),  # there before it is looked for
        (Burst((1, 3, -150), (2, 3, -130)), False),  # nothing that is heard
    ],
)
def test_what_does_not_stand_out_is_not_seen_to_begin(sound: Burst, seen: bool) -> None:
    assert (hear_rise(sound, 2.0, 2.45) is not None) is seen
    assert hear_rise(sound, 2.0, 2.0) is None


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
    monkeypatch.setattr(comparing, "_heard", lambda sound, score, watch: None if sound == lost else WHOLE)
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

    def rises(sound: Any, *at: float) -> Rise | None:
        asked.append(("rise", at))
        return Rise(0.01, 0.002) if at[0] > 0 else None

    monkeypatch.setattr(comparing, "hear", hear)
    monkeypatch.setattr(comparing, "hear_rise", rises)
    monkeypatch.setattr(comparing, "hear_rest", hear_rest)
    slots = [slot(), slot("rest", 0), slot("take"), slot("note", 2), slot("voices", 1)]
    score: Any = SimpleNamespace(slots=slots, onsets=(0,), length=1000)
    sound: Any = SimpleNamespace(rate=RATE, seconds=10.0, blocks=lambda watch: iter(()))
    seen: list[int] = []
    told = comparing._heard(sound, score, Watch(lambda progress: seen.append(progress.done)))
    assert told
    assert (set(told.tones), set(told.rests), set(told.rises), told.takes) == ({0}, {1}, {0}, ((Rise(0.01, 0.002),),))
    # Of a note from its beginning to its end and the end of its slot, each where the bounce has it.
    rise = ("rise", (2.0, 2.5))
    assert asked == [rise, ("note", (2.0, 2.5, 3.0)), ("rest", (2.0, 3.0)), rise]
    monkeypatch.setattr(comparing, "align", lambda *given: None)
    assert comparing._heard(sound, score, Watch()) is None


RATE = 22_050
