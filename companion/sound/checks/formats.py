"""Rules about what a format is used for, about impulse responses, and about noise."""

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from companion.core.findings import BLOCKS, NOTES, WARNS, At, Finding
from companion.core.text import plural, visible
from companion.core.units import decimal_bytes, duration, level
from companion.sound.checks.files import place_of
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.mains import hum_of
from companion.sound.measures.versions import BAND, BITS, DECAY, EDGES, LEVELS, LOUDNESS, NOISE, PITCH, with_inputs
from companion.sound.measures.weight import bits_bytes, mono_bytes
from companion.sound.zones.zones import ZONES

INVERTED: Final = -0.9
BAND_SHARE: Final = 0.8
BAND_LOWEST_HZ: Final = 4000.0
HUM_DB: Final = 5.5
FEW_HUM_DB: Final = 6.0
PLAIN_HUM_DB: Final = 20.0
HUM_FILES: Final = 3
MANY_SOUNDS: Final = 5
SHARE: Final = 0.25
"""Of the samples of a folder or a layer, so many at least must tell before all of it is judged."""

NOISE_DBFS: Final = -60.0
IMPULSE_ONSET_S: Final = 0.02
IMPULSE_END_DB: Final = -60.0


@sound_rule(
    "mono-as-stereo",
    NOTES,
    rests_on=with_inputs(BITS),
    means="Both channels are the same to the bit.",
    why="The download and the memory are twice what they need to be.",
    mend="Export it as mono.",
    limit="channels that differ",
    unit="bytes",
)
def mono_as_stereo(model: SoundModel) -> Iterator[Finding]:
    for path, one in model.readable():
        if one.same_channels:
            saved = mono_bytes(one)
            yield mono_as_stereo.finding(path, value=saved, says=f"{decimal_bytes(saved)} could be saved")


@sound_rule(
    "polarity-inverted",
    WARNS,
    rests_on=with_inputs(BITS),
    means="One channel is the other turned upside down.",
    why="In mono, on a phone or a club system, the sound nearly vanishes.",
    mend="Invert one channel; look for a swapped cable or a widening effect.",
    limit="correlation over {bound}",
    bound=INVERTED,
)
def polarity_inverted(model: SoundModel) -> Iterator[Finding]:
    for path, one in model.readable():
        if one.correlation is not None and one.correlation < INVERTED:
            says = f"correlation {one.correlation:.2f}".replace("-", "−")
            yield polarity_inverted.finding(path, value=one.correlation, says=says)


@sound_rule(
    "depth-padded",
    NOTES,
    rests_on=with_inputs(BITS),
    means="The lowest bits of every sample are zero: it once had fewer bits.",
    why="The file is larger than what it holds.",
    mend="Export it at the depth it has, or find the original.",
    limit="all bits used",
    unit="bit",
)
def depth_padded(model: SoundModel) -> Iterator[Finding]:
    """Integers whose lowest byte or more is never used; a bit or two fewer is what an even gain leaves."""
    for path, one in model.readable():
        used = one.effective_bits or 0
        if 0 < used <= one.bits - 8:
            says = f"{used} of {one.bits} bits used, {decimal_bytes(bits_bytes(one))} could be saved"
            yield depth_padded.finding(path, value=used, bound=one.bits, says=says)


@sound_rule(
    "band-empty",
    NOTES,
    rests_on=with_inputs(BAND),
    means="The top of the band is empty above a cliff: it once had a lower sample rate, or was coded with loss.",
    why="It sounds duller than its format promises, and the file is larger than what it holds.",
    mend="Find the original, or keep it at the rate it came from.",
    limit="no cliff of 26 dB under 80 % of the band",
    unit="Hz",
)
def band_empty(model: SoundModel) -> Iterator[Finding]:
    """A cliff in the spectrum under 80 % of the band: see ``bits.bandwidth``.

    Some sounds are so by nature, hence a note only; a cliff under 4 kHz would be of a rate that nobody records at.
    """
    for path, one in model.samples():
        highest = BAND_SHARE * one.rate / 2
        if one.bandwidth_hz is not None and BAND_LOWEST_HZ <= one.bandwidth_hz < highest:
            says = f"nothing above {one.bandwidth_hz:,.0f} Hz of {one.rate / 2:,.0f} Hz"
            yield band_empty.finding(path, value=one.bandwidth_hz, bound=highest, says=says)


@sound_rule(
    "hum",
    WARNS,
    version=2,
    rests_on=(*with_inputs(NOISE, PITCH, LOUDNESS), ZONES),
    means="Mains hum stands out from the noise of these recordings.",
    why="Quiet passages hum, and each voice adds its own.",
    mend="Record away from transformers with a balanced line, or remove the hum with narrow notch filters.",
    limit="fourth-highest harmonic {bound} over its surroundings, each as the median of five sounds or more, from a "
    "quarter of a folder; 6 dB of three or four",
    unit="dB",
    bound=HUM_DB,
)
def hum(model: SoundModel) -> Iterator[Finding]:
    """Folders in which the same multiples of 50 or 60 Hz stand out, whatever the note: four of them at least.

    A single file may have partials near multiples of 50 or 60 Hz; a folder of different notes has them elsewhere each
    time. So each line is the median over its sounds; files of one note are one sound. One file is judged by itself only
    when four lines stand 20 dB out of a floor that is steady, where no partials are left.
    """
    folders: dict[str, list[str]] = defaultdict(list)
    for path, _ in model.samples():
        folders[path.rpartition("/")[0]].append(path)
    for folder, paths in sorted(folders.items()):
        heard = [path for path in paths if model.measured[path].hum_lines]
        found = _hum_of_all(model, heard) if len(heard) >= SHARE * len(paths) else None
        if found is not None:
            mains, prominence, count, bound = found
            says = f"{mains:.0f} Hz and multiples, {prominence:.0f} dB, median of {plural(count, 'sound')}"
            at = At(others=tuple(heard))
            yield hum.finding(folder, at=at, value=round(prominence, 1), bound=bound, says=says)
            continue
        for path in paths:
            one = model.measured[path]
            if one.hum_hz is not None and one.hum_db is not None and one.hum_db >= PLAIN_HUM_DB:
                says = f"{one.hum_hz:.0f} Hz and multiples, {one.hum_db:.0f} dB"
                limit = "fourth-highest harmonic {bound} over its surroundings, in a single file"
                yield hum.finding(path, value=one.hum_db, bound=PLAIN_HUM_DB, says=says, limit=limit)


def _hum_of_all(model: SoundModel, paths: Iterable[str]) -> tuple[float, float, int, float] | None:
    """Return (mains in Hz, prominence, how many sounds, limit in dB) of the hum that files share; None where none."""
    by_sound: dict[int | str, list[tuple[float, ...]]] = defaultdict(list)
    for path in paths:
        zone = model.zones.get(path)
        key = None if zone is None else zone.key
        by_sound[path if key is None else key].append(model.measured[path].hum_lines)
    if len(by_sound) < HUM_FILES:
        return None
    sounds = [[statistics.fmean(line) for line in zip(*rows, strict=True)] for rows in by_sound.values()]
    found = hum_of([statistics.median(line) for line in zip(*sounds, strict=True)])
    bound = HUM_DB if len(sounds) >= MANY_SOUNDS else FEW_HUM_DB
    return (*found, len(sounds), bound) if found is not None and found[1] >= bound else None


def noise_of(floor_dbfs: float, voices: int) -> float:
    """Return the level in dB of ``voices`` equal noises at once, none in step with another: + 10·log10 N."""
    return floor_dbfs + 10 * math.log10(voices)


def layer_floors(model: SoundModel) -> dict[str, tuple[float, int, int]]:
    """Return by layer the median of its steady noise floors, how many there are, and of how many samples.

    Those that are only an upper bound are left out, and layers of which under a quarter of the samples have one.
    """
    found = {}
    for layer, zones in sorted(model.layers.items()):
        layered = [model.measured[zone.path] for zone in zones]
        steady = [one.noise_floor_dbfs for one in layered if one.noise_is_bound is False]
        floors = [floor for floor in steady if floor is not None]
        if floors and len(floors) >= SHARE * len(layered):
            found[layer] = statistics.median(floors), len(floors), len(layered)
    return found


@sound_rule(
    "noise-builds-up",
    WARNS,
    version=2,
    rests_on=(*with_inputs(NOISE, PITCH, LOUDNESS), ZONES),
    means="With many voices at once the noise of the recordings adds up to more than the limit.",
    why="Chords hiss.",
    mend="Take recordings with less noise, denoise the tails, or fade them earlier.",
    limit="{bound} for the voices set in the facts, of layers in which a quarter of the samples die away into noise",
    unit="dBFS",
    bound=NOISE_DBFS,
    source="incoherent sources add by power: 10·log10 N dB (Kuttruff, Room Acoustics)",
)
def noise_builds_up(model: SoundModel) -> Iterator[Finding]:
    """Layers whose noise floor, at the polyphony the maker states, adds up to over the limit (default −60 dBFS).

    Judged by the median of the floors that are steady: see :func:`layer_floors`.
    """
    voices, stated = model.facts.limits.voices, model.facts.limits.noise_dbfs
    if not voices:
        return
    limit = NOISE_DBFS if stated is None else stated
    for layer, (floor, count, of) in layer_floors(model).items():
        total = noise_of(floor, voices)
        if total > limit:
            says = f"“{visible(layer)}”: {level(floor)} each, {level(total)} with {plural(voices, 'voice')}"
            says += f"; median of {count:,} of {plural(of, 'sample')}"
            yield noise_builds_up.finding(value=round(total, 2), bound=limit, says=says)


@sound_rule(
    "impulse-late",
    WARNS,
    rests_on=with_inputs(EDGES),
    means="An impulse response begins with silence.",
    why="The reverb comes late, and the dry sound does not line up with it.",
    mend="Trim its start; if the delay is meant, leave it to the patch.",
    limit="{bound}",
    unit="ms",
    bound=1000 * IMPULSE_ONSET_S,
)
def impulse_late(model: SoundModel) -> Iterator[Finding]:
    for path, one in model.impulses():
        if one.onset_s is not None and one.onset_s > IMPULSE_ONSET_S:
            yield impulse_late.finding(path, at=one.at(0, one.onset_s * one.rate), value=round(1000 * one.onset_s))


@sound_rule(
    "impulse-clipped",
    BLOCKS,
    rests_on=with_inputs(LEVELS),
    means="An impulse response is cut off at the top.",
    why="The reverb itself is distorted, on every sound that goes through it.",
    mend="Record or deconvolve it again with more headroom.",
    limit="no flat top",
    unit="flat top",
)
def impulse_clipped(model: SoundModel) -> Iterator[Finding]:
    """Impulse responses with a flat top of 3 samples or more; a direct sound that is one sample high is not flat."""
    for path, one in model.impulses():
        if one.clipped_runs:
            yield impulse_clipped.finding(path, at=place_of(one.clipped_runs[0], one), value=len(one.clipped_runs))


@sound_rule(
    "impulse-cut",
    WARNS,
    version=2,
    rests_on=with_inputs(DECAY),
    means="An impulse response ends before it has died away.",
    why="The reverb stops audibly after each sound.",
    mend="Use a longer version, or fade the end.",
    limit="ends under {bound} of its loudest",
    unit="dB",
    bound=IMPULSE_END_DB,
    source="ISO 3382-1: reverberation time is for 60 dB",
)
def impulse_cut(model: SoundModel) -> Iterator[Finding]:
    for path, one in model.impulses():
        decay = one.decay
        if decay is not None and decay.end_db is not None and decay.end_db > IMPULSE_END_DB:
            time = decay.t30_s or decay.t20_s or decay.edt_s
            says = f"ends at {{value}}{f'; it decays in {duration(time)}' if time else ''}"
            at = one.at(max(0, one.frames - one.rate // 100), one.frames)
            yield impulse_cut.finding(path, at=at, value=decay.end_db, says=says)
