"""How often faults put into real recordings are found, and how often none is there: the table in DEVELOPERS.md.

The recordings are the bank's (see conftest). Faults: a root note moved by 1 to 11 semitones or an octave, a tuning
moved by 30 cents, a click of −12 dB of the peak, a loop end moved by 10 to 60 frames. What the bank's own zones
declare wrongly counts as a false alarm here. Limits are set on half of the bank (``bank_faults.halves``); the campaign
prints both halves, with bursts, gaps, clicks in quiet places and hum.

Run: pytest tests/outside/test_bank_rates.py -n0 -s [-m campaign]
"""

from __future__ import annotations

import struct
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import msgspec
import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.facts import Facts
from companion.core.progress import QUIET
from companion.sound.checks.formats import hum
from companion.sound.checks.model import SoundModel, sound_model
from companion.sound.checks.pitch import PITCH_CENTS, limit_of, off_pitch, wrong_root
from companion.sound.measures.batch import measure_files
from companion.sound.measures.clicks import clicks_in
from companion.sound.measures.edges import Envelope, floor_of
from companion.sound.measures.hum import lines_of
from companion.sound.measures.measured import Measured
from companion.sound.measures.seams import seam_of
from companion.sound.zones.tuning import FIRM_SPREAD, FIRM_TRUST, TRUST
from tests.outside.bank_faults import HALVES, MAINS, clicked, halves, humming, moved_ends


@pytest.fixture(scope="module")
def bank(recorded_bank: list[Any], tmp_path_factory: pytest.TempPathFactory) -> list[Measured]:
    """Every recording of the bank as a WAVE file with root note and loop, measured as the companion does."""
    folder = tmp_path_factory.mktemp("bank")
    files = []
    for number, one in enumerate(recorded_bank):
        path = folder / f"{number:03}.wav"
        soundfile.write(path, np.rint(one.samples * 32768).astype(np.int16), one.rate, subtype="PCM_16")
        files.append((path.name, path, ""))
        cents = 100 * one.root + one.cents
        if cents < 0:
            continue
        loops = [(one.loop_start, one.loop_end - 1)] if one.loop_end else []
        body = struct.pack("<9I", 0, 0, 0, cents // 100, int(cents % 100 / 100 * 2**32), 0, 0, len(loops), 0)
        body += b"".join(struct.pack("<6I", 0, 0, first, last, 0, 0) for first, last in loops)
        data = path.read_bytes() + b"smpl" + struct.pack("<I", len(body)) + body
        path.write_bytes(data[:4] + struct.pack("<I", len(data) - 8) + data[8:])
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
        if one.root_note is None:
            measured[f"{number:03}.wav"] = one
            continue
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


@pytest.fixture(scope="module")
def in_half(recorded_bank: list[Any], recorded_instruments: dict[str, list[Any]]) -> dict[str, set[int]]:
    """The numbers of the recordings of each half of the bank."""
    of = halves(recorded_bank, recorded_instruments)
    return {half: {number for number, one in enumerate(of) if one == half} for half in HALVES}


def clicks_of(one: Any, sound: Any, measured: Measured) -> list[int]:
    """Where clicks are told: in sound without pitch only the plainest."""
    least = 0.0 if (measured.pitch_trust or 0.0) >= 0.5 else 18.0
    return [click.frame for click in clicks_in(sound, one.rate) if click.size_db >= least]


def click_rates(
    recorded_bank: list[Any], bank: list[Measured], numbers: Iterable[int], every: int
) -> dict[str, tuple[float, float]]:
    """Print and return how often each kind of click is found, and how many recordings seem to hold one as they are."""
    rng = np.random.default_rng(21)
    caught: dict[str, list[bool]] = defaultdict(list)
    numbers = sorted(numbers)
    false = [number for number in numbers if bank[number].clicks]
    for number in numbers[::every]:
        one, measured = recorded_bank[number], bank[number]
        if measured.seconds < 0.25 or not trusted(measured, firm=False) or measured.clicks:
            continue
        for fault, sound, places in clicked(one, rng):
            found = clicks_of(one, sound, measured)
            near = [any(abs(frame - place) < 0.003 * one.rate for frame in found) for place in places]
            caught[fault].append(any(near))
            if len(places) > 1:
                caught[f"{fault}: every place"].append(sum(near) >= min(len(places), 4))
    return {
        fault: row(fault, sum(found), len(found), len(false), len(numbers)) for fault, found in caught.items() if found
    }


def loop_rates(
    recorded_bank: list[Any], bank: list[Measured], numbers: Iterable[int], every: int
) -> tuple[float, float]:
    rng = np.random.default_rng(22)
    numbers = sorted(numbers)
    caught = [
        seam_of(one.samples, one.rate, one.loop_start, end).seam == "audible"
        for one in (recorded_bank[number] for number in numbers[::every])
        for end in moved_ends(one, rng)
    ]
    loops = [loop for number in numbers for loop in bank[number].loops]
    false = sum(loop.seam == "audible" for loop in loops)
    return row("loop end, 10 to 60 frames", sum(caught), len(caught), false, len(loops))


def test_clicks(recorded_bank: list[Any], bank: list[Measured]) -> None:
    """A sixth of the bank, and all of it for what seems to be a click and is none."""
    rates = click_rates(recorded_bank, bank, range(len(bank)), 6)
    assert rates["click, −12 dB, tonal"][0] >= 0.7
    assert rates["two clicks, 5 to 24 ms apart"][0] >= 0.7
    assert rates["dropout of 5 to 20 ms"][0] >= 0.85
    for fault, (found, wrong) in rates.items():
        assert found >= (0.95 if "quiet" in fault or "click in" in fault else 0.6), fault
        assert wrong <= 0.002


def test_loop_ends(recorded_bank: list[Any], bank: list[Measured]) -> None:
    found, wrong = loop_rates(recorded_bank, bank, range(len(bank)), 4)
    assert found >= 0.8
    assert wrong <= 0.01


@pytest.mark.campaign
@pytest.mark.parametrize("half", HALVES)
def test_rates_by_half(
    recorded_bank: list[Any], bank: list[Measured], groups: Groups, in_half: dict[str, set[int]], half: str
) -> None:
    """Everything on the half that limits were set on, and on the one that was frozen before."""
    print(f"\n{half}: {len(in_half[half])} recordings")
    click_rates(recorded_bank, bank, in_half[half], 1)
    loop_rates(recorded_bank, bank, in_half[half], 1)
    rng = np.random.default_rng(23)
    caught, tried, false, clean = 0, 0, 0, 0
    for members in groups.values():
        mine = [number for number in members if number in in_half[half]][:12]
        if len(mine) < 3:
            continue
        as_it_is = {number: bank[number] for number in mine}
        false += hums(as_it_is)
        clean += 1
        for mains in MAINS:
            over = {
                number: hum_measured(
                    humming(recorded_bank[number].samples, recorded_bank[number].rate, mains, rng), one
                )
                for number, one in as_it_is.items()
            }
            if sum(bool(one.hum_lines) for one in over.values()) < 3:
                continue  # too short to tell, and it says so
            tried += 1
            caught += hums(over)
    row("hum of −60 dBFS, by folder", caught, tried, false, clean)


def hum_measured(sound: Any, before: Measured) -> Measured:
    """The measures of a recording, with the lines of what it has become in place of its own."""
    envelope = Envelope(before.rate)
    envelope.add(sound[None])
    cells = envelope.cells()
    floor = floor_of(cells)
    start, stop = floor.start * envelope.cell, floor.stop * envelope.cell
    if floor.is_bound is not False:
        size = 2000
        sums = np.concatenate(([0.0], np.cumsum(cells)))
        first = int(np.argmin(sums[size:] - sums[:-size])) if len(cells) > size else 0
        start, stop = first * envelope.cell, (first + size) * envelope.cell
    return msgspec.structs.replace(before, hum_lines=lines_of(sound[start:stop], before.rate), hum_db=None)


def hums(members: Mapping[int, Measured]) -> bool:
    model = sound_model({f"{number:03}.wav": one for number, one in members.items()}, {}, Facts())
    return any(not finding.path for finding in hum(model))
