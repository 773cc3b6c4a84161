"""The performance of the keys: its plan and file, finding it in a bounce, and each verdict with its innocent neighbour.

Bounces are rendered by the stand-in host: 25 keys at two touches, under a minute each.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.errors import Cancelled, CompanionError
from companion.core.findings import Finding
from companion.core.progress import Watch
from companion.trials.performance.align import align
from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.clicks import FILLED, Dry
from companion.trials.performance.judged import Judged
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import Playable, plan_keys, split_keys
from companion.trials.performance.listening import listen
from companion.trials.performance.midi import Asked, asked_in, midi_bytes
from companion.trials.performance.score import Score
from companion.trials.performance_rules import RULES, check_bounce, unheard

KEYS = tuple(range(48, 73))
PLAYABLE = Playable(keys=KEYS, takes=2)
SCORE = plan_keys(PLAYABLE)
MIDI = midi_bytes(SCORE, "Slate Choir")
RATE = 22_050


class Bounced:
    """Bounces of made instruments by the stand-in host. What each tells is judged once a session."""

    def __init__(self, standin: Any, once: Callable[[str, Callable[[], Any]], Any]) -> None:
        self._standin, self._once = standin, once
        self._made: dict[str, Any] = {}
        self._kept: dict[str, Any] = {}

    def __call__(self, kind: str, host: str = "A", release: float = 0.08, **faults: Any) -> Any:
        """Return the sound."""
        name = _name(kind, host, release, faults)
        if name not in self._kept:
            instrument = self._made.setdefault(kind, self._standin.Made(kind, seed=5, rate=RATE))
            broken = self._standin.Faults(**faults)
            self._kept[name] = self._standin.render(MIDI, instrument, host=host, faults=broken, release=release)
        return self._kept[name]

    def told(self, kind: str, host: str = "A", release: float = 0.08, **faults: Any) -> Judged:
        """Return what it tells."""
        judged: Judged = self._once(
            f"keys/{_name(kind, host, release, faults)}", lambda: told(self(kind, host, release, **faults))
        )
        return judged

    def place(self, kind: str, host: str = "A") -> Any:
        """Return where the performance lies in it."""
        return self._once(f"place/{_name(kind, host, 0.08, {})}", lambda: place(self(kind, host)))

    def found(self, kind: str, host: str = "A", release: float = 0.08, **faults: Any) -> set[tuple[str, int | None]]:
        """Return what blocks, warns or notes, by rule and key."""
        return _rules(self.told(kind, host, release, **faults))


def _name(kind: str, host: str, release: float, faults: dict[str, Any]) -> str:
    plain = {name: sorted(value) if isinstance(value, frozenset) else value for name, value in faults.items() if value}
    return repr((kind, host, release, sorted(plain.items())))


@pytest.fixture(scope="module")
def bounced(standin: Any, once: Any) -> Bounced:
    """``bounced("organ", host="A", silent=…)``: the bounce as an array; ``.told(…)``, ``.found(…)``: what it tells."""
    return Bounced(standin, once)


def told(sound: Any, rate: int = RATE, scores: tuple[Score, ...] = (SCORE,)) -> Judged:
    return judge(ArraySound(sound, rate), scores)


def found(sound: Any) -> set[tuple[str, int | None]]:
    """What blocks, warns or notes, by rule and key."""
    return _rules(told(sound))


def _rules(judged: Judged) -> set[tuple[str, int | None]]:
    return {(finding.rule, finding.at.key) for finding in check_bounce(judged)}


def fault(rule: str, *keys: int) -> set[tuple[str, int | None]]:
    return {(rule, key) for key in keys}


# The plan and its file


def test_every_key_is_played_at_every_touch_and_gaps_are_irregular() -> None:
    played = {(note.key, note.velocity) for slot in SCORE.slots if slot.kind == "note" for note in slot.notes}
    assert played == {(key, velocity) for key in KEYS for velocity in PLAYABLE.velocities}
    gaps = {after.start - before.notes[0].off for before, after in zip(SCORE.slots, SCORE.slots[1:], strict=False)
            if before.kind == after.kind == "note"}  # fmt: skip
    assert len(gaps) > 20
    assert SCORE.slots[0].start >= 800, "silence first: the noise of the host is heard in it"
    assert sum(slot.kind == "rest" for slot in SCORE.slots) >= 4


def test_the_mark_takes_in_all_that_is_asked_for() -> None:
    others = [
        plan_keys(PLAYABLE, seed=1),
        plan_keys(Playable(keys=KEYS, takes=2, patch="other")),
        plan_keys(Playable(keys=KEYS, takes=3)),
        plan_keys(Playable(keys=KEYS[1:], takes=2)),
        plan_keys(Playable(keys=KEYS, takes=2, velocities=(30, 100))),
    ]
    assert len({SCORE.mark, *(score.mark for score in others)}) == 6
    assert plan_keys(PLAYABLE) == SCORE


def test_too_long_a_performance_leaves_keys_out_evenly_and_says_how_many() -> None:
    short = plan_keys(PLAYABLE, most_seconds=80)
    keys = sorted({note.key for slot in short.slots if slot.kind == "note" for note in slot.notes})
    assert short.length <= 80_000
    assert short.left_out == len(KEYS) - len(keys) > 0
    assert (keys[0], keys[-1]) == (KEYS[0], KEYS[-1])
    assert max(b - a for a, b in pairwise(keys)) <= 2


def test_in_parts_every_key_is_played_beside_its_neighbours() -> None:
    parts = split_keys(PLAYABLE, 0, 80)
    assert [(part.number, part.parts) for part in parts] == [(1, 2), (2, 2)]
    assert all(part.length <= 80_000 for part in parts)
    keys = [sorted({note.key for note in part.notes}) for part in parts]
    assert [key for block in keys for key in block] == list(KEYS)
    assert len({part.mark for part in parts}) == 2


def test_too_short_a_time_is_refused_with_the_least_there_is() -> None:
    with pytest.raises(CompanionError, match=r"Give it 7\d s or more"):
        plan_keys(PLAYABLE, most_seconds=45)
    with pytest.raises(CompanionError, match="or more"):
        split_keys(PLAYABLE, 0, 20)


def test_the_file_is_type_one_on_one_channel_names_its_slots_and_ends_in_silence() -> None:
    file = mido.MidiFile(file=io.BytesIO(MIDI))
    assert file.type == 1
    assert abs(file.length - SCORE.length / 1000) < 0.002
    assert {message.channel for message in file if not message.is_meta} == {0}
    markers = [message.text for message in file.tracks[0] if message.type == "marker"]
    assert markers == [slot.title for slot in SCORE.slots]
    controls = [(message.control, message.value) for message in file if message.type == "control_change"]
    assert controls == [(64, 0), (120, 0), (123, 0)]


@given(st.integers(0, 999_999), st.integers(0, 99_999), st.booleans())
@settings(max_examples=20)
def test_the_file_says_how_it_was_asked_for(seed: int, seconds: int, split: bool) -> None:
    asked = Asked(seed, seconds, split)
    assert asked_in(midi_bytes(SCORE, "x", asked)) == asked


def test_a_hostile_title_stays_text() -> None:
    data = midi_bytes(SCORE, "a\x1b[31m\u202e" + "é" * 10)
    (name,) = [
        message.name for message in mido.MidiFile(file=io.BytesIO(data)).tracks[0] if message.type == "track_name"
    ]
    assert "\x1b" not in name
    assert asked_in(b"MThd nothing of ours") is None


# Finding it in a bounce


def place(sound: Any, score: Score = SCORE, rate: int = RATE) -> Any:
    heard = listen([sound[first : first + 60_000] for first in range(0, len(sound), 60_000)], rate)
    return align(heard.onsets, heard.seconds, [on / 1000 for on in score.onsets], score.length / 1000)


@pytest.mark.parametrize("kind", ["struck", "sustained", "organ", "kit"])
@pytest.mark.parametrize("host", ["A", "B"])
def test_a_bounce_is_found_within_a_hundredth_of_a_second(bounced: Bounced, kind: str, host: str) -> None:
    here = bounced.place(kind, host)
    assert here is not None
    assert abs(here.offset) < 0.012
    assert abs(here.ratio - 1) < 3e-4
    assert all(there for _, _, there in here.covered)


def test_slow_attacks_are_found_against_decoys(bounced: Bounced) -> None:
    here = bounced.place("pad")
    assert here is not None
    assert abs(here.offset) < 0.03


def test_late_drifting_halved_mono_and_soft_bounces_are_followed(bounced: Bounced) -> None:
    plain = bounced("organ")
    late = np.concatenate([np.zeros((int(2.3 * RATE), 2), np.float32), plain])
    assert place(late).offset == pytest.approx(2.3, abs=0.012)
    at = np.arange(int(len(plain) * 1.0002) - 2) / 1.0002
    drifted = plain[at.astype(int)]
    here = place(drifted)
    assert here.ratio == pytest.approx(1.0002, abs=1e-4)
    assert here.at(SCORE.length / 1000) == pytest.approx(SCORE.length / 1000 * 1.0002, abs=0.015)
    assert place(plain.mean(axis=1, keepdims=True)) is not None
    assert place(plain * np.float32(0.01)) is not None
    other_way = plain * np.array([1, -1], np.float32)
    assert place(other_way) is not None, "channels of opposite polarity must not cancel"
    twice = np.repeat(plain, 2, axis=0)
    assert place(twice, rate=2 * RATE).offset == pytest.approx(0, abs=0.012)


def test_a_cut_bounce_is_followed_and_told(bounced: Bounced) -> None:
    judged = told(bounced("organ")[20 * RATE :])
    assert judged.score is SCORE
    assert judged.playback.offset == pytest.approx(-20, abs=0.02)
    assert judged.playback.missing
    (finding,) = check_bounce(judged)
    assert finding.rule == "bounce-other"
    assert finding.blocks
    assert "slots are not in it" in finding.measured


def test_a_bounce_of_another_performance_is_of_none(bounced: Bounced) -> None:
    other = plan_keys(PLAYABLE, seed=1)
    judged = told(bounced("organ"), scores=(other,))
    assert judged.score is None
    (finding,) = check_bounce(judged)
    assert (finding.rule, finding.blocks) == ("bounce-other", True)
    assert told(bounced("organ"), scores=(other, SCORE)).score is SCORE


@pytest.mark.parametrize("what", ["silence", "noise", "a tone", "a beat", "nothing", "a constant"])
def test_what_is_no_bounce_passes_for_none(what: str) -> None:
    draw, length = np.random.default_rng(3), 60 * RATE
    time = np.arange(length) / RATE
    beat = (np.arange(length) % int(0.74 * RATE) < 800) * draw.standard_normal(length)
    sound = {
        "silence": np.zeros(length),
        "noise": 0.1 * draw.standard_normal(length),
        "a tone": 0.5 * np.sin(2 * np.pi * 440 * time),
        "a beat": 0.3 * beat,
        "nothing": np.zeros(0),
        "a constant": np.full(length, 0.5),
    }[what]
    assert told(sound.astype(np.float32)[:, None]).score is None


# Verdicts: the fault, and the nearest that is none


@pytest.mark.parametrize("kind", ["struck", "sustained", "organ", "pad", "kit"])
@pytest.mark.parametrize("host", ["A", "B"])
def test_a_clean_bounce_has_no_finding(bounced: Bounced, kind: str, host: str) -> None:
    """Random takes, a free chorus, noise, vibrato, layers of another timbre, slow attacks and kits are no faults."""
    judged = bounced.told(kind, host)
    assert judged.score == SCORE
    assert check_bounce(judged) == ()


def test_long_releases_are_no_fault(bounced: Bounced) -> None:
    assert bounced.found("organ", release=0.5) == set()


@pytest.mark.parametrize("kind", ["struck", "organ", "kit"])
@pytest.mark.parametrize("host", ["A", "B"])
def test_a_silent_key(bounced: Bounced, kind: str, host: str) -> None:
    assert bounced.found(kind, host, silent=frozenset({55, 72})) == fault("note-silent", 55, 72)


@pytest.mark.parametrize("kind", ["struck", "sustained"])
def test_a_key_a_semitone_off(bounced: Bounced, kind: str) -> None:
    judged = bounced.told(kind, "B", transposed={52: 1, 66: -1})
    assert _rules(judged) == fault("note-off-pitch", 52, 66)
    cents = {finding.at.key: finding.value for finding in check_bounce(judged)}
    assert cents[52] == pytest.approx(100, abs=25)
    assert cents[66] == pytest.approx(-100, abs=25)


def test_faults_of_several_keys_are_each_told_at_its_key_and_20_cents_are_none(bounced: Bounced) -> None:
    judged = bounced.told("organ", **ODD)
    assert _rules(judged) == {
        ("note-late", 52),
        ("note-short", 57),
        ("note-aside", 63),
        ("note-off-pitch", 67),
        ("bounce-offset", None),
    }
    values = {finding.rule: finding.value for finding in check_bounce(judged)}
    assert values["note-off-pitch"] == pytest.approx(35, abs=3)
    assert values["note-late"] == pytest.approx(60, abs=5)
    assert values["bounce-offset"] == pytest.approx(0.012, abs=1e-3)


def test_in_a_kit_pitch_is_not_judged_rather_than_guessed(bounced: Bounced) -> None:
    judged = bounced.told("kit", transposed={52: 1})
    assert check_bounce(judged) == ()
    asked = {rule: slots for (rule, _), slots in unheard(judged).items()}
    assert set(asked) == {"note-off-pitch", "note-level-step", "voices-lost"}, (
        "how loud a drum should be, no other says"
    )
    slots = asked["note-off-pitch"]
    assert {SCORE.slots[number].notes[0].key for number in slots} == set(KEYS)


def test_a_key_louder_or_softer_than_both_sides(bounced: Bounced) -> None:
    assert bounced.found("organ", gain={53: -6, 60: 6}) == fault("note-level-step", 53, 60)


def test_a_step_between_two_halves_is_no_fault_of_a_key(bounced: Bounced) -> None:
    assert bounced.found("organ", gain=dict.fromkeys(range(60, 73), 6)) == set()


@pytest.mark.parametrize("host", ["A", "B"])
def test_a_key_softer_when_played_harder(bounced: Bounced, host: str) -> None:
    assert bounced.found("organ", host, inverted=frozenset({58})) == fault("velocity-inverted", 58)


def test_a_note_that_hangs_is_told_alone(bounced: Bounced) -> None:
    assert bounced.found("organ", stuck=frozenset({57})) == fault("note-stuck", 57)


def test_a_note_that_hangs_little_above_the_noise_is_told(bounced: Bounced) -> None:
    quiet = bounced("organ") * np.float32(0.1)
    hung = bounced("organ", stuck=frozenset({57})) * np.float32(0.1)
    noise = np.random.default_rng(4).normal(0, 10 ** (-70 / 20), hung.shape).astype(np.float32)
    assert fault("note-stuck", 57) <= found(hung + noise)
    assert not {rule for rule, _ in found(quiet + noise)} & {"note-stuck"}


def test_a_level_that_moves_by_itself_is_asked_by_hand_not_accused(bounced: Bounced) -> None:
    judged = bounced.told("struck", "B", gain={60: 6})
    assert {finding.at.key for finding in check_bounce(judged)} <= {60}
    asked = {rule for rule, _ in unheard(judged)}
    assert "note-level-step" in asked or any(finding.at.key == 60 for finding in check_bounce(judged))


def test_a_held_note_that_others_push_out_is_told_with_how_many(bounced: Bounced) -> None:
    lost = check_bounce(bounced.told("organ", voices=6))
    assert [(finding.rule, finding.value) for finding in lost] == [("voices-lost", 8)]
    assert bounced.found("organ", voices=16) == set()


def test_notes_that_hiss_together_are_told(bounced: Bounced) -> None:
    (hissing,) = check_bounce(bounced.told("organ", hiss=-48.0))
    assert (hissing.rule, hissing.bound) == ("voices-hiss", -60)
    assert hissing.value == pytest.approx(-48 - 12 + 12, abs=2), "16 voices, 12 dB of headroom in the host"
    assert bounced.found("organ", hiss=-75.0) == set(), "under the limit"
    assert bounced.found("organ", "B") == set(), "what the host brings along is there without a note"
    assert bounced.found("sustained") == set(), "what the notes hide is not heard"


def test_one_take_over_and_over(bounced: Bounced) -> None:
    repeated = frozenset({KEYS[3], KEYS[10]})
    assert {slot.notes[0].key for slot in SCORE.slots if slot.kind == "take"} >= repeated
    assert bounced.found("organ", one_take=repeated) == fault("take-repeats", *repeated)


def test_where_takes_are_drawn_by_chance_one_key_is_not_accused(bounced: Bounced) -> None:
    judged = bounced.told("organ", "B", one_take=frozenset({KEYS[3]}))
    assert _rules(judged) == set()
    assert "take-repeats" in {rule for rule, _ in unheard(judged)}, "under a free chorus no two notes are alike"
    assert ("bounce-click", FILLED) in unheard(judged), "nor is a gap of a millisecond one there"
    assert "bounce-click" not in {rule for rule, _ in unheard(bounced.told("organ"))}


def test_a_click_in_a_note(bounced: Bounced) -> None:
    assert bounced.found("sustained", click_on=frozenset({63})) == fault("bounce-click", 63)


def test_a_click_that_a_sample_has_is_asked_by_ear_or_nothing_where_the_sample_is_known(standin: Any) -> None:
    class Cracked(standin.Made):  # type: ignore[misc]
        def _make(self, root: int, layer: int, take: int) -> Any:
            sample, loop = super()._make(root, layer, take)
            if root == 63:
                sample[int(0.25 * self.rate)] += 0.5
            return sample, loop

    sound = ArraySound(standin.render(MIDI, Cracked("organ", seed=5, rate=RATE)), RATE)
    judged = judge(sound, [SCORE])
    assert check_bounce(judged) == ()
    (numbers,) = [slots for (rule, _), slots in unheard(judged).items() if rule == "bounce-click"]
    assert 63 in {SCORE.slots[number].notes[0].key for number in numbers} <= {63, 64, 65}
    click = np.zeros((RATE, 1), np.float32)
    click[int(0.25 * RATE)] = 0.5
    known = judge(sound, [SCORE], dry_of=lambda key: [Dry(click, RATE, 63.0)])
    assert "bounce-click" not in {rule for rule, _ in unheard(known)}


def test_a_clipped_bounce(bounced: Bounced) -> None:
    rules = {finding.rule for finding in check_bounce(bounced.told("organ", drive=36.0))}
    assert "bounce-clipped" in rules


ODD: dict[str, Any] = {
    "late": {52: 0.06},
    "short": frozenset({57}),
    "aside": frozenset({63}),
    "transposed": {67: 0.35, 70: -0.2},
    "offset": 0.012,
}
CALM: dict[str, Any] = {"turned": True, "offset": -0.008}
NEIGHBOURS: dict[str, tuple[tuple[str, dict[str, Any]], tuple[str, dict[str, Any]]]] = {
    # rule: the bounce with the fault, and the nearest one without
    "bounce-clipped": (("organ", {"drive": 36.0}), ("organ", {})),
    "bounce-offset": (("organ", ODD), ("organ", CALM)),
    "bounce-click": (("sustained", {"click_on": frozenset({63})}), ("struck", {})),
    "note-silent": (("kit", {"host": "B", "silent": frozenset({55, 72})}), ("pad", {})),
    "note-off-pitch": (("sustained", {"host": "B", "transposed": {52: 1, 66: -1}}), ("kit", {"transposed": {52: 1}})),
    "note-stuck": (("organ", {"stuck": frozenset({57})}), ("organ", {"release": 0.5})),
    "note-level-step": (("organ", {"gain": {53: -6, 60: 6}}), ("organ", {"gain": dict.fromkeys(range(60, 73), 6)})),
    "velocity-inverted": (("organ", {"host": "B", "inverted": frozenset({58})}), ("sustained", {"host": "B"})),
    "note-late": (("organ", ODD), ("pad", {})),
    "note-short": (("organ", ODD), ("struck", {})),
    "note-aside": (("organ", ODD), ("organ", CALM)),
    "take-repeats": (
        ("organ", {"one_take": frozenset({KEYS[3], KEYS[10]})}),
        ("organ", {"host": "B", "one_take": frozenset({KEYS[3]})}),
    ),
    "voices-lost": (("organ", {"voices": 6}), ("organ", {"voices": 16})),
    "voices-hiss": (("organ", {"hiss": -48.0}), ("organ", {"hiss": -75.0})),
}


def test_every_rule_of_the_bounce_has_a_fault_and_an_innocent_neighbour() -> None:
    # A bounce of something else has tests of its own, further up.
    assert {*NEIGHBOURS, "bounce-other"} == {rule.id for rule in RULES}


@pytest.mark.parametrize("rule", NEIGHBOURS)
def test_a_fault_is_told_and_its_nearest_neighbour_is_not(bounced: Bounced, rule: str) -> None:
    (kind, faults), (other, kept) = NEIGHBOURS[rule]
    assert rule in {one for one, _ in bounced.found(kind, **faults)}
    assert rule not in {one for one, _ in bounced.found(other, **kept)}


def test_findings_lead_to_their_place_in_the_bounce(bounced: Bounced) -> None:
    finding: Finding = check_bounce(bounced.told("organ", silent=frozenset({55, 72})))[0]
    assert finding.at.frames is not None
    first = finding.at.frames[0] / RATE
    assert any(abs(slot.start / 1000 - first) < 0.05 and slot.notes[0].key == finding.at.key
               for slot in SCORE.slots if slot.kind == "note")  # fmt: skip
    assert finding.at.rate == RATE


def test_judging_can_be_stopped(bounced: Bounced) -> None:
    watch = Watch()
    watch.cancel()
    with pytest.raises(Cancelled):
        judge(ArraySound(bounced("organ"), RATE), [SCORE], watch)
