"""A rule is one object: called it finds, and its findings carry data from which their sentences are written."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import pytest

from companion.core.describe import value_text, where_text
from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.rules import Measure, judge_of, rule

EDGES = Measure("edges", 3)


@rule(
    "starts-hot",
    WARNS,
    step="sound",
    version=2,
    rests_on=(EDGES,),
    means="It begins loud.",
    why="A click.",
    mend="Fade in.",
    limit="first sample under {bound} of the peak",
    unit="%",
    bound=20,
)
def starts_hot(levels: dict[str, float]) -> Iterator[Finding]:
    """The first sample is far from zero."""
    for path, level in levels.items():
        if level > 20:
            yield starts_hot.finding(path, at=At(frames=(0, 1), rate=48_000, channel=1), value=level)


@rule("unmeasured", WARNS, step="sound", means="It is there.", why="It is.", mend="Take it away.")
def unmeasured(paths: list[str]) -> Iterator[Finding]:
    """Nothing is measured for it."""
    for path in paths:
        yield unmeasured.finding(path)


def test_a_rule_finds_what_its_check_finds() -> None:
    assert [finding.path for finding in starts_hot({"a.wav": 34.0, "b.wav": 20.0})] == ["a.wav"]


def test_the_sentences_are_written_from_the_data() -> None:
    (finding,) = starts_hot({"a.wav": 34.5})
    assert (finding.rule, finding.severity, finding.why, finding.mend) == ("starts-hot", WARNS, "A click.", "Fade in.")
    assert (finding.value, finding.unit, finding.bound) == (34.5, "%", 20)
    assert finding.where == "0.000 s (frame 0), channel 2"
    assert finding.measured == "34.5 %"
    assert finding.limit == starts_hot.limit == "first sample under 20 % of the peak"


def test_what_is_given_replaces_what_follows_from_the_rule() -> None:
    finding = starts_hot.finding(
        "a.wav",
        at=At(line=3),
        value=2,
        unit="flat top",
        bound=30,
        says="{value} at full scale",
        where="up there",
        mend="Play softer.",
        severity=BLOCKS,
    )
    assert (finding.measured, finding.where, finding.mend) == ("2 flat tops at full scale", "up there", "Play softer.")
    assert (finding.limit, finding.severity, finding.bound) == (
        "first sample under 30 flat tops of the peak",
        BLOCKS,
        30,
    )
    assert starts_hot.finding(limit="other").limit == "other"


def test_text_of_a_file_fills_nothing_in_and_moves_no_cursor() -> None:
    finding = starts_hot.finding(value="{bound} {value} \x1b[2J", says="“{value}”")
    assert finding.measured == "“{bound} {value} \\x1b[2J”"
    assert unmeasured.finding(says="“{value}.wav”", limit="“{bound}.wav”").measured == "“{value}.wav”"
    assert unmeasured.finding(says="“{value}.wav”", limit="“{bound}.wav”").limit == "“{bound}.wav”"
    assert (
        unmeasured.finding(value=2, unit="file", says="{value} named “{value}”").measured == "2 files named “{value}”"
    )
    assert unmeasured.finding().measured == unmeasured.finding().limit == ""


def test_the_judge_is_the_versions_of_rules_and_of_what_they_rest_on() -> None:
    assert judge_of([starts_hot]) == {"starts-hot": 2, "edges": 3}


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (None, "dB", ""),
        (-0.31, "dBFS", "−0.3 dBFS"),
        (1, "flat top", "1 flat top"),
        (2_000, "flat top", "2,000 flat tops"),
        (1_500_000, "bytes", "1.50 MB (1.43 MiB)"),
        (-12.4, "signed cents", "−12 cents"),
        (12.4, "signed cents", "+12 cents"),
        (44_100, "Hz", "44,100 Hz"),
        (0.25, "s", "0.25 s"),
        (12.34, "ms", "12.3 ms"),
        (1_234.5, "ms", "1,234 ms"),
        (0.25, "", "0.25"),
        (-3.0, "", "−3"),
        (float("inf"), "", "inf"),
    ],
)
def test_values_read_as_people_write_them(value: float | None, unit: str, text: str) -> None:
    assert value_text(value, unit) == text


@pytest.mark.parametrize(
    ("at", "text"),
    [
        (At(), ""),
        (At(frames=(9_433, 9_500), rate=48_000), "0.197 s (frame 9,433)"),
        (At(frames=(9_433, 9_500)), "frame 9,433"),
        (At(byte=2_676), "byte 2,676"),
        (At(byte=2_676, line=81), "line 81"),
        (At(fact="engine.minimum", line=12), "engine.minimum, line 12"),
        (At(control="Tone\u202e"), "Tone\\u202e"),
    ],
)
def test_places_read_as_people_write_them(at: At, text: str) -> None:
    assert where_text(at) == text


def test_a_finding_survives_being_kept_and_one_of_the_first_building_is_read() -> None:
    (finding,) = starts_hot({"a.wav": 34.5})
    assert msgspec.convert(msgspec.to_builtins(finding), Finding) == finding
    old = {"rule": "clipped", "severity": "blocks", "path": "a.wav", "where": "0.1 s", "measured": "3", "limit": "none"}
    assert msgspec.convert(old, Finding).at == At()
    whole = msgspec.convert({"rule": "x", "severity": "notes", "value": 200}, Finding)
    assert isinstance(whole.value, int)
