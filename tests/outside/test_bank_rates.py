"""How often faults put into real recordings are found, and how often none is there: the table in DEVELOPERS.md.

The recordings are the bank's (see conftest). Faults: a root note moved by 1 to 11 semitones or an octave, a tuning
moved by 30 cents, a click of −12 dB of the peak, a loop end moved by 10 to 60 frames. What the bank's own zones
declare wrongly counts as a false alarm here. Limits for clicks, seams and scattered tunings were chosen on this table:
it shows that they hold together, not how they do elsewhere.

Run: pytest tests/outside/test_bank_rates.py -n0 -s
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from typing import Any

import msgspec
import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.facts import Facts
from companion.core.progress import QUIET
from companion.sound.checks.model import SoundModel, sound_model
from companion.sound.checks.pitch import PITCH_CENTS, limit_of, off_pitch, wrong_root
from companion.sound.measures.batch import measure_files
from companion.sound.measures.clicks import clicks_in
from companion.sound.measures.measured import Measured
from companion.sound.measures.seams import seam_of
from companion.sound.zones.tuning import FIRM_SPREAD, FIRM_TRUST, TRUST


@pytest.fixture(scope="module")
def bank(recorded_bank: list[Any], tmp_path_factory: pytest.TempPathFactory) -> list[Measured]:
    """Every recording of the bank as a WAVE file with root note and loop, measured as the companion does."""
    folder = tmp_path_factory.mktemp("bank")
    files = []
    for number, one in enumerate(recorded_bank):
        path = folder / f"{number:03}.wav"
        soundfile.write(path, np.rint(one.samples * 32768).astype(np.int16), one.rate, subtype="PCM_16")
        cents = 100 * one.root + one.cents
        loops = [(one.loop_start, one.loop_end - 1)] if one.loop_end else []
        body = struct.pack("<9I", 0, 0, 0, cents // 100, int(cents % 100 / 100 * 2**32), 0, 0, len(loops), 0)
        body += b"".join(struct.pack("<6I", 0, 0, first, last, 0, 0) for first, last in loops)
        data = path.read_bytes() + b"smpl" + struct.pack("<I", len(body)) + body
        path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
        files.append((path.name, path, ""))
    with Cache(None) as cache:
        measured = measure_files(files, cache, QUIET)
    return [measured[name] for name, _, _ in files]


Groups = dict[str, list[int]]


@pytest.fixture(scope="module")
def groups(recorded_bank: list[Any], recorded_instruments: dict[str, list[Any]]) -> Groups:
    """Which recordings (by number) each instrument plays, for those of three or more."""
    numbers = {id(one.samples): number for number, one in enumerate(recorded_bank)}
    found = {
        name: sorted({numbers[id(one.samples)] for one in members}) for name, members in recorded_instruments.items()
    }
    return {name: members for name, members in found.items() if len(members) >= 3}


def model_of(bank: list[Measured], members: list[int], moved: Mapping[int, float]) -> SoundModel:
    """One instrument, with some declared notes moved by so many cents."""
    measured = {}
    for number in members:
        one = bank[number]
        assert one.root_note is not None
        cents = 100 * one.root_note + one.fine_cents + moved.get(number, 0.0)
        root = min(127, max(0, int(cents // 100)))
        measured[f"{number:03}.wav"] = msgspec.structs.replace(one, root_note=root, fine_cents=cents - 100 * root)
    return sound_model(measured, {}, Facts())


def judged(bank: list[Measured], groups: Groups) -> dict[str, SoundModel]:
    """The instruments whose pitch is judged at all: drums and effects are not."""
    models = {name: model_of(bank, members, {}) for name, members in groups.items()}
    return {name: model for name, model in models.items() if model.tunings}


def trusted(one: Measured, *, firm: bool) -> bool:
    trust = one.pitch_trust or 0.0
    return trust >= FIRM_TRUST and (one.pitch_spread or 0.0) < FIRM_SPREAD if firm else trust >= TRUST


def row(name: str, caught: int, of: int, false: int, clean: int) -> tuple[float, float]:
    print(
        f"{name:<28} {caught:>5} of {of:<5} {caught / of:>6.1%}   false {false:>3} of {clean:<4} {false / clean:>6.2%}"
    )
    return caught / of, false / clean


@pytest.mark.parametrize(
    ("name", "moves", "check", "firm", "least", "most"),
    [
        ("root, 1 to 11 semitones", [100 * step for step in range(1, 12)], wrong_root, False, 0.95, 0.005),
        ("root, an octave", [1200], wrong_root, False, 0.93, 0.005),
        ("tuning, 30 cents", [30], off_pitch, True, 0.90, 0.02),
        ("tuning, 1½ to 6½ semitones", [50 + 100 * step for step in range(1, 7)], off_pitch, True, 0.90, 0.02),
    ],
)
def test_pitch_faults(
    bank: list[Measured],
    groups: Groups,
    name: str,
    moves: list[float],
    check: Callable[[SoundModel], list[Any]],
    firm: bool,
    least: float,
    most: float,
) -> None:
    rng = np.random.default_rng(20)
    models = judged(bank, groups)
    clean: set[int] = set()
    false: set[str] = set()
    caught = tried = 0
    for instrument, model in models.items():
        false |= {finding.path for finding in check(model) if finding.path}
        for number in groups[instrument]:
            if not trusted(bank[number], firm=firm) or (firm and limit_of(model.tunings[0], PITCH_CENTS) > 25.0):
                continue  # it says so: the limit it prints for such an instrument is wider
            clean.add(number)
            cents = float(rng.choice(moves)) * float(rng.choice((-1, 1)))
            moved = model_of(bank, groups[instrument], {number: cents})
            tried += 1
            caught += any(finding.path == f"{number:03}.wav" for finding in check(moved))
    found, wrong = row(name, caught, tried, len(false), len(clean))
    assert found >= least
    assert wrong <= most


def test_clicks(recorded_bank: list[Any], bank: list[Measured]) -> None:
    rng = np.random.default_rng(21)
    caught = tried = 0
    for one, measured in zip(recorded_bank, bank, strict=True):
        if measured.seconds < 0.25 or not trusted(measured, firm=False):
            continue
        peak = float(np.abs(one.samples).max())
        sounding = np.flatnonzero(np.convolve(np.abs(one.samples), np.ones(200) / 200, "same") > 0.03 * peak)
        inside = sounding[(sounding > 0.06 * one.rate) & (sounding < len(one.samples) - 0.06 * one.rate)]
        for place in rng.choice(inside, 2) if len(inside) else ():
            clicked = one.samples.copy()
            clicked[place] += 0.25 * peak * float(rng.choice((-1, 1)))
            tried += 1
            caught += any(abs(click.frame - place) < 0.003 * one.rate for click in clicks_in(clicked, one.rate))
    false = sum(bool(measured.clicks) for measured in bank)
    found, wrong = row("click, −12 dB, tonal", caught, tried, false, len(bank))
    assert found >= 0.80
    assert wrong <= 0.002


def test_loop_ends(recorded_bank: list[Any], bank: list[Measured]) -> None:
    rng = np.random.default_rng(22)
    caught = tried = 0
    for one in recorded_bank:
        length = one.loop_end - one.loop_start
        for _ in range(2 if length >= 8 else 0):
            moved = one.loop_end + int(rng.integers(10, 60)) * int(rng.choice((-1, 1)))
            if moved > len(one.samples):
                moved = 2 * one.loop_end - moved
            if moved - one.loop_start >= 8:
                tried += 1
                caught += seam_of(one.samples, one.rate, one.loop_start, moved).seam == "audible"
    loops = [loop for measured in bank for loop in measured.loops]
    found, wrong = row(
        "loop end, 10 to 60 frames", caught, tried, sum(one.seam == "audible" for one in loops), len(loops)
    )
    assert found >= 0.80
    assert wrong <= 0.01
