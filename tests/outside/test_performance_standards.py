"""The performance against published sources, each read by code of its own: SMF, ISO 16, incoherent sums, BS.1770."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pyloudnorm
import pytest

from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.hearing import CENTS, LOWEST_HZ, hear
from companion.trials.performance.keys import Playable, plan_keys
from companion.trials.performance.midi import midi_bytes


def read_smf(data: bytes) -> tuple[int, int, list[list[tuple[int, bytes]]]]:
    """Read a Standard MIDI File after its specification (RP-001, 1996): (format, division, tracks of (tick, event))."""
    assert data[:8] == b"MThd\0\0\0\6"
    kind, count, division = struct.unpack(">HHH", data[8:14])
    place, tracks = 14, []
    for _ in range(count):
        assert data[place : place + 4] == b"MTrk"
        end = place + 8 + struct.unpack(">I", data[place + 4 : place + 8])[0]
        place += 8
        tick, status, events = 0, 0, []

        def number() -> int:
            nonlocal place
            value = 0
            while True:
                byte = data[place]
                place += 1
                value = value << 7 | byte & 127
                if byte < 128:
                    return value

        while place < end:
            tick += number()
            if data[place] >= 128:
                status = data[place]
                place += 1
            if status == 0xFF:
                head = data[place]
                place += 1
                length = number()
                events.append((tick, bytes([0xFF, head]) + data[place : place + length]))
            else:
                length = 1 if status >> 4 in (0xC, 0xD) else 2
                events.append((tick, bytes([status]) + data[place : place + length]))
            place += length
        assert events[-1][1][:2] == b"\xff\x2f"
        tracks.append(events)
    assert place == len(data)
    return kind, division, tracks


def test_the_file_is_read_by_a_reader_of_its_own() -> None:
    score = plan_keys(Playable(keys=tuple(range(40, 60)), takes=3))
    kind, division, tracks = read_smf(midi_bytes(score, "Slate Choir"))
    assert (kind, len(tracks)) == (1, 2)
    (tempo,) = [int.from_bytes(event[2:], "big") for _, event in tracks[0] if event[:2] == b"\xff\x51"]
    assert tempo / division == 1000, "a tick is a millisecond"
    ons = sorted((tick, event[1], event[2]) for tick, event in tracks[1] if event[0] == 0x90 and event[2])
    offs = [(tick, event[1]) for tick, event in tracks[1] if event[0] == 0x80 or (event[0] == 0x90 and not event[2])]
    assert ons == sorted((note.on, note.key, note.velocity) for note in score.notes)
    assert sorted(offs) == sorted((note.off, note.key) for note in score.notes)
    assert [event for _, event in tracks[1] if event[0] == 0xB0] == [b"\xb0\x40\0", b"\xb0\x78\0", b"\xb0\x7b\0"]
    assert max(tick for track in tracks for tick, _ in track) == score.length


def tone(hertz: float, seconds: float = 0.6, rate: int = 44_100) -> Any:
    time = np.arange(int(seconds * rate)) / rate
    parts = [np.sin(2 * np.pi * hertz * n * time) / n**2 for n in range(1, 6)]
    return 0.2 * np.sum(parts, axis=0).astype(np.float32)


@pytest.mark.parametrize("key", [45, 57, 69, 81])
def test_notes_are_heard_at_the_pitches_of_iso_16(key: int) -> None:
    """ISO 16: the A above middle C, MIDI note 69, is 440 Hz; twelve equal semitones make an octave."""
    hertz = 440 * 2 ** ((key - 69) / 12)
    heard = hear(ArraySound(tone(hertz)[:, None], 44_100), 0.0, 0.45, 0.6)
    assert heard.cents is not None
    place = 1200 * np.log2(hertz / LOWEST_HZ) / CENTS
    near = heard.cents[round(place) - 30 : round(place) + 31]
    assert abs(round(place) - 30 + int(np.argmax(near)) - place) <= 1, "within ten cents"


@pytest.mark.parametrize("voices", [2, 4, 8, 16])
def test_levels_of_voices_that_know_nothing_of_each_other_add_as_powers(voices: int) -> None:
    """N equal incoherent sources are 10·log10 N dB above one (e.g. ISO 9613-2, annex; textbook acoustics)."""
    draw = np.random.default_rng(7)
    noise = draw.standard_normal((voices, 44_100)).astype(np.float32) * 0.01
    one = hear(ArraySound(noise[0][:, None], 44_100), 0.1, 0.6, 0.9)
    all_of_them = hear(ArraySound(noise.sum(axis=0)[:, None], 44_100), 0.1, 0.6, 0.9)
    assert all_of_them.level - one.level == pytest.approx(10 * np.log10(voices), abs=0.3)


@pytest.mark.parametrize("decibels", [-12.0, -6.0, 3.0])
def test_differences_in_level_are_those_of_bs_1770(decibels: float) -> None:
    sound = np.concatenate([tone(330.0, 2.0), np.zeros(22_050, np.float32)])
    other = sound * np.float32(10 ** (decibels / 20))
    meter = pyloudnorm.Meter(44_100)
    expected = meter.integrated_loudness(other) - meter.integrated_loudness(sound)
    one, two = (hear(ArraySound(data[:, None], 44_100), 0.1, 1.5, 2.4) for data in (sound, other))
    assert two.level - one.level == pytest.approx(expected, abs=0.05)
    assert two.loud - one.loud == pytest.approx(expected, abs=0.05)
