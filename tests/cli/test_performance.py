"""perform, judge, coverage and away --piece: what a shell sees of them, on the demo and its stand-in bounce."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import mido
import numpy as np
import soundfile


def piece(path: Path, *notes: tuple[int, int]) -> Path:
    track = mido.MidiTrack()
    for key, velocity in notes:
        track += [
            mido.Message("note_on", note=key, velocity=velocity, time=100),
            mido.Message("note_off", note=key, velocity=0, time=100),
        ]
    file = mido.MidiFile()
    file.tracks.append(track)
    out = io.BytesIO()
    file.save(file=out)
    path.write_bytes(out.getvalue())
    return path


def test_the_demo_is_performed_bounced_and_judged(
    companion: Any, demo_folder: Path, tmp_path: Path, bounce_demo: Any
) -> None:
    performed = companion("perform", demo_folder)
    assert performed.code == 0
    assert "25 keys, D2 to D4, at 3 touches" in performed.out
    assert "monitors low" in performed.out
    assert "4 controls on C3: each alone from end to end, every pair of ends in 4 orders" in performed.out
    assert "By hand" not in performed.out
    midi = demo_folder / ".companion" / "bounces" / "Slate Choir 1.0.0 keys.mid"
    wav = tmp_path / "bounce.wav"
    bounce_demo(demo_folder, midi, wav)
    judged = companion("judge", demo_folder, wav, "--json")
    assert judged.code == 0, "the demo's faults of sound warn here; none of its keys is dead"
    bounce = judged.json["bounce"]
    assert bounce["kept"]
    assert bounce["part"] == "keys"
    found = {(finding["rule"], finding["at"].get("key")) for finding in bounce["findings"]}
    assert ("velocity-inverted", 57) in found, "A2 at its hardest is 10 dB too soft"
    assert "measured" in companion("trials", demo_folder).out
    assert companion("judge", demo_folder, wav).out.count("velocity-inverted") == 1


def test_the_controls_of_the_demo_are_proven_by_measurement(
    companion: Any, demo_folder: Path, tmp_path: Path, bounce_demo: Any
) -> None:
    companion("perform", demo_folder)
    wav = tmp_path / "whatever it is called.wav"
    bounce_demo(demo_folder, demo_folder / ".companion" / "bounces" / "Slate Choir 1.0.0 controls.mid", wav)
    judged = companion("judge", demo_folder, wav)
    assert judged.code == 0
    assert "controls, 81 of 81 slots judged" in judged.out
    trials = companion("trials", demo_folder).out
    for title in ("Body alone", "Air alone", "Cave alone", "All controls left to right", "Extremes together 5 of 5"):
        assert f"proven by measurement  {title}\n" in trials
    brush = companion("trials", demo_folder, "--json").json["trials"]
    (by_hand,) = [one for one in brush if one["trial"]["title"] == "Brush alone"]
    assert by_hand["measured"] is False
    assert by_hand.get("answer") is None
    assert "could not tell: its words name no direction that is measured" in by_hand["trial"]["instruction"]
    listed = companion("status", demo_folder, "--json").json["steps"]
    (controls,) = [step for step in listed if step["id"] == "controls"]
    assert controls["state"] == "open", "what is asked by hand is not answered yet"
    assert (
        "2 questions for your ear: Does it move without clicks? “Body”, “Brush” and “Cave” · Does it glide?"
        in (controls["because"])
    )


def test_a_control_without_a_controller_is_tried_by_hand_and_told_how_to_be_played(
    companion: Any, demo_folder: Path
) -> None:
    facts = demo_folder / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace("cc = 91\n", "").replace("cc = 80\n", "cc = 64\n"), "utf-8")
    performed = companion("perform", demo_folder).out
    assert "2 controls on C3" in performed
    assert "By hand as before: “Cave”: no MIDI controller moves it." in performed
    assert "By hand as before: “Brush”: controller 64 means something else to every host." in performed
    assert "let a MIDI controller of its own move it in the engine" in performed


def test_a_bounce_of_something_else_blocks_in_one_line(companion: Any, demo_folder: Path, tmp_path: Path) -> None:
    wav = tmp_path / "other.wav"
    soundfile.write(wav, np.zeros(22_050 * 30), 22_050)
    judged = companion("judge", demo_folder, wav)
    assert judged.code == 1
    assert "30 s of sound in which the performance is not found" in judged.out
    assert "Kept" not in judged.out
    assert not (demo_folder / ".companion" / "evidence" / "performance").exists()


def test_what_cannot_be_judged_is_an_error_in_one_line(companion: Any, demo_folder: Path, tmp_path: Path) -> None:
    text = tmp_path / "x.wav"
    text.write_text("no sound")
    for arguments in (("judge", demo_folder, text), ("coverage", demo_folder, text)):
        failed = companion(*arguments)
        assert failed.code == 2
        assert failed.err.count("\n") == 1
    assert companion("perform", demo_folder, "--split").code == 2
    short = companion("perform", demo_folder, "--for", "10")
    assert short.code == 2
    assert "too short" in short.err


def test_too_long_offers_parts_and_parts_hold_every_key(companion: Any, demo_folder: Path, tmp_path: Path) -> None:
    some = companion("perform", demo_folder, "--for", "100", "--out", tmp_path)
    assert "left out, evenly, to stay under 100 s" in some.out
    assert "--split" in some.out
    parts = companion("perform", demo_folder, "--for", "100", "--split", "--out", tmp_path, "--json").json
    files = parts["performance"]["files"]
    for part in ("keys", "controls"):
        numbers = [file["number"] for file in files if file["part"] == part]
        assert numbers == list(range(1, len(numbers) + 1))
    assert "the last 3 controls left out to stay under 100 s" in some.out
    assert all(file["left_out"] == 0 and file["seconds"] <= 100 for file in files)
    assert all(Path(file["file"]).is_file() for file in files)


def test_coverage_says_what_a_piece_never_used(companion: Any, demo_folder: Path, tmp_path: Path) -> None:
    path = piece(tmp_path / "song.mid", (60, 100), (62, 100), (60, 20), (100, 64))
    used = companion("coverage", demo_folder, path, "--json").json["coverage"]
    assert used["keys"] == [2, 25]
    assert used["notes"] == 4
    assert used["beyond"] == ["E6"]
    assert "keys D2–B2, C#3, D#3–D4" in used["unused"]
    assert "control “Air”" in used["unused"]
    assert "the pedal" in used["unused"]
    assert [finding["rule"] for finding in used["findings"]] == ["music-shallow"]
    assert "never used: the pedal" in companion("coverage", demo_folder, path).out


def test_an_away_test_takes_what_its_piece_never_used(companion: Any, demo_folder: Path, tmp_path: Path) -> None:
    path = piece(tmp_path / "song.mid", (60, 100))
    told = ("--engine-version", "7.2.1", "--system", "Windows 11")
    music = ("away", demo_folder, "--kind", "a piece of music", "--result", "pass", *told)
    kept = companion(*music, "--piece", path, "--json")
    assert kept.json["here"][0]["played"] == "song"
    assert "the pedal" in kept.json["here"][0]["unused"]
    wrong = companion("away", demo_folder, "--kind", "originals hidden", "--result", "pass", "--piece", path)
    assert wrong.code == 2


def test_json_is_one_object(companion: Any, demo_folder: Path) -> None:
    assert set(json.loads(companion("perform", demo_folder, "--json").out)) == {"schema", "performance"}
