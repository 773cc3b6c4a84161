"""The performance of the controls: its plan, the words it reads, and each verdict with its innocent neighbour.

Bounces are rendered by a stand-in host, three controls each, and found again by the aligner as any other bounce is.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, pairwise, product
from typing import Any

import msgspec
import numpy as np
import pytest

from companion.core.errors import Cancelled
from companion.core.facts import Control
from companion.core.findings import Finding
from companion.core.progress import Watch
from companion.trials.performance.align import align
from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.controls_hearing import hear_panel
from companion.trials.performance.controls_judged import ControlVerdict, MeasuredControls
from companion.trials.performance.controls_plan import (
    BEFORE,
    HIGH,
    LOW,
    MIDDLE,
    PAIRS,
    STRETCH,
    Knob,
    Panel,
    glide_of,
    knobs_of,
    plan_controls,
    visits_of,
)
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.differences import Spread
from companion.trials.performance.directions import DIRECTIONS, said
from companion.trials.performance.features import NAMES, Ground, Times, features
from companion.trials.performance.judged import Verdict
from companion.trials.performance.keys import voice_slots
from companion.trials.performance.listening import listen
from companion.trials.performance.midi import midi_bytes
from companion.trials.performance.score import Clock, Score
from companion.trials.performance.voices import hear_voices, judge_voices
from companion.trials.performance_control_rules import RULES, check_measured

RATE = 24_000
FIRST_CC = 20


@pytest.fixture(scope="module")
def host(panel_host: Any) -> Any:
    """The stand-in host with a panel."""
    return panel_host


Judge = Callable[..., MeasuredControls]


@pytest.fixture(scope="module")
def bounced(host: Any, once: Any) -> Judge:
    """``bounced("level", "pan", kind="sustained", on="A", dead=["level"])``: what the bounce of such a panel tells."""

    def run(*effects: str, kind: str = "sustained", on: str = "A", passes: int = 4, **faults: Any) -> MeasuredControls:
        name = f"panel/{(effects, kind, on, passes, sorted(faults.items()))}"
        told: MeasuredControls = once(name, lambda: _judged(host, effects, kind, on, passes, faults))
        return told

    return run


def _judged(
    host: Any, effects: tuple[str, ...], kind: str, on: str, passes: int, faults: dict[str, Any]
) -> MeasuredControls:
    wires = [host.wired(effect, FIRST_CC + place) for place, effect in enumerate(effects)]
    numbered = {effect: FIRST_CC + place for place, effect in enumerate(effects)}

    def by_cc(names: Any) -> Any:
        return numbered[names] if isinstance(names, str) else tuple(by_cc(one) for one in names)

    knobs = tuple(
        Knob(
            name=effect.title(),
            cc=wire.cc,
            rest=wire.rest,
            effect=host.WORDS[effect],
            layer=effect in ("breath", "layer") and "layer" in effects,
        )
        for effect, wire in zip(effects, wires, strict=True)
    )
    panel = Panel(knobs=knobs, takes=2, passes=passes)
    score = plan_controls(panel)
    sound = host.render(
        midi_bytes(score, "Slate"),
        host.synthetic(kind, seed=5, rate=RATE),
        wires,
        {fault: by_cc(names) for fault, names in faults.items()},
        on,
    )
    return measured(score, panel, sound)


def measured(score: Score, panel: Panel, sound: Any, rate: int = RATE) -> MeasuredControls:
    heard = ArraySound(sound, rate)
    listened = listen(heard.blocks(), rate)
    place = align(listened.onsets, listened.seconds, [on / 1000 for on in score.onsets], score.length / 1000)
    assert place, "the performance was not found in its own bounce"
    return MeasuredControls(panel=panel, verdicts=tuple(judge_controls(hear_panel(score, panel, heard, place))))


def verdict(told: MeasuredControls, rule: str, effect: str = "") -> ControlVerdict:
    place = [knob.name for knob in told.panel.knobs].index(effect.title()) if effect else -1
    (found,) = [one for one in told.verdicts if one.rule == rule and one.control == place]
    return found


def faults_of(told: MeasuredControls) -> set[tuple[str, str]]:
    """(rule, control's name) of each finding."""
    return {(finding.rule, finding.at.control) for finding in check_measured(told)}


# ---------------------------------------------------------------- the plan

KNOBS = tuple(Knob(name=f"Knob {place}", cc=FIRST_CC + place) for place in range(5))


def test_each_control_is_played_at_both_ends_twice_and_between_and_comes_home() -> None:
    score = plan_controls(Panel(knobs=KNOBS))
    for place in range(len(KNOBS)):
        own = [slot for slot in score.slots if slot.control == place]
        assert [slot.state[place] for slot in own if slot.kind == "probe"] == [
            LOW,
            LOW,
            32,
            MIDDLE,
            96,
            HIGH,
            HIGH,
            MIDDLE,
        ]
        assert [slot.kind for slot in own][-3:] == ["held", "paired", "home"]
        company = [slot.state for slot in own if slot.kind == "company"]
        assert [state[place] for state in company] == [LOW, HIGH, LOW]
        assert all(value == MIDDLE for state in company for other, value in enumerate(state) if other != place)


def test_slots_follow_each_other_and_every_message_lies_inside_its_own() -> None:
    score = plan_controls(Panel(knobs=KNOBS, takes=3))
    assert all(one.end <= two.start for one, two in pairwise(score.slots))
    for slot in score.slots:
        assert all(slot.start <= move.at < slot.end for move in slot.moves)
        assert all(slot.start < note.on < note.off <= slot.end for note in slot.notes)


@pytest.mark.parametrize("takes", range(1, 8))
def test_each_state_meets_the_same_takes(takes: int) -> None:
    score = plan_controls(Panel(knobs=KNOBS[:2], takes=takes))
    assert all(len(slot.notes) % takes == 0 for slot in score.slots if slot.notes)


@pytest.mark.parametrize("count", range(2, 9))
def test_the_rows_hold_every_pair_of_ends_in_each_of_four_orders(count: int) -> None:
    knobs = tuple(Knob(name=f"Knob {place}", cc=FIRST_CC + place) for place in range(count))
    slots = [slot for slot in plan_controls(Panel(knobs=knobs)).slots if slot.kind == "row"]
    states = {slot.state for slot in slots}
    assert len(slots) == 4 * len(states)
    for one, two in combinations(range(count), 2):
        assert {(state[one], state[two]) for state in states} == set(product((LOW, HIGH), repeat=2))


def test_what_controls_stand_at_is_what_was_sent() -> None:
    score = plan_controls(Panel(knobs=KNOBS))
    stands = {knob.cc: -1 for knob in KNOBS}
    for slot in score.slots:
        for move in slot.moves:
            stands[move.cc] = move.value
        assert tuple(stands[knob.cc] for knob in KNOBS) == slot.state


def test_another_plan_has_another_mark() -> None:
    panel = Panel(knobs=KNOBS)
    others = [
        msgspec.structs.replace(panel, key=61),
        msgspec.structs.replace(panel, takes=2),
        msgspec.structs.replace(panel, patch="other"),
        msgspec.structs.replace(panel, knobs=KNOBS[:4]),
        msgspec.structs.replace(panel, knobs=(*KNOBS[:4], msgspec.structs.replace(KNOBS[4], rest=1))),
    ]
    marks = [plan_controls(one).mark for one in (panel, *others)] + [plan_controls(panel, seed=1).mark]
    assert len(set(marks)) == len(marks)
    assert plan_controls(panel).mark == marks[0]


def test_too_little_time_leaves_out_orders_first_and_then_controls() -> None:
    panel = Panel(knobs=KNOBS)
    whole = plan_controls(panel).length / 1000
    fewer = plan_controls(panel, most_seconds=whole - 5)
    assert fewer.left_out == 0
    assert len({slot.title.rpartition(", ")[2] for slot in fewer.slots if slot.kind == "row"}) == 2
    short = plan_controls(panel, most_seconds=90)
    assert short.length <= 90_000
    assert 0 < short.left_out < len(KNOBS)


def test_a_held_note_has_four_jumps_and_a_glide_over_every_value() -> None:
    held = next(slot for slot in plan_controls(Panel(knobs=KNOBS)).slots if slot.kind == "held")
    jumps, begin, end = glide_of(held)
    values = [move.value for move in held.moves if move.at in jumps]
    assert (len(jumps), values[:4]) == (4, [HIGH, LOW, HIGH, LOW])
    assert 780 <= end - begin <= 800
    assert [move.value for move in held.moves if move.at >= begin] == list(range(1, 128))


@pytest.mark.parametrize("takes", [1, 2, 3])
def test_a_control_goes_back_and_forth_in_pairs_and_which_end_comes_first_keeps_no_time(takes: int) -> None:
    slots = [slot for slot in plan_controls(Panel(knobs=KNOBS, takes=takes)).slots if slot.kind == "paired"]
    orders = []
    for slot in slots:
        cc = KNOBS[slot.control].cc
        for on, stretches, off in visits_of(slot):
            assert (stretches[0][0], off) == (on + BEFORE, stretches[-1][0] + STRETCH)
            # What a host hears at the beginning of a stretch is what the plan says of it.
            for begin, value in stretches:
                assert [move.value for move in slot.moves if move.cc == cc and move.at <= begin][-1] == value
            pairs = [(one, two) for (_, one), (_, two) in zip(stretches[::2], stretches[1::2], strict=True)]
            assert sorted(pairs) == [(LOW, HIGH)] * (PAIRS // 2) + [(HIGH, LOW)] * (PAIRS // 2)
            orders.append(tuple(pairs))
    assert len(slots) == len(KNOBS)
    assert len(set(orders)) > len(orders) // 2


def test_controls_that_cannot_be_played_are_left_to_the_hand_and_it_is_said_why() -> None:
    knobs, out = knobs_of(
        [
            Control(name="Tone", cc=74, low=-1, high=1, rest=0),
            Control(name="Air"),
            Control(name="Twin", cc=74),
            Control(name="Pedal", cc=64),
            Control(name="Stuck", cc=20, low=1, high=1, rest=1),
        ]
    )
    assert [(knob.name, knob.rest) for knob in knobs] == [("Tone", 64)]
    assert set(out) == {"Air", "Twin", "Pedal", "Stuck"}
    assert all(out.values())


def test_without_a_control_there_is_nothing_to_play() -> None:
    with pytest.raises(ValueError, match="no control"):
        plan_controls(Panel(knobs=()))


# ---------------------------------------------------------------- the words


@pytest.mark.parametrize(
    ("effect", "meant"),
    [
        ("from dark to bright", ("bright", 1)),
        ("from open to closed", ("bright", -1)),
        ("opens the filter", ("bright", 1)),
        ("less bright", ("bright", -1)),
        ("from no voice to a loud hum", ("loud", 1)),
        ("from loud to soft", ("loud", -1)),
        ("raises the volume", ("loud", 1)),
        ("from narrow to wide", ("wide", 1)),
        ("from a wide picture to mono", ("wide", -1)),
        ("lowers the pitch", ("high", -1)),
        ("from a fast to a slow attack", ("slow", 1)),
        ("from a soft to a hard attack", ("slow", -1)),
        ("shortens the release", ("long", -1)),
        ("from a short to a long release", ("long", 1)),
        ("reduces the reverb", ("wet", -1)),
        ("adds breath noise", ("noisy", 1)),
        ("from left to right", ("right", 1)),
        ("more vibrato", ("vibrato", 1)),
    ],
)
def test_words_that_name_one_direction(effect: str, meant: tuple[str, int]) -> None:
    assert said(effect) == meant


@pytest.mark.parametrize(
    "effect",
    [
        "",
        "from struck to brushed slate",
        "louder and brighter",
        "adds a lower octave",
        "the left hand alone",
        "from loud to loud",
        "magic",
        "\x1b[2J" * 500,
    ],
)
def test_words_that_promise_nothing_measured(effect: str) -> None:
    assert said(effect) is None


# ---------------------------------------------------------------- hearing


def test_numbers_of_closed_form_tones() -> None:
    """6 dB more level, an octave up, a side channel: each moves its own number by what it should."""
    time = np.arange(3 * RATE) / RATE
    times = Times(on=0.2, off=0.9, short_on=1.35, short_off=1.45, end=1.9)
    gate = ((time > 0.2) & (time < 0.9)) | ((time > 1.35) & (time < 1.45))

    def heard(left: float = 0.1, right: float = 0.1, pitch: float = 440.0) -> dict[str, float]:
        tone = np.sin(2 * np.pi * pitch * time) * gate
        sound = ArraySound(np.stack([left * tone, right * tone], axis=1).astype(np.float32), RATE)
        return dict(zip(NAMES, features(sound, times, Ground()), strict=True))

    plain = heard()
    assert heard(0.2, 0.2)["level"] - plain["level"] == pytest.approx(6.02, abs=0.02)
    assert heard(0.2, 0.1)["pan"] - plain["pan"] == pytest.approx(-6.02, abs=0.02)
    assert heard(pitch=1760)["bright"] - plain["bright"] == pytest.approx(2 / 0.12, rel=0.1)


def test_noise_alone_brings_no_distance_and_an_effect_does() -> None:
    draw = np.random.default_rng(4)
    scale = draw.uniform(0.05, 1.0, len(NAMES))
    spread = Spread([draw.normal(0, scale) for _ in range(24)])
    null = [spread.distance(draw.normal(0, scale)) for _ in range(200)]
    effect = np.zeros(len(NAMES))
    effect[NAMES.index("level")] = 20.0
    assert float(np.quantile(null, 0.99)) < 3 * spread.usual < spread.distance(effect)


# ---------------------------------------------------------------- verdicts, each with its innocent neighbour


def test_a_sound_panel_is_proven(bounced: Judge) -> None:
    told = bounced("lowpass", "level", "pan")
    assert check_measured(told) == ()
    for effect in ("lowpass", "level", "pan"):
        for rule in (
            "control-no-effect",
            "control-wrong-effect",
            "control-not-steady",
            "control-clicks",
            "control-jumps",
        ):
            assert verdict(told, rule, effect).outcome == "fine", (rule, effect)
        assert verdict(told, "control-unreturned", effect).outcome == "fine"
    assert verdict(told, "order-matters").outcome == "fine"


@pytest.mark.parametrize(("kind", "on"), [("struck", "A"), ("sustained", "B"), ("struck", "B")])
def test_takes_at_random_a_free_chorus_and_noise_are_no_fault(bounced: Judge, kind: str, on: str) -> None:
    assert check_measured(bounced("lowpass", "level", "pan", kind=kind, on=on)) == ()


def test_what_moves_by_itself_is_no_fault(bounced: Judge) -> None:
    """A vibrato and a tremolo that run free, a long release, a slow attack."""
    assert check_measured(bounced("vibrato", "tremolo")) == ()
    assert check_measured(bounced("attack", "release")) == ()


def test_a_dead_control_blocks_a_reversed_one_and_one_that_clicks_warn(bounced: Judge) -> None:
    told = bounced("lowpass", "level", "pan", dead=["level"], reversed=["lowpass"], clicking=["pan"])
    assert faults_of(told) == {
        ("control-no-effect", "Level"),
        ("control-wrong-effect", "Lowpass"),
        ("control-clicks", "Pan"),
    }
    assert [one.outcome for one in told.verdicts if one.control == 1 and one.rule != "control-unreturned"] == ["fault"]


def test_in_an_unsteady_bounce_a_dead_control_is_told_or_asked_by_hand_never_proven(bounced: Judge) -> None:
    told = bounced("lowpass", "level", "pan", on="B", dead=["level"], reversed=["lowpass"], clicking=["pan"])
    assert verdict(told, "control-no-effect", "level").outcome != "fine"
    assert verdict(told, "control-wrong-effect", "lowpass").outcome == "fault"
    assert verdict(told, "control-clicks", "pan").outcome == "fault"


def test_a_control_with_the_effect_of_another_is_its_twin(bounced: Judge) -> None:
    told = bounced("level", "pan", swapped=[("level", "pan")])
    assert faults_of(told) >= {("control-wrong-effect", "Level"), ("control-wrong-effect", "Pan")}
    assert verdict(told, "control-wrong-effect", "level").others == (1,)


def test_jumps_and_a_middle_that_remembers_warn(bounced: Judge) -> None:
    told = bounced("lowpass", "level", "pan", jumping=["level"], hysteresis=["lowpass"])
    assert faults_of(told) == {("control-jumps", "Level"), ("control-not-steady", "Lowpass")}


def test_a_switch_may_jump(host: Any) -> None:
    knob = Knob(name="Level", cc=FIRST_CC, rest=HIGH, effect="from soft to loud", kind="switch")
    panel = Panel(knobs=(knob,), takes=2)
    score = plan_controls(panel)
    wires = [host.wired("level", FIRST_CC)]
    sound = host.render(midi_bytes(score, "x"), host.synthetic("sustained", seed=5), wires, {"jumping": [FIRST_CC]})
    assert check_measured(measured(score, panel, sound)) == ()


def test_a_control_that_does_not_come_home_and_orders_that_matter_warn(bounced: Judge) -> None:
    told = bounced("lowpass", "level", "pan", unreturned=["pan"])
    assert ("control-unreturned", "Pan") in faults_of(told)
    told = bounced("lowpass", "level", "pan", order=("level", "pan"))
    assert "order-matters" in {rule for rule, _ in faults_of(told)}


def test_a_pair_that_silences_blocks_and_is_named(bounced: Judge) -> None:
    told = bounced("tune", "drive", "vibrato", pair_silent=("tune", "vibrato"))
    (finding,) = [one for one in check_measured(told) if one.rule == "pair-silences"]
    assert "“Tune”" in finding.measured
    assert "“Vibrato”" in finding.measured


def test_ends_that_are_soft_alone_may_be_silent_together(bounced: Judge) -> None:
    assert verdict(bounced("level", "fade", "pan"), "pair-silences").outcome != "fault"


def test_a_layer_alone_may_be_softer_but_not_by_far(bounced: Judge) -> None:
    told = bounced("breath", "layer", layer_drop=("breath", ["layer"]))
    assert ("layer-alone-drops", "Breath") in faults_of(told)
    assert "layer-alone-drops" not in {rule for rule, _ in faults_of(bounced("breath", "layer"))}


def test_a_control_whose_words_speak_of_more_than_one_key_is_not_called_dead(host: Any) -> None:
    knob = Knob(name="Glide", cc=FIRST_CC, effect="glide from key to key")
    panel = Panel(knobs=(knob, Knob(name="Plain", cc=FIRST_CC + 1, effect="from dark to bright")), takes=2)
    score = plan_controls(panel)
    sound = host.render(midi_bytes(score, "x"), host.synthetic("sustained", seed=5), [])
    told = measured(score, panel, sound)
    assert verdict(told, "control-no-effect", "glide").outcome == "unjudged"
    assert verdict(told, "control-no-effect", "plain").outcome == "fault"


def test_what_is_not_in_the_bounce_is_not_judged(host: Any) -> None:
    knobs = (
        Knob(name="Level", cc=FIRST_CC, rest=HIGH, effect="from soft to loud"),
        Knob(name="Pan", cc=FIRST_CC + 1, rest=MIDDLE, effect="from left to right"),
    )
    panel = Panel(knobs=knobs, takes=2)
    score = plan_controls(panel)
    wires = [host.wired("level", FIRST_CC), host.wired("pan", FIRST_CC + 1)]
    sound = host.render(midi_bytes(score, "x"), host.synthetic("sustained", seed=5), wires)
    second = next(slot.start for slot in score.slots if slot.control == 1)
    told = measured(score, panel, sound[: round(second / 1000 * RATE)])
    assert verdict(told, "control-no-effect", "level").outcome == "fine"
    assert verdict(told, "control-no-effect", "pan").outcome == "unjudged"


def test_a_bounce_of_one_channel_at_another_rate_late_and_drifting_tells_what_it_can(host: Any) -> None:
    effects = ("level", "pan")
    wires = [host.wired(effect, FIRST_CC + place) for place, effect in enumerate(effects)]
    knobs = tuple(
        Knob(name=effect.title(), cc=wire.cc, rest=wire.rest, effect=host.WORDS[effect])
        for effect, wire in zip(effects, wires, strict=True)
    )
    panel = Panel(knobs=knobs, takes=2)
    score = plan_controls(panel)
    sound = host.render(midi_bytes(score, "x"), host.synthetic("sustained", seed=5), wires).mean(axis=1)
    # 2.3 s late, a clock 200 ppm off, 32 kHz, normalised.
    places = np.arange(int(len(sound) * 32 / 24 * 1.0002) - 4) * 24 / 32 / 1.0002
    other = np.interp(places, np.arange(len(sound)), sound).astype(np.float32)
    other = np.concatenate([np.zeros(int(2.3 * 32_000), np.float32), other / np.abs(other).max() * 0.99])
    told = measured(score, panel, other[:, None], rate=32_000)
    assert check_measured(told) == ()
    assert verdict(told, "control-wrong-effect", "level").outcome == "fine"
    assert verdict(told, "control-no-effect", "pan").outcome in ("fine", "unjudged")


def test_judging_can_be_cancelled_and_silence_proves_nothing(host: Any) -> None:
    panel = Panel(knobs=KNOBS[:1])
    score = plan_controls(panel)
    sound = ArraySound(np.zeros((round(score.length / 1000 + 1) * 8000, 1), np.float32), 8000)

    class Stop(Watch):
        def step(self, count: int = 1, note: str = "") -> None:
            raise Cancelled

    class Everywhere:
        def at(self, seconds: float) -> float:
            return seconds

        def covers(self, seconds: float) -> bool:
            return True

    with pytest.raises(Cancelled):
        hear_panel(score, panel, sound, Everywhere(), Stop())
    silent = judge_controls(hear_panel(score, panel, sound, Everywhere()))
    assert {one.outcome for one in silent if one.rule == "control-no-effect"} == {"unjudged"}


# ---------------------------------------------------------------- each rule, and its nearest neighbour

THREE = ("lowpass", "level", "pan")
BROKEN = {"dead": ["level"], "reversed": ["lowpass"], "clicking": ["pan"]}
NEIGHBOURS: dict[str, tuple[tuple[tuple[str, ...], dict[str, Any], str], tuple[tuple[str, ...], dict[str, Any]]]] = {
    # rule: (effects, faults, whose fault it is), (effects and host in which it is none)
    "control-no-effect": ((THREE, BROKEN, "level"), (THREE, {"on": "B"})),
    "control-wrong-effect": ((THREE, BROKEN, "lowpass"), (THREE, {"kind": "struck", "on": "B"})),
    "control-clicks": ((THREE, BROKEN, "pan"), (("vibrato", "tremolo"), {})),
    "control-not-steady": (
        (THREE, {"jumping": ["level"], "hysteresis": ["lowpass"]}, "lowpass"),
        (("attack", "release"), {}),
    ),
    "control-jumps": ((THREE, {"jumping": ["level"], "hysteresis": ["lowpass"]}, "level"), (THREE, {"on": "C"})),
    "control-unreturned": ((THREE, {"unreturned": ["pan"]}, "pan"), (("attack", "release"), {})),
    "order-matters": ((THREE, {"order": ("level", "pan")}, ""), (("vibrato", "tremolo"), {})),
    "pair-silences": (
        (("tune", "drive", "vibrato"), {"pair_silent": ("tune", "vibrato")}, ""),
        (("level", "fade", "pan"), {}),
    ),
    "layer-alone-drops": (
        (("breath", "layer"), {"layer_drop": ("breath", ["layer"])}, "breath"),
        (("breath", "layer"), {}),
    ),
}


def test_every_rule_has_a_fault_and_an_innocent_neighbour() -> None:
    assert set(NEIGHBOURS) == {rule.id for rule in RULES}


@pytest.mark.parametrize("rule", NEIGHBOURS)
def test_a_fault_is_told_and_its_nearest_neighbour_is_not(bounced: Judge, rule: str) -> None:
    (effects, faults, whose), (others, kept) = NEIGHBOURS[rule]
    told = [one for one in bounced(*effects, **faults).verdicts if one.rule == rule and one.outcome == "fault"]
    assert {one.control for one in told} == {effects.index(whose) if whose else -1}
    assert rule not in {one for one, _ in faults_of(bounced(*others, **kept))}


def test_what_glides_for_long_and_in_blocks_is_no_fault_and_the_same_in_bare_steps_is(bounced: Judge) -> None:
    """Host C: 7-bit steps behind a glide of 20 to 80 ms, a swaying room and a limiter; its own takes."""
    assert faults_of(bounced(*THREE, on="C")) == set()
    told = bounced(*THREE, on="C", clicking=["level"])
    assert faults_of(told) == {("control-clicks", "Level")}


# ---------------------------------------------------------------- voices


def _voices(host: Any, kind: str, **faults: Any) -> list[Verdict]:
    clock = Clock("voices")
    slots = voice_slots(clock, tuple(range(48, 73)), 100)
    score = Score(part="keys", mark="voices", slots=tuple(slots), length=clock.now + 50)
    sound = host.render(midi_bytes(score, "x"), host.synthetic(kind, seed=5), [], faults)

    class Exact:
        def at(self, seconds: float) -> float:
            return seconds

        def covers(self, seconds: float) -> bool:
            return True

    return judge_voices(score.slots, hear_voices(score.slots, ArraySound(sound, RATE), Exact()))


def test_a_kept_note_that_is_stolen_is_told_with_how_many_voices(host: Any) -> None:
    assert [(one.value, one.reason) for one in _voices(host, "sustained", voices=6)] == [(8, "")]
    assert _voices(host, "sustained", voices=16) == []


def test_no_more_voices_are_asked_for_than_promised() -> None:
    assert [len(slot.notes) for slot in voice_slots(Clock("x"), range(48, 73), 100, most=8)] == [1, 4, 8]
    assert voice_slots(Clock("x"), (60, 61), 100) == []


# ---------------------------------------------------------------- rules


def test_every_fault_has_a_rule_and_every_finding_its_words() -> None:
    knobs = (Knob(name="\x1b[2JTone", cc=20, effect="dark to \x1b[1mbright"), Knob(name="Air", cc=21))
    told = tuple(
        ControlVerdict(rule=rule.id, outcome="fault", control=0, others=(0, 1), value=3.0, bound=2.0, says="silent")
        for rule in RULES
    )
    findings: tuple[Finding, ...] = check_measured(MeasuredControls(panel=Panel(knobs=knobs), verdicts=told))
    assert {finding.rule for finding in findings} == {rule.id for rule in RULES}
    assert not any("\x1b" in f"{finding.where}{finding.measured}{finding.limit}" for finding in findings)
    fine = tuple(msgspec.structs.replace(one, outcome="fine") for one in told)
    assert check_measured(MeasuredControls(panel=Panel(knobs=knobs), verdicts=fine)) == ()


def test_every_direction_is_carried_by_numbers_that_exist() -> None:
    assert all(set(direction.weights) <= set(NAMES) for direction in DIRECTIONS.values())
