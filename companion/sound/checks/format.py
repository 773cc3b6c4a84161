"""Checks of what a format is used for, of impulse responses, and of noise."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Callable
from typing import Final

from companion.core.findings import Finding
from companion.core.text import plural, visible
from companion.core.units import decimal_bytes, duration, level
from companion.sound.checks import texts as rules
from companion.sound.checks.model import SoundModel
from companion.sound.checks.whole import place
from companion.sound.measures.weight import bits_bytes, mono_bytes

INVERTED: Final = -0.9
BAND_SHARE: Final = 0.8
BAND_LOWEST_HZ: Final = 4000.0
HUM_DB: Final = 12.0
PLAIN_HUM_DB: Final = 20.0
HUM_FILES: Final = 3
NOISE_DBFS: Final = -60.0
IMPULSE_ONSET_S: Final = 0.02
IMPULSE_END_DB: Final = -60.0


def mono_as_stereo(model: SoundModel) -> list[Finding]:
    """Two channels that are equal to the bit."""
    return [
        rules.MONO_AS_STEREO.finding(path, measured=f"{decimal_bytes(mono_bytes(one))} could be saved")
        for path, one in model.readable()
        if one.same_channels
    ]


def polarity_inverted(model: SoundModel) -> list[Finding]:
    """Two channels whose correlation is under −0.9."""
    return [
        rules.POLARITY_INVERTED.finding(path, measured=f"correlation {one.correlation:.2f}".replace("-", "−"))
        for path, one in model.readable()
        if one.correlation is not None and one.correlation < INVERTED
    ]


def depth_padded(model: SoundModel) -> list[Finding]:
    """Integers whose lowest byte or more is never used; a bit or two fewer is what an even gain leaves."""
    return [
        rules.DEPTH_PADDED.finding(
            path,
            measured=f"{one.effective_bits} of {one.bits} bits used, {decimal_bytes(bits_bytes(one))} could be saved",
        )
        for path, one in model.readable()
        if one.effective_bits is not None and 0 < one.effective_bits <= one.bits - 8
    ]


def band_empty(model: SoundModel) -> list[Finding]:
    """A cliff in the spectrum under 80 % of the band: see ``bits.bandwidth``.

    Some sounds are so by nature, hence a note only; a cliff under 4 kHz would be of a rate that nobody records at.
    """
    return [
        rules.BAND_EMPTY.finding(path, measured=f"nothing above {one.bandwidth_hz:,.0f} Hz of {one.rate / 2:,.0f} Hz")
        for path, one in model.samples()
        if one.bandwidth_hz is not None and BAND_LOWEST_HZ <= one.bandwidth_hz < BAND_SHARE * one.rate / 2
    ]


def hum(model: SoundModel) -> list[Finding]:
    """Folders whose noise floors show the mains: the median over at least three of them is over 12 dB.

    A single file may have partials near multiples of 50 or 60 Hz; a folder of different notes does not. One file is
    told by itself only when three lines stand 20 dB out of a floor that is steady, where no partials are left.
    """
    folders: dict[str, list[tuple[float, float, str]]] = defaultdict(list)
    for path, one in model.samples():
        if one.hum_hz is not None and one.hum_db is not None:
            folders[path.rpartition("/")[0]].append((one.hum_hz, one.hum_db, path))
    findings = []
    for folder, seen in sorted(folders.items()):
        prominence = statistics.median(decibels for _, decibels, _ in seen)
        mains = statistics.mode(hertz for hertz, _, _ in seen)
        if len(seen) >= HUM_FILES and prominence >= HUM_DB:
            floors = plural(len(seen), "noise floor")
            measured = f"{mains:.0f} Hz and multiples, {prominence:.0f} dB, median of {floors}"
            findings.append(rules.HUM.finding(folder, measured=measured))
            continue
        findings += [
            rules.HUM.finding(path, measured=f"{hertz:.0f} Hz and multiples, {decibels:.0f} dB")
            for hertz, decibels, path in seen
            if decibels >= PLAIN_HUM_DB
        ]
    return findings


def noise_of(floor_dbfs: float, voices: int) -> float:
    """Return the level in dB of ``voices`` equal noises at once, none in step with another: + 10·log10 N."""
    return floor_dbfs + 10 * math.log10(voices)


def noise_builds_up(model: SoundModel) -> list[Finding]:
    """Layers whose noise floor, at the polyphony the maker states, adds up to over the limit (default −60 dBFS).

    Judged by the median of the floors that are steady; those that are only an upper bound are left out.
    """
    voices = model.facts.limits.voices
    if not voices:
        return []
    limit = model.facts.limits.noise_dbfs
    limit = NOISE_DBFS if limit is None else limit
    floors: dict[str, list[float]] = defaultdict(list)
    for path, zone in model.zones.items():
        one = model.measured[path]
        if one.noise_floor_dbfs is not None and one.noise_is_bound is False:
            floors[zone.layer].append(one.noise_floor_dbfs)
    findings = []
    for layer, levels in sorted(floors.items()):
        floor = statistics.median(levels)
        total = noise_of(floor, voices)
        if total > limit:
            findings.append(
                rules.NOISE_BUILDS_UP.finding(
                    measured=f"“{visible(layer)}”: {level(floor)} each, {level(total)} with {plural(voices, 'voice')}",
                    limit=level(limit),
                )
            )
    return findings


def impulse_late(model: SoundModel) -> list[Finding]:
    """Impulse responses whose sound begins after 20 ms."""
    return [
        rules.IMPULSE_LATE.finding(path, measured=f"{one.onset_s * 1000:.0f} ms")
        for path, one in model.impulses()
        if one.onset_s is not None and one.onset_s > IMPULSE_ONSET_S
    ]


def impulse_clipped(model: SoundModel) -> list[Finding]:
    """Impulse responses with a flat top of 3 samples or more; a direct sound that is one sample high is not flat."""
    return [
        rules.IMPULSE_CLIPPED.finding(
            path,
            where=place(one.clipped_runs[0].frame, one.rate),
            measured=plural(len(one.clipped_runs), "flat top"),
        )
        for path, one in model.impulses()
        if one.clipped_runs
    ]


def impulse_cut(model: SoundModel) -> list[Finding]:
    """Impulse responses that end within 60 dB of their loudest 5 ms."""
    findings = []
    for path, one in model.impulses():
        if one.decay is not None and one.decay.end_db is not None and one.decay.end_db > IMPULSE_END_DB:
            time = one.decay.t30_s or one.decay.t20_s or one.decay.edt_s
            tells = f"; it decays in {duration(time)}" if time else ""
            findings.append(rules.IMPULSE_CUT.finding(path, measured=f"ends at {level(one.decay.end_db, 'dB')}{tells}"))
    return findings


FORMAT_CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (
    mono_as_stereo,
    polarity_inverted,
    depth_padded,
    band_empty,
    hum,
    noise_builds_up,
    impulse_late,
    impulse_clipped,
    impulse_cut,
)
