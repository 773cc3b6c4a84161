"""What headers and chunks say, and what they only claim."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.sound.files.aiff import extended
from companion.sound.files.chunks import Loop
from companion.sound.files.headers import parse_chunks, read_chunks

SILENCE = [0.0] * 1000


def test_sampler_chunk(write: Any, append_chunks: Any, smpl: Any) -> None:
    path = write("a.wav", SILENCE)
    append_chunks(path, smpl(64, 0.25, ((0, 100, 899), (1, 5, 6), (2, 0, 9))))
    chunks = read_chunks(path)
    assert (chunks.root_note, chunks.fine_cents) == (64, 25.0)
    assert chunks.loops == (Loop(100, 900, "forward"), Loop(5, 7, "alternating"), Loop(0, 10, "backward"))
    assert (chunks.format, chunks.coding, chunks.rate, chunks.channels, chunks.bits) == ("WAV", "PCM", 48000, 1, 24)
    assert (chunks.frames_promised, chunks.frames_present, chunks.truncated, chunks.problem) == (1000, 1000, False, "")


def test_instrument_chunk_gives_ranges_but_not_over_the_sampler_chunk(
    write: Any, append_chunks: Any, chunk: Any, smpl: Any
) -> None:
    path = write("a.wav", SILENCE)
    append_chunks(path, smpl(64), chunk(b"inst", struct.pack("7b", 60, 10, 0, 58, 66, 1, 90)))
    chunks = read_chunks(path)
    assert chunks.root_note == 64
    assert (chunks.low_key, chunks.high_key, chunks.low_velocity, chunks.high_velocity) == (58, 66, 1, 90)
    other = write("b.wav", SILENCE)
    append_chunks(other, chunk(b"inst", struct.pack("7b", 60, 10, 0, 58, 66, 1, 90)))
    assert (read_chunks(other).root_note, read_chunks(other).fine_cents) == (60, -10.0)


def test_texts_of_a_wave_file(write: Any, append_chunks: Any, chunk: Any) -> None:
    path = write("a.wav", SILENCE)
    bext = b"made at home".ljust(256, b"\0") + b"Quay Room".ljust(32, b"\0") + bytes(602 - 288) + b"A=PCM\r\n"
    label = b"INFO" + chunk(b"IART", b"Quay") + chunk(b"ICMT", "naïve".encode("latin-1"))
    cues = b"adtl" + chunk(b"labl", b"\1\0\0\0start here\0")
    append_chunks(path, chunk(b"bext", bext), chunk(b"LIST", label), chunk(b"LIST", cues), chunk(b"iXML", b"<BWFXML/>"))
    texts = dict(read_chunks(path).texts)
    assert texts["bext description"] == "made at home"
    assert texts["bext originator"] == "Quay Room"
    assert texts["bext coding history"] == "A=PCM"
    assert texts["INFO IART"] == "Quay"
    assert texts["INFO ICMT"] == "naïve"
    assert texts["cue labl"] == "start here"
    assert texts["iXML"] == "<BWFXML/>"


def test_id3_inside_wave(write: Any, append_chunks: Any, chunk: Any) -> None:
    frame = b"TIT2" + struct.pack(">I", 6) + b"\0\0" + b"\3Slate"
    tag = b"ID3\3\0\0" + bytes((0, 0, 0, len(frame))) + frame
    path = write("a.wav", SILENCE)
    append_chunks(path, chunk(b"id3 ", tag))
    assert ("ID3 TIT2", "Slate") in read_chunks(path).texts


@pytest.mark.parametrize(
    ("name", "kind"), [("a.rf64", "RF64"), ("a.w64", "W64"), ("a.aiff", "AIFF"), ("a.flac", "FLAC")]
)
def test_formats_agree_on_what_is_there(write: Any, name: str, kind: str) -> None:
    path = write(name, [[0.1, 0.2]] * 777, 44100, "PCM_16", format="RF64" if kind == "RF64" else None)
    chunks = read_chunks(path)
    assert (chunks.format, chunks.rate, chunks.channels, chunks.bits) == (kind, 44100, 2, 16)
    assert chunks.frames_promised == 777
    assert not chunks.truncated


@pytest.mark.parametrize("name", ["a.wav", "a.rf64", "a.w64", "a.aiff"])
def test_truncated_is_told_and_an_odd_tail_is_not(write: Any, name: str) -> None:
    path = write(name, SILENCE, subtype="PCM_16", format="RF64" if "rf64" in name else None)
    data = path.read_bytes()
    path.write_bytes(data + b"\0junk")
    assert not read_chunks(path).truncated
    path.write_bytes(data[: len(data) - 200])
    chunks = read_chunks(path)
    assert chunks.truncated
    assert chunks.frames_promised == 1000
    assert chunks.frames_present is not None
    assert 880 <= chunks.frames_present <= 940  # 200 bytes are 100 frames; some formats end in a few bytes of padding


def test_long_rf64_data_is_followed_by_its_chunks(smpl: Callable[..., bytes]) -> None:
    form = struct.pack("<HHIIHH", 1, 1, 48000, 96000, 2, 16)
    ds64 = struct.pack("<QQQI", 0, 2000, 1000, 0)
    body = b"ds64" + struct.pack("<I", len(ds64)) + ds64 + b"fmt " + struct.pack("<I", 16) + form
    data = b"RF64\xff\xff\xff\xffWAVE" + body + b"data\xff\xff\xff\xff" + bytes(2000) + smpl(72)
    chunks = parse_chunks(io.BytesIO(data), len(data))
    assert (chunks.frames_promised, chunks.truncated, chunks.root_note) == (1000, False, 72)


def test_unknown_length_of_a_stream_is_no_truncation(write: Any) -> None:
    path = write("a.wav", SILENCE, subtype="PCM_16")
    data = path.read_bytes()
    where = data.index(b"data")
    path.write_bytes(data[: where + 4] + b"\xff\xff\xff\xff" + data[where + 8 :])
    assert not read_chunks(path).truncated
    assert read_chunks(path).frames_present == 1000


def test_aiff_instrument_and_markers(write: Any) -> None:
    path = write("a.aiff", SILENCE, subtype="PCM_16")
    marks = struct.pack(">H", 2) + struct.pack(">hIB", 1, 100, 3) + b"beg" + struct.pack(">hIB", 7, 900, 4) + b"stop\0"
    instrument = struct.pack(">6bh6h", 60, -20, 55, 65, 1, 127, 0, 1, 1, 7, 0, 0, 0)
    name = b"A name"
    extra = b"".join(
        key + struct.pack(">I", len(body)) + body + b"\0" * (len(body) & 1)
        for key, body in ((b"MARK", marks), (b"INST", instrument), (b"NAME", name))
    )
    path.write_bytes(path.read_bytes() + extra)
    chunks = read_chunks(path)
    assert (chunks.root_note, chunks.fine_cents, chunks.low_key, chunks.high_key) == (60, 20.0, 55, 65)
    assert chunks.loops == (Loop(100, 900, "forward"),)
    assert ("NAME", "A name") in chunks.texts


def test_flac_keeps_foreign_chunks_and_comments(write: Any, smpl: Any) -> None:
    path = write("a.flac", SILENCE, subtype="PCM_16")
    data = path.read_bytes()
    head, rest = data[:42], data[42:]
    assert head[4] & 0x7F == 0
    foreign = b"".join(
        b"\x02" + (len(body) + 4).to_bytes(3, "big") + b"riff" + body for body in (b"RIFF\0\0\0\0WAVE", smpl(50))
    )
    vendor, comment = b"us", b"ARTIST=Quay Room"
    comments = struct.pack("<I", 2) + vendor + struct.pack("<II", 1, len(comment)) + comment
    block = b"\x04" + len(comments).to_bytes(3, "big") + comments
    path.write_bytes(head[:4] + bytes((head[4] & 0x7F,)) + head[5:] + foreign + block + rest)
    chunks = read_chunks(path)
    assert chunks.root_note == 50
    assert ("comment ARTIST", "Quay Room") in chunks.texts


def test_extended_numbers() -> None:
    assert extended(bytes.fromhex("400eac44000000000000")) == 44100.0
    assert extended(bytes.fromhex("400ebb80000000000000")) == 48000.0
    assert extended(b"\x7f\xff" + b"\xff" * 8) == 0.0
    assert extended(bytes.fromhex("404effffffffffffffff")) == 0.0, "over 2^64, which no cache takes"


def test_what_is_no_audio_says_so(tmp_path: Path) -> None:
    for name, data in (("a.wav", b"not audio at all"), ("b.wav", b""), ("c.wav", b"RIFF\4\0\0\0WAVE")):
        (tmp_path / name).write_bytes(data)
        assert read_chunks(tmp_path / name).problem


@settings(max_examples=300, deadline=None)
@given(
    head=st.sampled_from(
        [b"RIFF\0\0\0\0WAVE", b"RF64\0\0\0\0WAVE", b"FORM\0\0\0\0AIFF", b"fLaC", b"OggS", b"ID3\4\0\0"]
    ),
    parts=st.lists(
        st.tuples(
            st.sampled_from([b"fmt ", b"data", b"smpl", b"inst", b"LIST", b"bext", b"COMM", b"SSND", b"MARK", b"INST"]),
            st.integers(0, 2**32 - 1) | st.integers(0, 64),
            st.binary(max_size=80),
        ),
        max_size=8,
    ),
)
def test_nonsense_never_raises(head: bytes, parts: list[tuple[bytes, int, bytes]]) -> None:
    for mark in ("<I", ">I"):
        data = head + b"".join(name + struct.pack(mark, size) + body for name, size, body in parts)
        chunks = parse_chunks(io.BytesIO(data), len(data))
        assert chunks.root_note is None or 0 <= chunks.root_note <= 127
        assert len(chunks.loops) <= 64
