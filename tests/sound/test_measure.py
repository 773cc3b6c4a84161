"""Reading and measuring files: integrity, levels, and damage that costs one file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from companion.core.cache import Cache
from companion.core.progress import QUIET
from companion.sound.measures.batch import audio_problems, probe_files
from companion.sound.measures.measured import FIELDS, Measured, to_plain, to_row


def test_levels_of_a_full_scale_sine(write: Any, sine: Any, measure: Any) -> None:
    """AES17: a full-scale sine has a peak of 0 dBFS; its root mean square is 1/√2 of full scale, −3.01 dB."""
    write("a.wav", sine(997, 1.0, 1.0 - 2**-23), subtype="PCM_24")
    one = measure()["a.wav"]
    assert one.peak_dbfs == pytest.approx(0.0, abs=0.001)
    assert one.rms_dbfs == pytest.approx(-3.0103, abs=0.001)
    assert one.dc == pytest.approx(0.0, abs=1e-4)
    assert (one.frames, one.rate, one.channels, one.seconds) == (48000, 48000, 1, 1.0)
    assert one.clipped_runs == ()


def test_offset_is_signed_and_of_the_worse_channel(write: Any, sine: Any, measure: Any) -> None:
    tone = sine(100, 1.0, 0.25)
    write("a.wav", np.column_stack((tone + 0.01, tone - 0.05)))
    assert measure()["a.wav"].dc == pytest.approx(-0.05, abs=1e-6)


def test_float_files_stay_float(write: Any, sine: Any, measure: Any) -> None:
    samples = sine(440, 0.5, 2.0)
    samples[7], samples[8] = np.nan, np.inf
    write("a.wav", samples, subtype="FLOAT")
    one = measure()["a.wav"]
    assert one.not_finite == 2
    assert one.peak_dbfs == pytest.approx(6.02, abs=0.01)


def test_same_sound_under_another_header_has_the_same_digest(
    write: Any, sine: Any, measure: Any, append_chunks: Any, smpl: Any
) -> None:
    steps = (sine(440) * 32767).astype(np.int16)
    append_chunks(write("a.wav", steps, subtype="PCM_16"), smpl(60))
    write("b.flac", steps, subtype="PCM_16")
    write("c.wav", steps[::-1], subtype="PCM_16")
    found = measure()
    assert found["a.wav"].digest == found["b.flac"].digest != found["c.wav"].digest


@pytest.mark.parametrize("name", ["a.wav", "a.aiff", "a.flac"])
def test_truncated_file_is_measured_as_far_as_it_goes(write: Any, sine: Any, measure: Any, name: str) -> None:
    path = write(name, sine(440, 2.0) + 0.01 * np.random.default_rng(1).standard_normal(96000), subtype="PCM_16")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    one = measure()[name]
    assert one.problem == "truncated"
    assert 0 < one.frames < 96000
    assert "96,000" in one.problem_text


def test_lying_header_does_not_allocate(write: Any, measure: Any) -> None:
    """A FLAC header that promises 2^36 − 1 frames made one read of the whole ask for a tebibyte."""
    path = write("a.flac", np.zeros(1000), subtype="PCM_16")
    data = bytearray(path.read_bytes())
    data[21] |= 0x0F
    data[22:26] = b"\xff\xff\xff\xff"
    path.write_bytes(bytes(data))
    one = measure()["a.flac"]
    assert one.problem
    assert one.frames <= 4096


def test_unreadable_files_are_named_and_the_rest_is_measured(
    write: Any, sine: Any, measure: Any, tmp_path: Path
) -> None:
    write("good.wav", sine(440))
    (tmp_path / "text.wav").write_bytes(b"this is a letter")
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "header only.wav").write_bytes(b"RIFF\x24\0\0\0WAVEfmt ")
    found = measure()
    problems = {name: (one.problem, one.problem_text) for name, one in found.items() if one.problem}
    assert set(problems) == {"text.wav", "empty.wav", "header only.wav"}
    assert all(kind == "unreadable" and text for kind, text in problems.values())
    assert found["good.wav"].frames == 24000


def test_a_name_that_is_not_utf8_is_read(write: Any, sine: Any, measure: Any, tmp_path: Path) -> None:
    path = write("a.wav", sine(440))
    odd = tmp_path / "b\udcff.wav"
    try:
        path.rename(odd)
    except (OSError, UnicodeError):
        pytest.skip("this file system takes no such names")
    assert measure()["b\udcff.wav"].frames == 24000


def test_probe_tells_problems_and_texts_without_decoding(
    write: Any, sine: Any, append_chunks: Any, chunk: Any, tmp_path: Path
) -> None:
    path = write("a.wav", sine(440))
    append_chunks(path, chunk(b"LIST", b"INFO" + chunk(b"ICMT", b"C:\\Users\\someone\\slate.wav")))
    cut = write("cut.wav", sine(440))
    cut.write_bytes(cut.read_bytes()[:5000])
    (tmp_path / "no.wav").write_bytes(b"x" * 100)
    files = [(one.name, one, "") for one in sorted(tmp_path.iterdir())]
    with Cache(None) as cache:
        probed = probe_files(files, cache, QUIET)
    assert audio_problems(probed).keys() == {"cut.wav", "no.wav"}
    assert audio_problems(probed)["cut.wav"][0] == "truncated"
    assert {path: one.texts for path, one in probed.items() if one.texts} == {
        "a.wav": (("INFO ICMT", "C:\\Users\\someone\\slate.wav"),)
    }


def test_printed_fields_are_json_and_cells(write: Any, sine: Any, measure: Any) -> None:
    write("a.wav", sine(440))
    write("silent.wav", np.zeros(4800))
    for one in measure().values():
        plain = json.loads(json.dumps(to_plain(one), allow_nan=False))
        assert list(plain) == list(FIELDS)
        assert len(to_row(one)) == len(FIELDS)


def test_measures_survive_the_cache_format() -> None:
    one = Measured(path="a", peak_dbfs=-1.0, outline=b"\1", not_judged={"pitch_cents": "too short"})
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(one), type=Measured) == one


def test_a_problem_is_printed_beside_what_was_measured(write: Any, measure: Any, tmp_path: Path) -> None:
    """In a table it takes the last cell, where the reasons for not judging stand otherwise."""
    (tmp_path / "no.wav").write_bytes(b"RIFF")
    write("cut.wav", np.ones(4800) * 0.25)
    (tmp_path / "cut.wav").write_bytes((tmp_path / "cut.wav").read_bytes()[:1000])
    found = measure()
    assert to_plain(found["no.wav"])["problem"]["kind"] == "unreadable"
    assert to_row(found["no.wav"])[-1].startswith("unreadable=")
    assert to_row(found["cut.wav"])[-1] == "truncated=318 of 4,800 frames are there"
    assert to_row(found["cut.wav"])[FIELDS.index("frames")] == "318"


@pytest.mark.parametrize(("channels", "problem"), [(64, ""), (65, "it claims 65 channels at 48,000 Hz")])
def test_more_channels_than_any_sample_has_are_refused(write: Any, measure: Any, channels: int, problem: str) -> None:
    write("a.wav", np.full((480, channels), 0.1))
    assert measure()["a.wav"].problem_text == problem
