"""Real recordings for the tests, out of a bank of recorded instruments that a package on PyPI carries.

The package is ``pretty_midi`` 0.2.11 (MIT); the RIFF bank file (form type ``sfbk``) lies in its folder. It says
nothing of a licence for the bank itself, and distributions list that file under GPL 2: it is read by tests only, and
neither it nor anything cut from it is committed or shipped. The layout is that of the published bank specification,
version 2.01: sample headers (``shdr``, 46 bytes each), and instrument zones whose generators may override a root note.
"""

from __future__ import annotations

import os
import struct
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.outside.recorded_folders import instruments_in, recording


class Recording(NamedTuple):
    """One recording. ``samples``: float32, −1…1, one channel. Its pitch is ``100 × root + cents`` (A4 = 6900).

    root: −1 where nothing tells it, in folders alone.

    loop_start, loop_end: frames, the end exclusive; both 0 where no instrument of the bank loops it.
    """

    name: str
    rate: int
    samples: Any
    root: int
    cents: int
    loop_start: int
    loop_end: int


_SAMPLE, _ROOT, _COARSE, _FINE, _MODES = 53, 58, 51, 52, 54


def _bank_file() -> Path:
    """The bank; ``COMPANION_BANK`` names another of that layout, or a folder, to see how the rules do elsewhere."""
    if other := os.environ.get("COMPANION_BANK"):
        return Path(other)
    import pretty_midi  # missing, it fails the checks that need it: they are not passed over

    for path in sorted(Path(pretty_midi.__file__).parent.iterdir()):
        if path.is_file():
            with path.open("rb") as stream:
                head = stream.read(12)
            if head[:4] == b"RIFF" and head[8:] == b"sfbk":
                return path
    pytest.fail("this version of pretty_midi carries no bank of recordings: install the one named above")


def _chunks(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, bytes]]:
    while start + 8 <= end:
        size = struct.unpack_from("<I", data, start + 4)[0]
        yield data[start : start + 4], data[start + 8 : start + 8 + size]
        start += 8 + size + (size & 1)


def _zones(parts: dict[bytes, bytes]) -> Iterator[tuple[str, int, dict[int, int]]]:
    """Yield (instrument, sample index, generators), a global zone's generators under the zone's own."""
    instruments = list(struct.iter_unpack("<20sH", parts[b"inst"]))
    bags = list(struct.iter_unpack("<HH", parts[b"ibag"]))
    generators = list(struct.iter_unpack("<Hh", parts[b"igen"]))
    for (name, first), (_, last) in pairwise(instruments):
        common: dict[int, int] = {}
        for bag in range(first, last):
            own = dict(generators[bags[bag][0] : bags[bag + 1][0]])
            if _SAMPLE in own:
                yield name.split(b"\0")[0].decode("latin-1").strip(), own[_SAMPLE], {**common, **own}
            elif bag == first:
                common = own


def _read() -> tuple[list[Recording], dict[str, list[Recording]]]:
    import numpy as np

    place = _bank_file()
    if place.is_dir():
        return _read_folders(place)
    data = place.read_bytes()
    parts: dict[bytes, bytes] = {}
    for name, body in _chunks(data, 12, len(data)):
        if name == b"LIST":
            parts.update(_chunks(body, 4, len(body)))
    everything = np.frombuffer(parts[b"smpl"], "<i2").astype(np.float32) / np.float32(32768)
    headers = list(struct.iter_unpack("<20sIIIIIBbHH", parts[b"shdr"]))[:-1]

    pitches: dict[int, Counter[int]] = defaultdict(Counter)
    looped: set[int] = set()
    users: dict[str, list[int]] = defaultdict(list)
    for instrument, index, zone in _zones(parts):
        header = headers[index]
        root = zone.get(_ROOT, -1) if zone.get(_ROOT, -1) >= 0 else header[6]
        # A correction is what playback adds, so the recording itself lies that much the other way.
        pitches[index][100 * root - header[7] - 100 * zone.get(_COARSE, 0) - zone.get(_FINE, 0)] += 1
        if zone.get(_MODES, 0) in (1, 3):
            looped.add(index)
        if index not in users[instrument]:
            users[instrument].append(index)

    recordings = []
    for index, (name, start, end, loop_start, loop_end, rate, original, correction, _, _) in enumerate(headers):
        pitch = pitches[index].most_common(1)[0][0] if pitches[index] else 100 * original - correction
        root = (pitch + 50) // 100
        inside = index in looped and start <= loop_start < loop_end <= end
        recordings.append(
            Recording(
                name.split(b"\0")[0].decode("latin-1").strip(),
                rate,
                everything[start:end],
                root,
                pitch - 100 * root,
                loop_start - start if inside else 0,
                loop_end - start if inside else 0,
            )
        )
    groups = {instrument: [recordings[index] for index in members] for instrument, members in users.items()}
    return recordings, groups


def _read_folders(folder: Path) -> tuple[list[Recording], dict[str, list[Recording]]]:
    groups: dict[str, list[Recording]] = {}
    for name, paths in instruments_in(folder):
        read = [(path.stem, recording(path)) for path in paths]
        groups[name] = [Recording(f"{name}/{stem}", *one) for stem, one in read if one is not None]
    return [one for members in groups.values() for one in members], groups


@pytest.fixture(scope="session")
def _bank() -> tuple[list[Recording], dict[str, list[Recording]]]:
    return _read()


@pytest.fixture(scope="session")
def recorded_bank(_bank: tuple[list[Recording], dict[str, list[Recording]]]) -> list[Recording]:
    """Every recording of the bank (over 500), each a named tuple: see :class:`Recording`."""
    return _bank[0]


@pytest.fixture(scope="session")
def recorded_instruments(_bank: tuple[list[Recording], dict[str, list[Recording]]]) -> dict[str, list[Recording]]:
    """Which recordings each instrument of the bank plays, by the instrument's name."""
    return _bank[1]


_REAL_FACTS = """\
# Built for one test out of real recordings; it is never passed on.

[instrument]
title = "Borrowed Voices"
version = "1.0"
maker = "Quay Room"
summary = "Real recordings, laid out as an instrument."
description = "Every recording of the bank that lasts, at the rate most of them have."
contact = "https://quay-room.example/borrowed"
credits = ["Recordings out of a bank that a package carries"]
tags = ["test"]
licence = "LicenseRef-Borrowed"
licence_file = "Licence.txt"
rights = "For this test only."

[engine]
name = "Example Engine"
edition = "full"
saved_with = "7.2.1"
minimum = "7.2.1"
systems = ["windows", "macos", "linux"]

[contents]
patches = ["Borrowed Voices.eeng"]
samples = ["Samples/**/*.wav"]
documents = ["Licence.txt"]

[naming]
pattern = "{layer}_{note}_rr{take}"
middle_c = "C4"

[[controls]]
name = "Tone"
effect = "from dark to bright"

[[controls]]
name = "Room"
effect = "from dry to wide"
"""


@pytest.fixture
def real_instrument(
    tmp_path: Path,
    recorded_bank: list[Recording],
    recorded_instruments: dict[str, list[Recording]],
    demo_maker: Any,
) -> Path:
    """A working folder of 60 to 120 real recordings, bit for bit as the bank holds them, that only waits for a release.

    16-bit WAV files of one rate with ``smpl`` chunks (root note, loop), in a layer for each instrument that plays
    them; a patch of the demo's invented kind with relative paths; facts and licence text. Names carry the root note
    (middle C as C4), rounded, and tell recordings of one note apart by their take.
    """
    import numpy as np

    rate = 22_050
    lasting = [one for one in recorded_bank if one.rate == rate and len(one.samples) > 0.1 * rate]
    layer_of: dict[int, str] = {}
    for number, members in enumerate(recorded_instruments.values()):
        for one in members:
            layer_of.setdefault(id(one), f"voice{number:03}")

    folder = tmp_path / "Borrowed Voices"
    paths: list[str] = []
    takes: Counter[str] = Counter()
    for one in lasting:
        layer = layer_of.get(id(one), "voice")
        note = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")[one.root % 12] + str(
            one.root // 12 - 1
        )
        takes[f"{layer}_{note}"] += 1
        path = f"Samples/{layer}/{layer}_{note}_rr{takes[f'{layer}_{note}']}.wav"
        loop = (one.loop_start, one.loop_end - 1) if one.loop_end else None
        frames = np.rint(one.samples * 32768).astype(np.int16)
        data = demo_maker.wave(frames, rate, after=[demo_maker.sampler(one.root, rate, loop)])
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(data)
        paths.append(path)
    (folder / "Borrowed Voices.eeng").write_bytes(demo_maker.patch([("utf-8", path) for path in paths]))
    (folder / "Licence.txt").write_text("For this test only; not to be passed on.\n", encoding="utf-8")
    (folder / "release.toml").write_text(_REAL_FACTS, encoding="utf-8")
    return folder
