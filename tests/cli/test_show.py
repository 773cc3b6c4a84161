"""``show``: pictures of files, findings and the whole; what is not there is one line and exit code 2."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from companion.cli.show import KINDS
from companion.drawing import shapes
from companion.drawing.cells import cells

Companion = Callable[..., Any]

CLIPPED = "Samples/Struck/struck_C3_v110_rr1.wav"
SEAM = "Samples/Hummed/hummed_E3_v80_rr1.wav"


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the demo is kept once its sounds have been looked at."""
    return tmp_path_factory.mktemp("looked") / "Slate Choir"


@pytest.fixture
def looked(companion: Companion, demo_folder: Path, once: Path) -> Path:
    """The demo, its sounds looked at."""
    if once.exists():
        shutil.rmtree(demo_folder)
        return shutil.copytree(once, demo_folder)
    companion("check", demo_folder, "sound")
    shutil.copytree(demo_folder, once)
    return demo_folder


def test_the_pictures_named_are_those_that_there_are() -> None:
    assert KINDS == shapes.KINDS


def test_a_file_shows_what_was_found_in_it_first(companion: Companion, looked: Path) -> None:
    shown = companion("show", looked, CLIPPED, "--width", 80)
    assert shown.code == 0, "that the finding blocks is said by check"
    assert shown.out.startswith("clipped: Samples/Struck/struck_C3_v110_rr1.wav\n")
    assert "▲" in shown.out
    assert "Measured  50 flat tops at 0.0 dBFS, the longest 11 samples" in shown.out
    assert shown.out.splitlines()[-1].startswith("Also: --as ")


def test_the_figures_are_those_of_the_finding(companion: Companion, looked: Path) -> None:
    findings = companion("check", looked, "sound", "--json").json["findings"]
    for finding in findings:
        if finding["path"] in (CLIPPED, SEAM) and finding["rule"] != "level-step":
            drawn = companion("show", looked, finding["path"], "--rule", finding["rule"], "--json").json["drawing"]
            told = {figure["label"]: figure["text"] for figure in drawn["figures"]}
            assert (told["Measured"], told["Limit"]) == (finding["measured"], finding["limit"])
            assert drawn["rule"] == finding["rule"]


def test_a_file_in_which_nothing_was_found_shows_its_wave(companion: Companion, looked: Path) -> None:
    shown = companion("show", looked, "Samples/Struck/struck_C4_v110_rr1.wav", "--json").json["drawing"]
    assert (shown["kind"], shown["rule"]) == ("waveform", "")
    (pane,) = shown["panes"]
    assert [mark for mark in pane["marks"] if mark["ink"] == "mark"] == []


def test_without_a_path_it_is_the_map_of_the_keys(companion: Companion, looked: Path) -> None:
    shown = companion("show", looked, "--width", 80)
    assert shown.code == 0
    assert "struck v110" in shown.out
    assert "Off pitch C3 of hummed v80 and A2 of struck v110" in shown.out


@pytest.mark.parametrize("width", [20, 41, 80, 200])
@pytest.mark.parametrize("path", [CLIPPED, SEAM, ""])
def test_no_line_is_wider_than_asked(companion: Companion, looked: Path, path: str, width: int) -> None:
    out = companion("show", looked, path, "--width", width).out
    assert max(map(cells, out.splitlines())) <= width


def test_in_ascii_there_is_nothing_else(companion: Companion, looked: Path) -> None:
    out = companion("show", looked, CLIPPED, "--ascii", "--width", 80).out
    assert out.isascii()
    assert "^ flat top" in out


def test_a_terminal_without_the_signs_gets_ascii(
    companion: Companion, looked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "linux")
    assert companion("show", looked, CLIPPED, "--width", 80).out.isascii()
    monkeypatch.setenv("TERM", "xterm-256color")
    assert not companion("show", looked, CLIPPED, "--width", 80).out.isascii()


@pytest.mark.parametrize(
    ("place", "start", "end"),
    [
        ("0.3s", 6395, 6836),
        ("300ms", 6395, 6836),
        ("6615", 6395, 6836),
        ("0.1s..0.2s", 2205, 4410),
        ("100..200", 100, 200),
        ("frame 6,615", 6395, 6836),
        ("0", 0, 441),
    ],
)
def test_a_place_is_shown_from_near(companion: Companion, looked: Path, place: str, start: int, end: int) -> None:
    path = "Samples/Brushed/brushed_C3_v80_rr2.wav"
    drawn = companion("show", looked, path, "--as", "waveform", "--at", place, "--json").json["drawing"]
    assert (drawn["window"]["start"], drawn["window"]["end"]) == pytest.approx((start, end), abs=1)


@pytest.mark.parametrize("place", ["", "x", "1.5", "-3", "5..2", "5s..2s", "1e3", "3 bars", "1,5s", "line 7"])
def test_a_place_that_is_none_is_one_line(companion: Companion, looked: Path, place: str) -> None:
    shown = companion("show", looked, CLIPPED, "--as", "waveform", f"--at={place}")
    assert shown.code == (0 if not place else 2)
    assert len(shown.err.splitlines()) == (0 if not place else 1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nothing.wav",), "There is no such file in the folder (nothing.wav)"),
        (("../secret.wav",), "There is no such file in the folder"),
        (("release.toml", "--as", "waveform"), "That is no sound file (release.toml)"),
        (("", "--as", "waveform"), "This picture is of one sound file"),
        (("Samples/Struck/struck_C4_v110_rr1.wav", "--as", "seam"), "It has no loop"),
        ((CLIPPED, "--rule", "hum"), "No finding of “hum” with a picture"),
        (("", "--at", "3s"), "A place is for the picture of a wave or of bytes"),
        ((CLIPPED, "--width", "5"), "5 is not in the range"),
        ((CLIPPED, "--as", "opera"), "'opera' is not one of"),
    ],
)
def test_what_there_is_none_of_is_one_line(
    companion: Companion, looked: Path, arguments: tuple[str, ...], words: str
) -> None:
    shown = companion("show", looked, *arguments)
    assert shown.code == 2
    assert shown.out == ""
    assert words in shown.err
    assert len(shown.err.splitlines()) == 1


def test_a_file_that_is_no_sound_is_one_line(companion: Companion, looked: Path) -> None:
    (looked / "Samples" / "broken.wav").write_bytes(b"RIFF\0\0\0\0 not a wave")
    shown = companion("show", looked, "Samples/broken.wav", "--as", "waveform")
    assert shown.code == 2
    assert "does not read as sound" in shown.err


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes with names here")
def test_a_pipe_and_a_link_are_never_opened(companion: Companion, looked: Path) -> None:
    os.mkfifo(looked / "Samples" / "pipe.wav")
    (looked / "Samples" / "link.wav").symlink_to("/etc/hostname")
    for name in ("pipe.wav", "link.wav"):
        assert companion("show", looked, f"Samples/{name}", "--as", "waveform").code == 2


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps any bytes as a name")
@pytest.mark.parametrize("name", ["a\x1b[31mred.wav", "bi\u202edi.wav", "lone\udcff.wav", "[@click=app.quit]x.wav"])
def test_a_hostile_name_is_shown_inert(companion: Companion, looked: Path, tmp_path: Path, name: str) -> None:
    shutil.copy(looked / CLIPPED, looked / name)
    shown = companion("show", looked, name, "--width", 60)
    assert shown.code == 0
    assert not any(char in shown.out for char in "\x1b\u202e\udcff")
    companion("show", looked, name, "--svg", tmp_path / "a.svg")
    ElementTree.parse(tmp_path / "a.svg")


def test_a_name_in_another_normal_form_or_from_where_one_stands_is_found(
    companion: Companion, looked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(looked / "Impulses")
    for named in (
        "Impulses/Ho\u0308hle.wav",
        "Impulses/H\u00f6hle.wav",
        "H\u00f6hle.wav",
        str(looked / "Impulses" / "H\u00f6hle.wav"),
    ):
        assert companion("show", looked, named, "--as", "waveform").code == 0


def test_svg_is_written_and_a_link_is_not_written_through(companion: Companion, looked: Path, tmp_path: Path) -> None:
    target = tmp_path / "seam.svg"
    written = companion("show", looked, SEAM, "--svg", target)
    assert written.code == 0
    assert written.out == f"Written: {target}\n"
    assert "loop seam" in ElementTree.parse(target).getroot()[0].text  # type: ignore[operator]
    target.unlink()
    target.symlink_to(tmp_path / "elsewhere")
    assert companion("show", looked, SEAM, "--svg", target).code == 2
    assert not (tmp_path / "elsewhere").exists()
    assert companion("show", looked, SEAM, "--svg", tmp_path / "no" / "such" / "a.svg").code == 2


def test_nothing_is_written_into_the_folder(companion: Companion, looked: Path) -> None:
    def files() -> set[str]:
        return {path.relative_to(looked).as_posix() for path in looked.rglob("*") if "cache" not in path.name}

    before = files()
    companion("show", looked, CLIPPED)
    companion("show", looked)
    assert files() == before


def test_a_path_in_a_patch_is_shown_in_its_bytes(companion: Companion, looked: Path) -> None:
    companion("check", looked, "paths")
    patch = companion("show", looked, "Slate Choir.eeng", "--rule", "path-home", "--width", 80).out
    assert "/User" in patch
    assert "Read as    /Users/slatehand/Slate Choir/Samples/Struck/struck_C3_v40_rr1.wav" in patch
    near = companion("show", looked, "Slate Choir.eeng", "--as", "bytes", "--at", "3179", "--json").json["drawing"]
    assert near["window"]["start"] <= 3179 < near["window"]["end"]


def test_a_place_in_a_text_is_shown_by_its_line_or_its_byte(companion: Companion, demo_folder: Path) -> None:
    script = "Scripts/Sway.txt"
    text = "# Sway\n#\n" + "/Users/slatehand/a.wav\n" + "#" * 300 + "\nD:\\Quay Room\\Slate\\b.wav\n"
    (demo_folder / script).write_text(text, encoding="utf-8", newline="")
    companion("check", demo_folder, "paths")
    for place, value in {"line 3": "a.wav", "line 5": "b.wav", "byte 9": "a.wav", "byte 333": "b.wav"}.items():
        drawn = companion("show", demo_folder, script, "--at", place, "--json").json["drawing"]
        assert next(one["text"] for one in drawn["figures"] if one["label"] == "Read as").endswith(value), place
        assert drawn["window"]["start"] <= text.index(value) < drawn["window"]["end"]
    near = companion("show", demo_folder, script, "--as", "bytes", "--at", "line 4", "--json").json["drawing"]
    assert near["window"]["start"] <= text.index("###") < near["window"]["end"]
    beyond = companion("show", demo_folder, script, "--as", "bytes", "--at", "line 7")
    assert (beyond.code, len(beyond.err.splitlines())) == (2, 1)
    assert "no such line" in beyond.err


def test_the_history_is_shown_with_what_is_not_kept(companion: Companion, looked: Path) -> None:
    assert "There is no snapshot yet." in companion("show", looked, "--as", "history").out
    companion("snapshot", looked, "-m", "first")
    assert "not kept yet" not in companion("show", looked, "--as", "history", "--width", 80).out
    (looked / "note.txt").write_text("x", encoding="utf-8")
    shown = companion("show", looked, "--as", "history", "--width", 80).out
    assert "1  first" in shown
    assert "not kept yet" in shown


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("Impulses/Höhle.wav",), "EDT 0.39 s for 60 dB"),
        (("Samples/Brushed/brushed_G3_v80_rr2.wav", "--rule", "band-empty"), "nothing is in here"),
        (("", "--as", "noise"), "no sample has a noise floor that stays steady"),
        (("", "--as", "pitch"), "Tuning"),
        (("", "--as", "weight"), "43 samples"),
    ],
)
def test_other_pictures(companion: Companion, looked: Path, arguments: tuple[str, ...], words: str) -> None:
    shown = companion("show", looked, *arguments, "--width", 80)
    assert shown.code == 0
    assert words in " ".join(shown.out.split())


def test_a_bounce_that_was_not_judged_is_one_line(companion: Companion, looked: Path) -> None:
    for path in ("", "keys.wav"):
        shown = companion("show", looked, path, "--as", "bounce")
        assert shown.code == 2
        assert len(shown.err.splitlines()) == 1
