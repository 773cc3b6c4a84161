"""What the keys of a picture do, without an app: zoom, move, go on and come back."""

from __future__ import annotations

import msgspec
import pytest

from companion.core.findings import NOWHERE, WARNS, At, Finding
from companion.drawing.shapes import Axis, Bar, Bars, Cell, CellRow, Drawing, KeyMap, Kind, Plot, Window
from companion.steps.drawn.which import Sight
from companion.tui.parts.tour import Tour

RATE = 48_000


def found(rule: str, path: str, at: At = NOWHERE) -> Finding:
    return Finding(rule=rule, severity=WARNS, path=path, at=at)


CLICK = found("click-inside", "a.wav", At(frames=(640, 641), rate=RATE))
SEAM = found("loop-seam", "b.wav", At(frames=(10, 11), rate=RATE))
FACT = found("fact-missing", "release.toml")


def wave(start: int = 0, end: int = 1000, kind: Kind = "waveform") -> Drawing:
    plot = Plot(x=Axis(low=start, high=end), y=Axis(low=-1, high=1))
    return Drawing(kind=kind, title="a.wav", panes=(plot,), window=Window(start=start, end=end, whole=1000))


def key_map() -> Drawing:
    cells = tuple(
        Cell(key=48 + n, state="here" if n in (2, 5) else "none", takes=1, paths=("x.wav", "y.wav") if n == 5 else
             ("c.wav",) if n == 2 else (), says="+34 cents" if n == 5 else "", at=n == 5)
        for n in range(8)
    )  # fmt: skip
    rows = (CellRow(layer="Struck", dynamic="v110", cells=cells), CellRow(layer="Struck", dynamic="v40", cells=cells))
    return Drawing(kind="map", title="Keys", panes=(KeyMap(low=48, names=tuple("CDEFGAHI"), rows=rows),))


def weights() -> Drawing:
    some = (
        Bar(name="samples", value=9, text="9 B"),
        Bar(name="a.wav", value=5, text="5 B", path="a.wav"),
        Bar(name="b.wav", value=4, text="4 B", path="b.wav"),
    )
    return Drawing(kind="weight", title="Weights", panes=(Bars(bars=some),))


def tour(drawing: Drawing | None = None, finding: Finding | None = None, kinds: tuple[Kind, ...] = ()) -> Tour:
    one = Tour(Sight(finding=finding, path=finding.path if finding else "a.wav"), (CLICK, FACT, SEAM))
    if drawing:
        one.came(drawing, kinds)
    return one


def test_only_findings_with_a_picture_are_gone_through_and_around() -> None:
    one = tour(wave(), CLICK)
    assert one.findings == (CLICK, SEAM)
    assert one.place == "finding 1 of 2"
    assert [one.finding(1).finding for _ in range(3)] == [SEAM, CLICK, SEAM]
    assert [one.finding(-1).finding for _ in range(2)] == [CLICK, SEAM]
    assert one.sight.kind == "seam"


def test_from_a_file_the_next_finding_is_the_first_and_the_one_before_the_last() -> None:
    assert tour(wave()).finding(1).finding == CLICK
    assert tour(wave()).finding(-1).finding == SEAM


def test_zooming_stays_with_the_place_of_the_finding() -> None:
    one = tour(wave(), CLICK)
    for _ in range(6):
        sight = one.zoom("in")
        assert sight.start <= 640 < sight.end
        one.came(wave(sight.start, sight.end), ())
    assert sight.end - sight.start == 16
    assert one.offers("zoom_in")
    one.came(wave(638, 646), ())
    assert not one.offers("zoom_in")
    out = one.zoom("out")
    assert out.end - out.start == 16
    assert (one.whole().start, one.whole().end) == (0, 1000)


def test_without_a_place_zooming_stays_in_the_middle_and_in_bytes_with_the_byte() -> None:
    silent = found("silent", "a.wav")
    sight = tour(wave(), silent).zoom("in")
    assert (sight.start, sight.end) == (250, 750)
    path = found("path-home", "a.eeng", At(byte=900))
    near = tour(wave(kind="bytes"), path).zoom("in")
    assert near.start <= 900 < near.end
    assert near.end - near.start == 500


@pytest.mark.parametrize(
    ("start", "end", "offered"),
    [
        (0, 1000, {"zoom_in"}),
        (0, 8, {"zoom_out", "whole", "left", "right"}),
        (100, 500, {"zoom_in", "zoom_out", "whole", "left", "right"}),
    ],
)
def test_only_keys_that_lead_somewhere_are_offered(start: int, end: int, offered: set[str]) -> None:
    one = tour(wave(start, end), CLICK)
    keys = ("zoom_in", "zoom_out", "whole", "left", "right", "up", "down", "enter", "leave_out", "another", "next_file")
    assert {key for key in keys if one.offers(key)} == offered
    assert one.offers("next")


def test_a_view_moves_by_a_quarter_and_a_seam_does_not_move() -> None:
    one = tour(wave(400, 600), CLICK)
    moved = one.move(1)
    assert moved
    assert (moved.start, moved.end) == (450, 650)
    seam = tour(wave(400, 600, "seam"), SEAM)
    assert not seam.offers("left")
    assert seam.zoom("in").start + seam.zoom("in").end == 1000


def test_the_cursor_of_a_map_begins_at_the_finding_and_stays_inside() -> None:
    one = tour(key_map(), found("off-pitch", "x.wav"))
    assert one.cursor == (0, 5)
    assert one.offers("up")
    assert one.offers("left")
    assert one.cell_line == "A of Struck v110: +34 cents; x.wav, y.wav"
    for right, down in ((9, 9), (-99, 0), (0, -9)):
        one.move(right, down)
    assert one.cursor == (0, 0)
    assert one.cell_line == "C of Struck v110: no sample"
    one.came(key_map(), ())
    assert one.cursor == (0, 0), "drawn anew it stays where it was"
    one.finding(1)
    one.came(key_map(), ())
    assert one.cursor == (0, 5), "of another finding it begins there"


def test_a_cell_leads_to_its_samples_and_back() -> None:
    one = tour(key_map())
    assert one.offers("enter")
    inside = one.enter()
    assert (inside.path, inside.kind) == ("x.wav", "waveform")
    assert one.files == ("x.wav", "y.wav")
    one.came(msgspec.structs.replace(wave(), path="x.wav"), (), ("every", "other", "x.wav"))
    assert one.place == "file 1 of 2", "those of the key are gone through, not all there are"
    assert one.file(1).path == "y.wav"
    back = one.back()
    assert back
    assert back.path == "a.wav"
    assert one.back() is None


def test_the_files_of_its_kind_are_gone_through_from_anywhere() -> None:
    one = tour(finding=CLICK)
    one.came(msgspec.structs.replace(wave(), path="a.wav"), (), ("a.wav", "b.wav", "c.wav"))
    assert one.offers("next_file")
    assert [one.file(by).path for by in (1, 1, 1, -1)] == ["b.wav", "c.wav", "a.wav", "c.wav"]
    one.came(key_map(), ())
    assert not one.offers("next_file"), "the whole has none beside it"


def test_a_sample_that_something_was_found_in_shows_that() -> None:
    one = Tour(Sight(kind="map"), (CLICK, SEAM))
    pane = KeyMap(low=48, names=("C",), rows=(CellRow(layer="a", dynamic="", cells=(Cell(key=48, paths=("a.wav",)),)),))
    one.came(Drawing(kind="map", title="Keys", panes=(pane,)), ())
    assert one.enter().finding == CLICK


def test_bars_lead_to_files_and_only_those_can_be_left_out() -> None:
    about = msgspec.structs.replace(weights(), path="b.wav")
    assert tour(about, found("sample-unused", "b.wav")).path == "b.wav", "the cursor begins at the finding"
    one = tour(weights())
    assert one.offers("leave_out")
    assert one.path == "a.wav"
    one.move(0, 1)
    assert one.path == "b.wav"
    one.move(0, 1)
    assert one.path == "b.wav"
    one.move(0, -5)
    assert one.path == "a.wav"
    assert one.enter().path == "a.wav"
    one.came(about, ())
    one.move(0, -1)
    one.came(about, ())
    assert one.path == "a.wav", "drawn anew it stays where it was"


def test_another_picture_of_the_same_begins_with_all_of_it() -> None:
    one = tour(wave(100, 200), CLICK, ("waveform", "pitch", "map"))
    other = one.another()
    assert (other.kind, other.start, other.end, other.finding) == ("pitch", 0, 0, CLICK)


def test_before_anything_has_come_only_going_on_is_offered() -> None:
    one = tour(finding=CLICK)
    keys = ("zoom_in", "zoom_out", "whole", "left", "up", "enter", "another", "leave_out")
    assert not any(one.offers(key) for key in keys)
    assert one.offers("next")
    assert (one.cell_line, one.path) == ("", "")


def test_what_is_heard_is_what_is_in_view_or_under_the_cursor() -> None:
    one = tour(wave(), CLICK)
    one.zoom("in")
    sight, beside = one.heard
    assert (sight.finding, sight.path, sight.kind, sight.start, sight.end) == (CLICK, "a.wav", "waveform", 320, 820)
    assert beside == ()
    assert one.offers("hear")
    on_map = tour(key_map())
    assert on_map.heard == (Sight(path="x.wav"), ("y.wav",)), "the takes of a key by turns"
    on_map.move(-1, 0)
    assert not on_map.offers("hear") or on_map.heard[0].path != "x.wav"
    assert tour(weights()).heard == (Sight(path="a.wav"), ())


@pytest.mark.parametrize(
    ("sight", "kind", "offered"),
    [
        (Sight(path="a.wav"), "waveform", True),
        (Sight(path="a.eeng"), "bytes", False),
        (Sight(), "history", False),
        (Sight(), "bounce", True),
    ],
)
def test_what_makes_no_sound_is_not_offered_to_be_heard(sight: Sight, kind: Kind, offered: bool) -> None:
    one = Tour(sight)
    one.came(Drawing(kind=kind, title="", panes=()), ())
    assert one.offers("hear") is offered
