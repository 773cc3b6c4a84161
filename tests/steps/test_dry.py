"""The samples that a key may play: the nearest notes on both sides, their loops, and nothing that does not read."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.facts import Facts, Naming
from companion.core.folder import Places
from companion.steps.desk import Desk
from companion.steps.looks.dry import MOST_FILES, dry_samples
from companion.steps.table import BY_ID
from companion.trials.performance.clicks import DryOf

RATE = 8_000


def chunk(*loops: tuple[int, int], note: int = 60) -> bytes:
    """A sampler chunk; a loop's end is the last frame that plays."""
    body = struct.pack("<9I", 0, 0, 0, note, 0, 0, 0, len(loops), 0)
    for start, end in loops:
        body += struct.pack("<6I", 0, 0, start, end, 0, 0)
    return b"smpl" + struct.pack("<I", len(body)) + body


@pytest.fixture
def samples(tmp_path: Path) -> Path:
    (tmp_path / "Samples").mkdir()
    return tmp_path / "Samples"


def write(path: Path, value: float = 0.1, frames: int = 1000, extra: bytes = b"") -> None:
    soundfile.write(path, np.full(frames, value), RATE, subtype="FLOAT")
    data = path.read_bytes() + extra
    path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])


def dry(samples: Path, pattern: str = "") -> DryOf:
    facts = Facts(naming=Naming(middle_c="C3", pattern=pattern))
    return dry_samples(Desk(Places(samples.parent), facts, Cache(None), steps=BY_ID))


def heard(of: DryOf, key: int) -> list[float]:
    return sorted(round(float(one.data[0, 0]), 2) for one in of(key))


def test_all_takes_of_the_nearest_notes_below_and_above_are_meant(samples: Path) -> None:
    for name, value in {"a_C3_rr1": 0.1, "a_C3_rr2": 0.2, "a_E3_rr1": 0.3, "a_C4_rr1": 0.4}.items():
        write(samples / f"{name}.wav", value)
    of = dry(samples)
    assert heard(of, 60) == heard(of, 63) == [0.1, 0.2, 0.3]
    assert heard(of, 64) == [0.3, 0.4]
    assert heard(of, 40) == [0.1, 0.2]
    assert heard(of, 100) == [0.4]
    assert {one.pitch for one in of(64)} == {64.0, 72.0}


def test_takes_of_one_note_at_one_touch_belong_together_where_a_fact_says_how_names_are_read(samples: Path) -> None:
    names = ("a_C3_v40_rr1", "a_C3_v40_rr2", "a_C3_v90_rr1", "a_C3_v90_rr2", "a_E3_v40_rr1")
    for name in names:
        write(samples / f"{name}.wav")
    of = dry(samples, "{layer}_{note}_v{velocity}_rr{take}")
    sets = [one.take_of for one in of(61)]
    assert [sets.count(one) for one in sets] == [2, 2, 2, 2, 1]
    assert len(set(sets)) == 3
    assert {one.take_of for one in dry(samples)(61)} == {""}, "nobody said that these are takes"


def test_without_samples_there_are_none(samples: Path) -> None:
    assert dry(samples)(60) == ()


def test_a_loop_is_read_with_its_end_and_a_lying_one_is_none(samples: Path) -> None:
    write(samples / "a_C3.wav", extra=chunk((100, 899)))
    write(samples / "a_D3.wav", extra=chunk((100, 5000)))
    of = dry(samples)
    assert [(one.loop, one.rate, len(one.data)) for one in of(60) if one.pitch == 60] == [((100, 900), RATE, 1000)]
    assert [one.loop for one in of(62)] == [None]


def test_a_sample_whose_name_says_no_note_is_placed_by_its_file(samples: Path) -> None:
    write(samples / "one of them.wav", extra=chunk(note=67))
    assert [one.pitch for one in dry(samples)(60)] == [67.0]


def test_what_does_not_read_is_left_out_and_a_crowd_is_not_read_whole(samples: Path) -> None:
    write(samples / "a_C3_rr1.wav")
    (samples / "a_C3_rr2.wav").write_bytes(b"RIFF\x10\0\0\0WAVEnonsense")
    soundfile.write(samples / "a_C3_rr3.wav", np.zeros(0), RATE)
    assert len(tuple(dry(samples)(60))) == 1
    for take in range(1, MOST_FILES):
        write(samples / f"take {take} C4.wav", frames=4)
    assert len(tuple(dry(samples)(72))) == MOST_FILES // 2


def test_of_a_long_sample_only_what_a_note_may_play_is_read(samples: Path) -> None:
    write(samples / "a_C3.wav", frames=RATE * 10, extra=chunk((100, 9 * RATE)))
    (one,) = dry(samples)(60)
    assert len(one.data) < 3 * RATE
    assert one.loop is None, "its end is never reached"
