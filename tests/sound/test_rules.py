"""The rules of the room as a whole, and that a finding carries as data what its sentences say."""

from __future__ import annotations

import json
from typing import Any

import msgspec

from companion.core.facts import Facts, Layer, Limits, Naming
from companion.core.findings import At, Finding, Severity
from companion.core.rules import findings_of, judge_of
from companion.sound.checks.model import sound_model
from companion.sound.measures.measured import Click, Measured, MeasuredLoop, Run
from companion.sound.measures.versions import FORMAT, MEASURES, with_inputs
from companion.sound.rules import RULES

RULE_IDS = """
    band-empty channel-dead click-inside clipped dc-offset depth-mixed depth-padded duplicate dynamics-inverted ends-hot
    hum impulse-clipped impulse-cut impulse-late late-onset layer-uneven level-step loop-invalid loop-seam
    mono-as-stereo noise-builds-up not-finite note-gap off-pitch peak-over polarity-inverted range-overlap rate-mixed
    names-disagree names-open note-unread sample-none silent starts-hot tail-wasteful takes-same unpitched-tuned
    wrong-root
"""


def findings(facts: Facts | None = None, **measured: Measured) -> list[Finding]:
    model = sound_model({f"{name}.wav": one for name, one in measured.items()}, {}, facts or Facts())
    return [one for one in findings_of(RULES, model) if not one.unknown]


def test_no_rule_of_the_room_is_missing() -> None:
    """Written out, so that a rule that drops out of the list, and with it its check, is missed."""
    assert sorted(rule.id for rule in RULES) == sorted(RULE_IDS.split())


def test_every_rule_explains_itself() -> None:
    for rule in RULES:
        assert rule.step == "sound"
        assert rule.means.endswith(".")
        assert rule.why.endswith(".")
        assert rule.mend.endswith(".")
        assert rule.limit
        assert "{" not in rule.limit
        assert rule.source
        assert rule.severity in Severity


def test_every_rule_names_all_it_rests_on() -> None:
    """Also what its measures are computed from: a better pitch may move a click, so click-inside judges anew."""
    for rule in RULES:
        measures = [measure for measure in MEASURES if measure in rule.rests_on]
        assert tuple(measures) == with_inputs(*measures), rule.id
        assert FORMAT in measures, rule.id


def test_rules_and_measures_share_no_name() -> None:
    measures = {measure.id for rule in RULES for measure in rule.rests_on}
    assert len(judge_of(RULES)) == len(RULES) + len(measures)
    assert {"zones", "tuning", "pitch", "clicks"} < measures


def test_each_field_is_filled_by_one_measure() -> None:
    filled = [name for measure in MEASURES for name in measure.fields]
    assert sorted(filled) == sorted(set(Measured.__struct_fields__) - {"path", "versions", "not_judged"})


def test_a_place_in_a_file_is_data(good: Any) -> None:
    run = Run(2400, 9, 1, 0.03)
    (clipped,) = findings(a=good(clipped_runs=(run,) * 3, channels=2, channel_peaks=(0.7, 0.7)))
    assert clipped.at == At(frames=(2400, 2409), rate=48000, channel=1)
    assert (clipped.where, clipped.value, clipped.unit) == ("0.050 s (frame 2,400), channel 2", 3, "flat top")
    assert clipped.measured == "3 flat tops at −3.0 dBFS, the longest 9 samples"
    (click,) = findings(a=good(clicks=(Click(480, 9.0), Click(900, 20.0))))
    assert (click.at.frames, click.value) == ((480, 481), 2)
    assert click.measured == "2 clicks, the largest 20.0 dB above the sound around it"
    assert click.where == "0.010 s (frame 480) and 0.019 s (frame 900)"
    (seam,) = findings(
        a=good(loops=(MeasuredLoop(start=100, end=900, seam="audible", jump=0.5, error=1.2, breaks=7.0),))
    )
    assert (seam.at.frames, seam.value, seam.unit, seam.bound) == ((899, 900), 50, "%", 3)
    assert seam.measured.startswith("steps by 50 % of the peak; the two sides differ by 1.2")
    (invalid,) = findings(a=good(loops=(MeasuredLoop(start=100, end=99_000),)))
    assert (invalid.at.frames, invalid.value, invalid.bound) == ((100, 99_000), 99_000, 96_000)


def test_a_value_stands_beside_what_it_was_held_against(good: Any) -> None:
    (late,) = findings(Facts(limits=Limits(late_onset_s=0.1)), a=good(onset_s=1.5))
    assert (late.value, late.unit, late.bound, late.at.frames) == (1500, "ms", 100, (0, 72_000))
    assert (late.measured, late.limit) == (
        "1,500 ms",
        "100 ms of silence, or of noise that stays level, before the sound begins",
    )
    (silent,) = findings(a=good(peak_dbfs=-90.0, channel_peaks=(3e-5,)))
    assert (silent.value, silent.unit, silent.bound) == (-90.0, "dBFS", -80.0)
    assert (silent.measured, silent.limit) == ("peak −90.0 dBFS", "peak over −80.0 dBFS")
    (over,) = findings(Facts(limits=Limits(true_peak_dbtp=-3.5)), a=good())
    assert (over.value, over.unit, over.bound, over.limit) == (-2.9, "dBTP", -3.5, "−3.5 dBTP")
    (end,) = findings(a=good(end_db=-12.0))
    assert (end.value, end.bound, end.at.frames) == (-12.0, -40.0, (95_952, 96_000))


def test_a_single_file_that_hums_is_held_against_the_limit_of_single_files(good: Any) -> None:
    (hum,) = findings(a=good(hum_hz=50.0, hum_db=31.0))
    assert (hum.value, hum.bound) == (31.0, 20.0)
    assert hum.limit == "fourth-highest harmonic 20.0 dB over its surroundings, in a single file"
    four = {name: good(hum_lines=(*(0.0,) * 10, *(13.0,) * 4, *(0.0,) * 6)) for name in "abcd"}
    (folder,) = findings(**four)
    assert (folder.bound, folder.at.others) == (6.0, ("a.wav", "b.wav", "c.wav", "d.wav"))
    assert folder.measured == "60 Hz and multiples, 13 dB, median of 4 sounds"


def test_other_files_of_a_finding_are_named(good: Any) -> None:
    same = {name: good(digest="one") for name in ("a", "b", "c")}
    assert [(one.path, one.at.others) for one in findings(**same)] == [
        ("b.wav", ("a.wav",)),
        ("c.wav", ("a.wav",)),
    ]
    (mixed,) = findings(a=good(), b=good(), c=good(rate=44100))
    assert (mixed.rule, mixed.value, mixed.bound, mixed.at.others) == ("rate-mixed", 2, 1, ("c.wav",))
    assert mixed.where == "the odd ones: c.wav"


def test_a_note_is_named_as_a_number_only_while_its_octave_is_known(good: Any) -> None:
    names = ("C3", "D3", "E3", "F#3", "A#3", "C4", "D4", "E4", "F#4", "G#4", "A#4")
    for middle_c, key in (("C4", 56), ("C3", 68), ("", None)):
        facts = Facts(naming=Naming(pattern="x {note}", middle_c=middle_c))  # type: ignore[arg-type]
        gap = findings(facts, **{f"x {name}": good() for name in names})[0]
        assert (gap.rule, gap.at.key, gap.value) == ("note-gap", key, 1)
        assert gap.measured.endswith("missing from an even grid: G#3")


def test_a_layer_alone_may_drop_by_the_limit(good: Any) -> None:
    """Two layers 18 dB apart: together 0.07 dB over the louder, so the softer alone is 18.1 down. 9 apart is fine."""
    facts = Facts(layers=(Layer(name="Air", files=("air*",)), Layer(name="Body", files=("body*",))))
    (uneven,) = findings(facts, air=good(momentary_max_lufs=-38.0), body=good(momentary_max_lufs=-20.0))
    assert (uneven.rule, uneven.value, uneven.bound) == ("layer-uneven", 18.07, 15.0)
    assert uneven.measured == "“Air” alone is 18.1 dB down, −38.0 LUFS"
    assert not findings(facts, air=good(momentary_max_lufs=-29.0), body=good(momentary_max_lufs=-20.0))
    alone = Facts(layers=(Layer(name="Air", files=("air*",)),))
    assert not findings(alone, air=good(momentary_max_lufs=-38.0), body=good(momentary_max_lufs=-20.0))


def test_findings_are_plain_json(good: Any) -> None:
    silent = good(peak_dbfs=None, channel_peaks=(0.0, 0.0), channels=2)
    dead = good(channel_peaks=(0.7, 0.0), channels=2)
    found = findings(a=silent, b=dead)
    assert {one.rule for one in found} == {"silent", "channel-dead"}
    json.dumps(msgspec.to_builtins(found), allow_nan=False)


def test_one_click_is_not_the_largest_of_several(good: Any) -> None:
    (click,) = findings(a=good(clicks=(Click(480, 9.0),)))
    assert click.measured == "1 click, 9.0 dB above the sound around it"


def test_a_hole_between_ranges_is_named_by_its_first_and_last_key(good: Any) -> None:
    ranges = {f"{low}": good(root_note=low, low_key=low, high_key=high) for low, high in ((36, 46), (50, 59), (60, 71))}
    (gap,) = findings(Facts(naming=Naming(middle_c="C4")), **ranges)
    assert (gap.at.key, gap.value, gap.unit) == (47, 3, "note")
    assert gap.measured.endswith("no sample for B2 to C#3")


def test_overlaps_are_named_up_to_fifty(good: Any) -> None:
    """Each of 12 shares keys with every other: 66 pairs."""
    ranges = {f"{low}": good(root_note=low, low_key=low, high_key=80) for low in range(40, 52)}
    assert [one.rule for one in findings(**ranges)].count("range-overlap") == 50
    two = {f"{low}": good(root_note=low, low_key=low, high_key=low + 10) for low in (40, 48)}
    (overlap,) = findings(**two)
    assert (overlap.path, overlap.at.key, overlap.value, overlap.at.others) == ("40.wav", 48, 3, ("48.wav",))


def test_what_lies_behind_a_loop_is_no_wasted_tail(good: Any) -> None:
    assert [one.rule for one in findings(a=good(tail_s=1.5))] == ["tail-wasteful"]
    assert findings(a=good(tail_s=1.5, loops=(MeasuredLoop(start=100, end=900),))) == []
    assert findings(a=good(tail_s=0.9)) == []
