"""Pictures of the whole and of other files: noise, decay, spectra, weights, the history, bytes and bounces."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import pytest

from companion.contents.ships import Fate, KindTotal, ListedFile, ShipList
from companion.core.entries import Kind
from companion.core.facts import Facts, Limits
from companion.core.findings import NOWHERE, WARNS, At, Finding
from companion.drawing.shapes import Bars, Course, Drawing, Dump, Plot
from companion.history.snapshot import Snapshot
from companion.sound.drawing.values import DecayCurve, SpectrumLine, Wave
from companion.sound.measures.measured import Decay, Measured
from companion.steps.account.moved import Counts, Moved
from companion.steps.drawn import course as history
from companion.steps.drawn.bounce import bounce_window, bounced
from companion.steps.drawn.decay import decay
from companion.steps.drawn.dump import bytes_window, dump, line_around, written
from companion.steps.drawn.noise import noise
from companion.steps.drawn.spectrum import spectrum
from companion.steps.drawn.tunings import tuned_together
from companion.steps.drawn.weight import LARGEST, weight
from companion.steps.looks.judging import JudgedBounce, JudgedSlot
from tests.steps.test_drawn import PATTERN, figures, marked, model_of, named, plot, sample, scale

RATE = 48_000


def found(rule: str, path: str = "a.wav", at: At = NOWHERE, **more: Any) -> Finding:
    return Finding(rule=rule, severity=WARNS, path=path, at=at, **more)


# -- noise ---------------------------------------------------------------------------------------------------------


def noisy(floor: float, voices: int | None, **more: Any) -> Drawing:
    facts = msgspec.structs.replace(PATTERN, limits=Limits(voices=voices, **more))
    model, findings = model_of(scale(noise_floor_dbfs=floor, noise_is_bound=False), facts)
    return noise(model, next((one for one in findings if one.rule == "noise-builds-up"), None))


def test_noise_that_builds_up_crosses_its_limit_where_the_rule_says() -> None:
    drawn = noisy(-70.0, 32)
    (trace,) = plot(drawn).traces
    at_voices = dict(zip(trace.xs, trace.ys, strict=True))
    assert at_voices[1.0] == -70.0
    assert at_voices[32.0] == pytest.approx(-70 + 10 * math.log10(32))
    assert drawn.rule == "noise-builds-up"
    assert [bound.value for bound in plot(drawn).bounds] == [-60.0]
    (over,) = plot(drawn).dots
    assert (over.xs, round(over.ys[0], 2)) == ((32.0,), -54.95)
    assert [(mark.start, mark.text) for mark in plot(drawn).marks] == [(32, "32 in the facts")]
    assert "−54.9 dBFS with 32 voices" in figures(drawn)["slate"]


def test_quiet_noise_crosses_nothing() -> None:
    drawn = noisy(-90.0, 32)
    assert (drawn.rule, plot(drawn).dots) == ("", ())
    assert noisy(-70.0, 32, noise_dbfs=-40.0).rule == ""


def test_without_voices_in_the_facts_it_says_that_none_is_judged() -> None:
    drawn = noisy(-70.0, None)
    assert plot(drawn).marks == ()
    assert "limits.voices" in drawn.note


def test_noise_that_is_only_a_bound_is_not_added_up() -> None:
    model, _ = model_of(scale(noise_floor_dbfs=-70.0, noise_is_bound=True))
    assert plot(noise(model)).empty.startswith("no sample has a noise floor")


# -- decay and spectrum --------------------------------------------------------------------------------------------


def curve(end_db: float) -> DecayCurve:
    levels = tuple(end_db * n / 99 for n in range(100))
    seconds = tuple(n / 100 for n in range(100))
    return DecayCurve(
        seconds=seconds, levels=levels, integrated_seconds=seconds, integrated=levels, rate=RATE, whole=RATE
    )


def test_an_impulse_that_is_cut_is_marked_at_its_end_and_held_against_its_limit() -> None:
    finding = found("impulse-cut", at=At(frames=(47_520, 48_000), rate=RATE), value=-15.0, bound=-60.0)
    drawn = decay("a.wav", curve(-15.0), sample(decay=Decay(edt_s=0.4, end_db=-15.0)), finding)
    assert marked(plot(drawn)) == [(0.99, 1.0)]
    assert [bound.value for bound in plot(drawn).bounds] == [-60.0]
    assert plot(drawn).traces[0].ys[-1] == -15.0
    assert figures(drawn)["EDT"] == "0.40 s for 60 dB, by the first 10 dB"
    assert figures(drawn)["End"] == "−15.0 dB against its loudest 5 ms"


def test_an_impulse_that_dies_away_has_no_mark() -> None:
    drawn = decay("a.wav", curve(-80.0), sample(decay=Decay(t30_s=2.5, t20_s=2.4, edt_s=2.0)))
    assert marked(plot(drawn)) == []
    assert {"EDT", "T20", "T30"} <= set(figures(drawn))
    silent = DecayCurve(seconds=(), levels=(), integrated_seconds=(), integrated=(), rate=RATE, whole=RATE)
    assert plot(decay("a.wav", silent, None)).empty


def line(top: float = 24_000.0) -> SpectrumLine:
    hertz = tuple(top * n / 100 for n in range(100))
    return SpectrumLine(hertz=hertz, levels=(-20.0,) * 100, rate=RATE, whole=RATE, start_s=0.0, end_s=1.0)


def test_hum_is_marked_at_the_mains_and_its_multiples() -> None:
    known = sample(hum_hz=50.0, hum_db=20.0)
    drawn = spectrum("a.wav", line(650.0), known, found("hum", value=20.0))
    assert [mark.start for mark in plot(drawn).marks] == [50.0 * n for n in range(1, 11)]
    assert figures(drawn)["Mains"] == "50 Hz, 20.0 dB over what is around"
    assert plot(spectrum("a.wav", line(), known)).marks == ()


def test_an_empty_band_is_marked_up_to_its_end() -> None:
    drawn = spectrum("a.wav", line(), None, found("band-empty", value=12_000.0))
    assert marked(plot(drawn)) == [(12_000.0, 24_000.0)]


# -- weight --------------------------------------------------------------------------------------------------------


def listed(**files: tuple[int, Fate]) -> ShipList:
    some = tuple(
        ListedFile(path=f"{name}.wav", kind=Kind.SAMPLE, bytes=size, fate=fate, why="x")
        for name, (size, fate) in sorted(files.items())
    )

    def totals(fate: Fate) -> tuple[KindTotal, ...]:
        of = [file for file in some if file.fate == fate]
        return (KindTotal(kind=Kind.SAMPLE, files=len(of), bytes=sum(f.bytes for f in of)),) if of else ()

    return ShipList(files=some, groups=(), ships=totals("ships"), stays=totals("stays"), asked=totals("asked"))


def largest(drawing: Drawing) -> list[tuple[str, float, str]]:
    pane = drawing.panes[-1]
    assert isinstance(pane, Bars)
    return [(bar.path, bar.value, bar.ink) for bar in pane.bars]


def test_the_heaviest_stand_first_and_what_stays_weighs_nothing() -> None:
    drawn = weight(listed(a=(5, "ships"), b=(9, "ships"), c=(100, "stays"), d=(7, "asked")))
    assert largest(drawn) == [("b.wav", 9, "wave"), ("d.wav", 7, "second"), ("a.wav", 5, "wave")]
    assert figures(drawn) == {
        "Ships": "3 files, 21 B",
        "Stays": "1 file, 100 B",
        "Asked": "1 file, 7 B: say whether it ships",
    }
    kinds = drawn.panes[0]
    assert isinstance(kinds, Bars)
    assert [(bar.name, bar.value, bar.text) for bar in kinds.bars] == [("3 samples", 21, "21 B, 100 %")]


def test_the_file_of_a_finding_is_shown_and_marked_however_small() -> None:
    files: dict[str, tuple[int, Fate]] = {f"f{n:02}": (1000 + n, "ships") for n in range(30)}
    drawn = weight(listed(**files, tiny=(1, "ships")), finding=found("sample-unused", "tiny.wav"))
    assert [path for path, _, ink in largest(drawn) if ink == "mark"] == ["tiny.wav"]
    assert len(largest(drawn)) == LARGEST
    assert drawn.note == f"{31 - LARGEST} smaller files not shown."


def test_nothing_that_ships_is_told() -> None:
    assert weight(listed()).note == "Nothing ships."
    assert weight(listed()).panes == ()


def test_the_limit_of_an_upload_is_drawn() -> None:
    pane = weight(listed(a=(5, "ships")), limit=1000).panes[0]
    assert isinstance(pane, Bars)
    assert (pane.limit, pane.limit_text) == (1000, "limits.upload_bytes: 1.00 kB (1,000 B)")


# -- history -------------------------------------------------------------------------------------------------------


def shots(count: int) -> list[Snapshot]:
    return [
        Snapshot(number=n, id="", tree=f"t{n}", label=f"state {n}", at=f"2026-01-{n % 27 + 1:02}T10:00:00Z", files=3)
        for n in range(count, 0, -1)
    ]


def moments(drawing: Drawing) -> list[tuple[str, str]]:
    (pane,) = drawing.panes
    assert isinstance(pane, Course)
    return [(moment.name, moment.text) for moment in pane.moments]


def test_each_snapshot_says_what_changed_since_the_one_before() -> None:
    some = shots(3)
    assert history.pairs_of(some) == [("t2", "t3"), ("t1", "t2")]
    moves = {("t2", "t3"): Moved(samples=Counts(added=2)), ("t1", "t2"): Moved()}
    drawn = history.course(some, moves, {3: 1500}, "1 other file")
    assert moments(drawn) == [
        ("now", "1 other file"),
        ("3  state 3", "2 samples added"),
        ("2  state 2", "nothing of yours changed"),
        ("1  state 1", "the first: 3 files, 0 B"),
    ]
    assert figures(drawn)["Span"] == "2026-01-02 to 2026-01-04"


def test_what_is_kept_has_no_now_and_what_could_not_be_compared_says_so() -> None:
    drawn = history.course(shots(2), {("t1", "t2"): None}, {})
    assert [text for _, text in moments(drawn)] == ["could not be compared", "the first: 3 files, 0 B"]


def test_a_long_history_shows_its_newest_and_an_empty_one_says_so() -> None:
    some = shots(100)
    drawn = history.course(some, dict.fromkeys(history.pairs_of(some)), {})
    assert len(moments(drawn)) == history.MOST == len(history.pairs_of(some))
    assert drawn.note == f"{100 - history.MOST} older snapshots not shown."
    assert moments(drawn)[-1][1] == "could not be compared", "the last shown has one before it"
    assert history.course([], {}, {}).note == "There is no snapshot yet."


# -- bytes ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be", "latin-1"])
def test_a_path_is_marked_over_all_of_its_bytes(encoding: str) -> None:
    text = "Samples/Höhle.wav"
    data = b"\1\2\3" * 20 + text.encode(encoding) + b"\0\0\7"
    finding = found("reference-missing", "a.eeng", At(byte=60), value=text)
    window = bytes_window(finding, len(data))
    drawn = dump("a.eeng", data[window.start : window.end], window, finding, data[60:])
    (pane,) = drawn.panes
    assert isinstance(pane, Dump)
    assert (pane.first, pane.end) == (60, 60 + len(text.encode(encoding)))
    assert bytes.fromhex(pane.hex)[pane.first - pane.offset : pane.end - pane.offset].decode(encoding) == text
    assert figures(drawn)["Read as"] == text


def test_what_is_not_spelled_there_is_marked_by_its_place_alone() -> None:
    assert written(b"other bytes", "Samples/a.wav") == (0, "")
    finding = found("script-encoding", "a.txt", At(byte=5), value="not UTF-8")
    drawn = dump("a.txt", b"caf\xe9 not UTF-8", bytes_window(finding, 14), finding, b"not UTF-8")
    (pane,) = drawn.panes
    assert isinstance(pane, Dump)
    assert (pane.first, pane.end) == (5, 6)


@pytest.mark.parametrize(("byte", "size"), [(0, 10), (3_089, 3_393), (3_392, 3_393), (10**9, 2 * 10**9), (99, 10)])
def test_the_place_is_in_view(byte: int, size: int) -> None:
    window = bytes_window(found("path-home", at=At(byte=byte)), size)
    assert 0 <= window.start < window.end <= size
    assert window.start <= byte < window.end or byte >= size


def test_an_empty_file_says_so() -> None:
    assert dump("a.txt", b"", bytes_window(None, 0)).note == "The file is empty."


@pytest.mark.parametrize(
    ("data", "place", "found"),
    [
        (b"one\ntwo C:\\x.wav\nthree", 8, (2, "two C:\\x.wav")),
        (b"C:\\x.wav", 0, (1, "C:\\x.wav")),
        (b"\n\n  last", 4, (3, "last")),
        (b"one\r\ntwo\r\n", 5, (2, "two")),
        (b"one\n\x00two", 5, None),
        (b"one\n\x01two", 5, None),
        (b"one\ncaf\xe9", 4, None),
        (b"x" * 5000, 4, None),
    ],
)
def test_a_place_in_a_text_says_its_line_and_shows_it(data: bytes, place: int, found: tuple[int, str] | None) -> None:
    assert line_around(data[:place], data[place:]) == found
    finding = Finding(rule="path-absolute", severity=WARNS, path="a.txt", at=At(byte=place))
    drawn = dump("a.txt", data, bytes_window(finding, len(data)), finding, data[place:], data[:place])
    told = {figure.label: figure.text for figure in drawn.figures if figure.label.startswith("Line")}
    assert told == ({f"Line {found[0]}": found[1]} if found else {})


# -- bounce --------------------------------------------------------------------------------------------------------


def judged(**more: Any) -> JudgedBounce:
    slots = (
        JudgedSlot(title="C3 v40", seconds=1.0),
        JudgedSlot(title="D3 v40", seconds=3.0, rules=("note-silent",)),
        JudgedSlot(title="E3 v40", seconds=5.0, unheard=True),
    )
    told: dict[str, Any] = {"file": "keys.wav", "part": "keys", "seconds": 10.0, "rate": RATE, "fit": 1.0, "kept": True}
    return JudgedBounce(**{**told, "slots": slots, "judged": 2, **more})


def whole_wave() -> Wave:
    return Wave(
        rate=RATE, channels=2, whole=10 * RATE, start=0, end=10 * RATE, lows=((-0.5,) * 50,), highs=((0.5,) * 50,),
        single=False, peak=0.5,
    )  # fmt: skip


def test_slots_in_which_something_was_found_are_marked_and_the_others_are_not() -> None:
    bounce = judged()
    drawn = bounced(bounce, bounce_window(bounce, None), whole_wave())
    assert marked(plot(drawn)) == [(3 * RATE, 5 * RATE)]
    assert marked(plot(drawn), "muted") == [(5 * RATE, 10 * RATE)]
    assert figures(drawn)["In view"] == "D3 v40 at 3.0 s (note silent)"
    assert figures(drawn)["Slots"] == "2 of 3 judged, 1 with something found"


def test_a_finding_of_a_bounce_is_seen_from_near() -> None:
    bounce, finding = judged(), found("note-silent", "", At(frames=(3 * RATE, 5 * RATE), rate=RATE))
    window = bounce_window(bounce, finding)
    assert (window.start, window.end, window.whole) == (2 * RATE, 6 * RATE, 10 * RATE)
    drawn = bounced(bounce, window, None, finding)
    assert marked(plot(drawn)) == [(3 * RATE, 5 * RATE)]
    assert marked(plot(drawn), "second") == [], "its own slot is marked once"
    assert "its wave is not drawn" in drawn.note


def test_several_kinds_of_fault_are_counted_below() -> None:
    slots = (JudgedSlot(title="C3", seconds=1.0, rules=("note-silent", "note-stuck")), *judged().slots)
    pane = bounced(judged(slots=slots), bounce_window(judged(), None), None).panes[-1]
    assert isinstance(pane, Bars)
    assert [(bar.name, bar.value) for bar in pane.bars] == [("note silent", 2), ("note stuck", 1)]


# -- the tuning of an instrument -----------------------------------------------------------------------------------


def test_an_instrument_that_is_off_as_a_whole_lies_beside_its_notes() -> None:
    notes = range(48, 72, 3)
    measured: dict[str, Measured] = {
        named(n): sample(pitch_cents=100.0 * n + 32, pitch_trust=0.99, pitch_spread=1.0) for n in notes
    }
    model, findings = model_of(measured)
    whole = next(one for one in findings if one.rule == "off-pitch" and not one.path)
    drawn = tuned_together(model, 20.0, whole)
    assert {round(y) for y in plot(drawn).dots[0].ys} == {32}
    assert [bound.value for bound in plot(drawn).bounds] == [32.0, 20.0, -20.0]
    assert figures(drawn)["Tuning"] == "“slate”: +32 cents"


def test_one_in_tune_lies_on_them() -> None:
    model, findings = model_of(scale())
    drawn = tuned_together(model, 20.0)
    assert not findings
    assert {round(y) for y in plot(drawn).dots[0].ys} == {0}
    empty, _ = model_of({"rattle.wav": sample()}, Facts())
    assert "Of no instrument here" in tuned_together(empty, 20.0).note


def test_every_plot_holds_finite_numbers() -> None:
    for drawn in (noisy(-70.0, 32), decay("a.wav", curve(-15.0), None), spectrum("a.wav", line(), None)):
        for pane in drawn.panes:
            assert isinstance(pane, Plot)
            assert all(map(math.isfinite, (pane.x.low, pane.x.high, pane.y.low, pane.y.high)))
