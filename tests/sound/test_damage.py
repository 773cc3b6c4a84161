"""Damaged audio files go through: no crash, no hang, each is measured or named.

libarchive's way: one byte in a hundred is replaced, many times over. The short run is part of the suite; the long one
(2,000 files) is a campaign: pytest tests/sound/test_damage.py -m campaign -n0 -s
"""

from __future__ import annotations

import random
import time
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.facts import Facts
from companion.core.progress import QUIET
from companion.core.rules import findings_of
from companion.sound.checks.model import sound_model
from companion.sound.files.headers import read_chunks
from companion.sound.measures.batch import measure_files, probe_files
from companion.sound.measures.measured import to_plain
from companion.sound.rules import RULES

FORMATS = (
    ("wav", "PCM_16"),
    ("wav", "PCM_24"),
    ("wav", "FLOAT"),
    ("wav", "IMA_ADPCM"),
    ("aiff", "PCM_16"),
    ("aiff", "PCM_24"),
    ("flac", "PCM_16"),
    ("flac", "PCM_24"),
    ("ogg", "VORBIS"),
    ("mp3", "MPEG_LAYER_III"),
    ("w64", "PCM_16"),
    ("caf", "PCM_16"),
)


def good_files(folder: Path, append_chunks: Any, smpl: Any) -> list[Path]:
    rng = np.random.default_rng(0)
    sound = 0.4 * np.sin(2 * np.pi * 330 * np.arange(8000) / 44100) + 0.01 * rng.standard_normal(8000)
    paths = []
    for number, (suffix, subtype) in enumerate(FORMATS):
        path = folder / f"good{number}.{suffix}"
        soundfile.write(path, np.column_stack((sound, sound[::-1])), 44100, subtype=subtype)
        if suffix == "wav":
            append_chunks(path, smpl(64, 0.1, ((0, 100, 7000),)))
        paths.append(path)
    return paths


def damaged(data: bytes, rng: random.Random) -> bytes:
    """One byte in a hundred replaced; of every fourth file only in the first kilobyte, the header; some cut short."""
    broken = bytearray(data)
    most = len(broken) if rng.random() < 0.75 else min(len(broken), 1024)
    for _ in range(max(4, most // 100)):
        broken[rng.randrange(most)] = rng.randrange(256)
    return bytes(broken[: rng.randrange(1, len(broken))] if rng.random() < 0.2 else broken)


def run(folder: Path, count: int, append_chunks: Any, smpl: Any) -> None:
    rng = random.Random(count)
    originals = [path.read_bytes() for path in good_files(folder, append_chunks, smpl)]
    files = []
    for number in range(count):
        path = folder / f"{number}.{FORMATS[number % len(FORMATS)][0]}"
        path.write_bytes(damaged(originals[number % len(originals)], rng))
        files.append((path.name, path, ""))
    began = time.monotonic()
    with Cache(None) as cache:
        probed = probe_files(files, cache, QUIET)
        measured = measure_files(files, cache, QUIET, workers=2)
    assert set(measured) == set(probed) == {name for name, _, _ in files}
    for name, one in measured.items():
        assert one.problem or one.frames > 0, name
        assert one.problem == "" or one.problem_text, name
        to_plain(one)
    findings_of(RULES, sound_model(measured, {}, Facts()))
    kinds = Counter(one.problem or "measured" for one in measured.values())
    texts = Counter(one.problem_text.split(":")[0] for one in measured.values() if one.problem == "unreadable")
    seconds = time.monotonic() - began
    print(f"\n{count} damaged files in {seconds:.0f} s: {dict(kinds)}; unreadable: {texts.most_common(8)}")
    # A fault of ours would show as an exception's name where a decoder's reason should stand.
    faults = [one.problem_text for one in measured.values() if one.problem_text.split(":")[0].endswith("Error")]
    assert not faults


def test_a_hundred_damaged_files(tmp_path: Path, append_chunks: Any, smpl: Any) -> None:
    run(tmp_path, 120, append_chunks, smpl)


@pytest.mark.campaign
def test_two_thousand_damaged_files(tmp_path: Path, append_chunks: Any, smpl: Any) -> None:
    run(tmp_path, 2000, append_chunks, smpl)


def test_every_cut_of_a_header_reads_or_says_why(tmp_path: Path, append_chunks: Any, smpl: Any) -> None:
    for path in good_files(tmp_path, append_chunks, smpl):
        data = path.read_bytes()
        cut = tmp_path / f"cut{path.suffix}"
        for length in range(0, min(len(data), 200), 3):
            cut.write_bytes(data[:length])
            chunks = read_chunks(cut)
            undecided = chunks.format in ("OGG", "MP3", "CAF", "FLAC")  # only decoding tells
            assert chunks.problem or chunks.truncated or undecided, (path.name, length)
