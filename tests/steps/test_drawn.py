"""Pictures from findings and measured data: each fault is drawn where it lies, and its innocent neighbour is not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import pytest

from companion.core.entries import Kind as FileKind
from companion.core.facts import Facts, Layer, Limits, Naming
from companion.core.findings import NOWHERE, WARNS, At, Finding
from companion.core.rules import findings_of
from companion.drawing.shapes import KINDS, Bars, Drawing, KeyMap, Plot
from companion.sound.checks.model import SoundModel, sound_model
from companion.sound.drawing.values import PitchTrack, SeamSides, Wave
from companion.sound.measures.measured import Click, Measured, MeasuredLoop, Run
from companion.sound.rules import RULES
from companion.steps.catalogue import RULES as ALL_RULES
from companion.steps.drawn.drawers import DRAWERS
from companion.steps.drawn.keymap import key_map
from companion.steps.drawn.levels import levels
from companion.steps.drawn.pitch import pitch
from companion.steps.drawn.seam import loop_of, seam, seam_window
from companion.steps.drawn.wave import near_window, waveform
from companion.steps.drawn.which import KIND_OF, Sight, has_picture, kinds_of

RATE = 48_000
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
PATTERN = Facts(naming=Naming(pattern="{layer}_{note}_v{velocity}_rr{take}", middle_c="C4"))


def found(rule: str, path: str = "a.wav", at: At = NOWHERE, **more: Any) -> Finding:
    return Finding(rule=rule, severity=WARNS, path=path, at=at, **more)


def at(start: int, end: int) -> At:
    return At(frames=(start, end), rate=RATE)


def wave(values: Sequence[float], start: int = 0, whole: int = 0, **more: Any) -> Wave:
    row = tuple(map(float, values))
    told: dict[str, Any] = {
        "rate": RATE,
        "channels": 1,
        "whole": whole or start + len(row),
        "start": start,
        "end": start + len(row),
        "lows": (row,),
        "highs": (row,),
        "single": True,
        "peak": max((abs(value) for value in row), default=0.0),
    }
    return Wave(**{**told, **more})


def plot(drawing: Drawing, number: int = -1) -> Plot:
    pane = [pane for pane in drawing.panes if isinstance(pane, Plot)][number]
    assert isinstance(pane, Plot)
    return pane


def marked(pane: Plot, ink: str = "mark") -> list[tuple[float, float]]:
    return [(mark.start, mark.end) for mark in pane.marks if mark.ink == ink]


def figures(drawing: Drawing) -> dict[str, str]:
    return {figure.label: figure.text for figure in drawing.figures}


def named(note: int, velocity: int = 1, take: int = 1, layer: str = "slate") -> str:
    return f"{layer}_{NAMES[note % 12]}{note // 12 - 1}_v{velocity}_rr{take}.wav"


def sample(**more: Any) -> Measured:
    told: dict[str, Any] = {
        "format": "WAV", "subtype": "PCM_24", "bits": 24, "seconds": 2.0, "frames": 96_000, "rate": RATE,
        "channels": 1, "peak_dbfs": -3.0, "channel_peaks": (0.7,), "momentary_max_lufs": -20.0,
    }  # fmt: skip
    return Measured(**{**told, **more})


def model_of(measured: dict[str, Measured], facts: Facts = PATTERN) -> tuple[SoundModel, tuple[Finding, ...]]:
    model = sound_model(measured, {}, facts)
    return model, findings_of(RULES, model)


# -- which ---------------------------------------------------------------------------------------------------------


def test_every_rule_with_a_picture_is_a_rule_and_every_picture_is_known() -> None:
    assert set(KIND_OF) <= {rule.id for rule in ALL_RULES}
    assert set(KIND_OF.values()) <= set(KINDS) == set(DRAWERS)


@pytest.mark.parametrize(
    ("finding", "there"),
    [
        (found("clipped"), True),
        (found("clipped", path=""), False),
        (found("path-home", at=At(byte=3)), True),
        (found("path-home"), False),
        (found("note-gap", path=""), True),
        (found("fact-missing", path="release.toml", at=At(fact="instrument.contact")), False),
    ],
)
def test_a_finding_has_a_picture_where_it_says_of_what(finding: Finding, there: bool) -> None:
    assert has_picture(finding) is there


def test_the_picture_of_the_finding_comes_first() -> None:
    assert kinds_of(FileKind.SAMPLE, found("loop-seam"))[:2] == ("seam", "waveform")
    assert kinds_of(FileKind.SAMPLE)[0] == "waveform"
    assert kinds_of(FileKind.PATCH) == ("bytes",)
    assert kinds_of(None)[0] == "map"
    assert Sight(finding=found("clipped"), path="b.wav").place == "b.wav"


# -- waveform ------------------------------------------------------------------------------------------------------


def test_a_click_is_marked_at_its_frame_and_nothing_else_is() -> None:
    known = sample(clicks=(Click(640, 20.0),), loops=(MeasuredLoop(start=10, end=900),))
    drawn = waveform("a.wav", [wave([0.1] * 1000)], finding=found("click-inside", at=at(640, 641)), known=known)
    assert marked(plot(drawn)) == [(640, 641)]
    assert marked(plot(drawn), "second") == [(10, 900)]
    innocent = waveform("a.wav", [wave([0.1] * 1000)], known=known)
    assert marked(plot(innocent)) == []


def test_every_flat_top_is_marked() -> None:
    runs = (Run(5, 3, 0, 0.1), Run(60, 4, 0, 0.1))
    drawn = waveform(
        "a.wav", [wave([1.0] * 100)], finding=found("clipped", at=at(5, 8)), known=sample(clipped_runs=runs)
    )
    assert marked(plot(drawn)) == [(5, 8), (60, 64)]


def test_a_loop_behind_the_end_makes_the_axis_longer() -> None:
    drawn = waveform("a.wav", [wave([0.1] * 1000)], finding=found("loop-invalid", at=at(200, 1400)))
    assert plot(drawn).x.high == 1400
    assert marked(plot(drawn)) == [(1000, 1400)]
    assert drawn.window
    assert drawn.window.whole == 1400


def test_what_a_file_lacks_at_its_end_is_told() -> None:
    drawn = waveform("a.wav", [wave([0.1] * 10)], finding=found("file-truncated"), known=sample(frames_promised=99))
    assert [mark.text for mark in plot(drawn).marks] == ["cut off: 99 were promised"]


def test_an_offset_is_held_against_its_limit_on_its_own_side() -> None:
    finding = found("dc-offset", value=-0.03, bound=0.02, measured="mean −0.030")
    drawn = waveform("a.wav", [wave([0.1] * 10)], finding=finding)
    assert [bound.value for bound in plot(drawn).bounds] == [-0.03, -0.02]
    assert figures(drawn)["Measured"] == "mean −0.030"


def test_the_place_is_shown_from_near_below_the_whole() -> None:
    drawn = waveform("a.wav", [wave([0.1] * 900), wave([0.1] * 100, start=400, whole=900)], finding=found("clipped"))
    first, second = drawn.panes
    assert isinstance(first, Plot)
    assert isinstance(second, Plot)
    assert [(m.start, m.end, m.text) for m in first.marks] == [(400, 500, "shown below")]
    assert (second.x.low, second.x.high) == (400, 500)
    assert drawn.window
    assert (drawn.window.start, drawn.window.end, drawn.window.whole) == (400, 500, 900)


def test_channels_are_drawn_below_each_other_where_they_differ() -> None:
    both = wave([0.1] * 9, channels=2, lows=((0.1,) * 9, (0.0,) * 9), highs=((0.1,) * 9, (0.0,) * 9))
    drawn = waveform("a.wav", [both], finding=found("channel-dead", at=At(channel=1)))
    assert [pane.title for pane in drawn.panes] == ["channel 1", "channel 2"]


def test_two_files_said_to_be_one_are_drawn_below_each_other() -> None:
    finding = found("takes-same", at=At(others=("b.wav",)))
    drawn = waveform("a.wav", [wave([0.1] * 9)], finding=finding, other=("b.wav", wave([0.1] * 9)))
    assert [pane.title for pane in drawn.panes] == ["a.wav", "b.wav"]


@pytest.mark.parametrize(
    ("values", "words"), [([0.0] * 10, "nothing but silence"), ([0.5] * 10, "peak −6.0 dBFS"), ([], "silence")]
)
def test_the_peak_in_view_is_told(values: list[float], words: str) -> None:
    drawn = waveform("a.wav", [wave(values)])
    assert words in figures(drawn)["In view"]
    assert bool(plot(drawn).empty) is not bool(values)


@pytest.mark.parametrize(
    ("place", "whole", "span"),
    [
        (None, 90_000, (0, 90_000)),
        ((640, 641), 90_000, (161, 1121)),
        ((0, 1), 90_000, (0, 960)),
        ((89_990, 90_000), 90_000, (89_040, 90_000)),
        ((10, 20_000), 90_000, (0, 90_000)),
        ((10, 12), 500, (0, 500)),
        ((400, 99_000), 90_000, (0, 90_000)),
    ],
)
def test_what_is_shown_first_holds_the_place(place: tuple[int, int] | None, whole: int, span: tuple[int, int]) -> None:
    window = near_window(found("clipped", at=at(*place)) if place else None, whole, RATE)
    assert (window.start, window.end) == pytest.approx(span, abs=1)


# -- seam ----------------------------------------------------------------------------------------------------------


def sides(jump: float) -> SeamSides:
    """A loop of whole periods whose start lies ``jump`` above where its end leaves off."""
    tone = [0.5 * math.sin(2 * math.pi * n / 25) for n in range(-50, 50)]
    return SeamSides(rate=RATE, whole=9000, reach=50, at_end=tuple(tone), at_start=tuple(v + jump for v in tone))


@pytest.mark.parametrize("jump", [0.0, 0.4])
def test_a_seam_jumps_in_the_middle_by_what_it_jumps(jump: float) -> None:
    loop = MeasuredLoop(start=100, end=8000, seam="audible" if jump else "clean", jump=jump)
    drawn = seam("a.wav", sides(jump), loop, seam_window(loop, RATE), found("loop-seam") if jump else None)
    played, over = (pane for pane in drawn.panes if isinstance(pane, Plot))
    (line,) = played.traces
    steps = [abs(after - before) for before, after in zip(line.ys, line.ys[1:], strict=False)]
    usual = 0.5 * 2 * math.pi / 25
    assert line.xs[steps.index(max(steps)) + 1] == 0 or not jump
    assert max(steps) == pytest.approx(usual + jump, rel=0.05)
    apart = {round(b - a, 6) for a, b in zip(over.traces[0].ys, over.traces[1].ys, strict=True)}
    assert apart == {jump}
    assert [mark.ink for mark in played.marks] == ["mark" if jump else "second"]


def test_the_loop_of_the_finding_is_chosen() -> None:
    loops = (MeasuredLoop(start=0, end=100), MeasuredLoop(start=200, end=300))
    assert loop_of(loops, found("loop-seam", at=at(299, 300))) == loops[1]
    assert loop_of(loops, None) == loops[0]
    assert loop_of((), None) is None


@pytest.mark.parametrize("length", [1, 8, 100, 1_000_000])
def test_a_seam_is_always_the_middle_of_its_view(length: int) -> None:
    window = seam_window(MeasuredLoop(start=0, end=length), RATE)
    assert window.start + window.end == window.whole
    assert 0 <= window.start < window.end


# -- pitch ---------------------------------------------------------------------------------------------------------


def track(cents: Sequence[float], clarity: float = 0.99) -> PitchTrack:
    count = len(cents)
    return PitchTrack(
        rate=RATE,
        whole=RATE,
        seconds=tuple((n + 0.5) / count for n in range(count)),
        cents=tuple(map(float, cents)),
        clarity=(clarity,) * count,
        loudness=(0.0,) * count,
    )


def test_pitch_is_drawn_as_far_off_as_it_was_measured() -> None:
    measured = {named(n): sample(pitch_cents=100.0 * n, pitch_trust=0.99, pitch_spread=1.0) for n in range(48, 72, 3)}
    measured[named(60)] = sample(pitch_cents=6034.0, pitch_trust=0.99, pitch_spread=1.0)
    model, findings = model_of(measured)
    finding = next(one for one in findings if one.rule == "off-pitch")
    tuned = next(one for tuning in model.tunings for one in tuning.members if one.path == named(60))
    drawn = pitch(
        named(60), track([6034.0] * 8), 6000.0, "C4", tuning=model.tunings[0], tuned=tuned, limit=20.0, finding=finding
    )
    (dots,) = plot(drawn).dots
    assert set(dots.ys) == {finding.value}
    bounds = [(bound.value, bound.text) for bound in plot(drawn).bounds]
    assert bounds == [(0.0, "its note"), (20.0, "limit ±20 cents"), (-20.0, "")]
    assert figures(drawn)["Off by"].startswith("+34 cents")
    assert figures(drawn)["Declared"] == "C4 (MIDI 60, middle C = C4)"


def test_semitones_off_are_read_by_the_names_of_notes() -> None:
    drawn = pitch("a.wav", track([5700.0] * 4), 6000.0, "C3", limit=20.0)
    names = {label: place for place, label in plot(drawn).y.ticks}
    assert names["C3"] == 0
    assert names["A2"] == -300
    assert set(plot(drawn).dots[0].ys) == {-300.0}


def test_windows_that_are_not_clear_are_drawn_apart_and_those_outside_told() -> None:
    mixed = track([6010.0, 6010.0, 9999.0])
    mixed = msgspec.structs.replace(mixed, clarity=(0.99, 0.5, 0.5))
    drawn = pitch("a.wav", mixed, 6000.0, "C4", limit=20.0)
    assert [(dots.sign, len(dots.xs)) for dots in plot(drawn).dots] == [("ring", 1), ("dot", 1)]
    assert drawn.note == "1 of 3 windows lie outside of the picture."


def test_no_pitch_is_told() -> None:
    assert plot(pitch("a.wav", track([]), None, "C4", limit=20.0)).empty.startswith("no pitch shows")


# -- map -----------------------------------------------------------------------------------------------------------


def cells(drawing: Drawing) -> dict[tuple[str, str, str], Any]:
    (pane,) = drawing.panes
    assert isinstance(pane, KeyMap)
    return {(row.layer, row.dynamic, pane.names[n]): cell for row in pane.rows for n, cell in enumerate(row.cells)}


def scale(notes: Sequence[int] = range(48, 72, 3), **more: Any) -> dict[str, Measured]:
    return {named(n): sample(pitch_cents=100.0 * n, pitch_trust=0.99, pitch_spread=1.0, **more) for n in notes}


def states(drawing: Drawing) -> dict[str, str]:
    return {name: cell.state for (_, _, name), cell in cells(drawing).items() if cell.state not in ("none", "here")}


def test_a_whole_scale_has_nothing_wrong_on_its_map() -> None:
    model, findings = model_of(scale())
    drawn = key_map(model, findings)
    assert states(drawn) == {}
    assert cells(drawn)["slate", "v1", "C3"].paths == (named(48),)
    assert figures(drawn) == {"Samples": "8 samples on 8 keys"}


def test_a_note_missing_from_a_grid_is_a_hole_on_the_map() -> None:
    model, findings = model_of(scale([48, 51, 54, 57, 63, 66, 69]))
    (gap,) = (one for one in findings if one.rule == "note-gap")
    drawn = key_map(model, findings, gap)
    assert states(drawn) == {"C4": "hole"}
    assert cells(drawn)["slate", "v1", "C4"].at
    assert figures(drawn)["Holes"] == "C4 of slate v1"


def test_keys_that_no_range_covers_are_holes_and_those_that_two_share_overlap() -> None:
    ranges = {48: (46, 50), 54: (51, 55), 60: (58, 62), 66: (61, 68)}
    measured = {
        named(note): sample(low_key=low, high_key=high, pitch_cents=100.0 * note)
        for note, (low, high) in ranges.items()
    }
    model, findings = model_of(measured)
    shown = states(key_map(model, findings))
    assert {name for name, state in shown.items() if state == "hole"} == {"G#3", "A3"}
    assert {name for name, state in shown.items() if state == "overlap"} == {"C#4", "D4"}
    assert shown["A#2"] == "covered"


def test_ranges_that_only_touch_do_not_overlap() -> None:
    measured = {named(n): sample(low_key=n, high_key=n + 2, pitch_cents=100.0 * n) for n in range(48, 72, 3)}
    model, findings = model_of(measured)
    assert set(states(key_map(model, findings)).values()) == {"covered"}


def test_what_is_off_pitch_or_steps_out_is_drawn_so_and_leads_to_its_sample() -> None:
    measured = scale()
    measured[named(54)] = sample(pitch_cents=5500.0, pitch_trust=0.99, pitch_spread=1.0)
    measured[named(60)] = sample(pitch_cents=6000.0, pitch_trust=0.99, pitch_spread=1.0, momentary_max_lufs=-34.0)
    model, findings = model_of(measured)
    step = next(one for one in findings if one.rule == "level-step")
    drawn = key_map(model, findings, step)
    assert states(drawn) == {"F#3": "pitch", "C4": "softer"}
    assert [cell.paths for cell in cells(drawn).values() if cell.at] == [(named(60),)]
    assert step.measured in cells(drawn)["slate", "v1", "C4"].says


def test_two_faults_on_one_key_are_both_told() -> None:
    measured = scale()
    measured[named(60)] = sample(pitch_cents=6034.0, pitch_trust=0.99, pitch_spread=1.0, momentary_max_lufs=-34.0)
    model, findings = model_of(measured)
    told = figures(key_map(model, findings))
    assert told["Off pitch"] == told["Softer"] == "C4 of slate v1"


def test_takes_are_counted_and_dynamics_have_rows_of_their_own() -> None:
    measured = {named(48, v, t): sample() for v in (1, 2) for t in (1, 2, 3)}
    drawn = key_map(model_of(measured)[0], ())
    assert [key[:2] for key in cells(drawn)] == [("slate", "v2"), ("slate", "v1")]
    assert {cell.takes for cell in cells(drawn).values()} == {3}


def test_samples_without_a_note_are_told_and_none_is_no_map() -> None:
    model, _ = model_of({"rattle.wav": sample(), named(48): sample()})
    assert key_map(model, ()).note.startswith("1 sample without a note is not on the map.")
    empty, _ = model_of({"rattle.wav": sample()})
    assert key_map(empty, ()).panes == ()
    assert "nothing to map" in key_map(empty, ()).note


# -- levels --------------------------------------------------------------------------------------------------------


def test_a_step_in_level_is_drawn_against_what_its_neighbours_lead_to_expect() -> None:
    measured = scale()
    measured[named(60)] = sample(momentary_max_lufs=-34.0)
    model, findings = model_of(measured)
    step = next(one for one in findings if one.rule == "level-step")
    drawn = levels(model, step)
    by_name = {dots.name: dots for dots in plot(drawn).dots}
    assert by_name["this sample"].ys == (-34.0,)
    assert by_name["expected by its neighbours"].ys == (-20.0,)
    assert by_name["this sample"].ys[0] - by_name["expected by its neighbours"].ys[0] == step.value
    assert [bound.value for bound in plot(drawn).bounds] == [-11.0, -29.0]
    assert figures(drawn)["Expected"].startswith("−20.0 LUFS")


def test_level_samples_have_no_faulty_one() -> None:
    model, findings = model_of(scale())
    assert findings == () or all(one.rule != "level-step" for one in findings)
    drawn = levels(model)
    assert [dots.name for dots in plot(drawn).dots] == ["v1"]
    assert plot(drawn).bounds == ()


def test_a_layer_that_is_lost_alone_stands_out_of_the_limit() -> None:
    facts = Facts(
        naming=PATTERN.naming,
        layers=(Layer(name="Struck", files=("slate*",)), Layer(name="Air", files=("air*",))),
        limits=Limits(layer_drop_db=12),
    )
    measured = scale() | {named(n, layer="air"): sample(momentary_max_lufs=-40.0) for n in range(48, 72, 3)}
    model, findings = model_of(measured, facts)
    uneven = next(one for one in findings if one.rule == "layer-uneven")
    (bars,) = (pane for pane in levels(model, uneven).panes if isinstance(pane, Bars))
    assert bars.limit == 12
    assert {bar.name: bar.ink for bar in bars.bars} == {"Struck": "wave", "Air": "mark"}
    assert round({bar.name: bar.value for bar in bars.bars}["Air"], 2) == uneven.value


def test_without_notes_or_loudness_there_is_nothing_to_compare() -> None:
    model, _ = model_of({"rattle.wav": sample()})
    assert levels(model).note.startswith("No sample has both")
