"""Rules about single files and about the set as a whole: levels, formats, loops, duplicates."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from typing import Final

from companion.core.findings import BLOCKS, WARNS, At, Finding
from companion.core.rules import Rule
from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes, level
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.measured import Measured, Run
from companion.sound.measures.versions import DIGEST, FORMAT, LEVELS, LOOPS, with_inputs

SILENCE_DBFS: Final = -80.0
_MANY_RUNS: Final = 3
_LONG_RUN: Final = 5


def place_of(run: Run, one: Measured) -> At:
    """Return where a flat top lies; the channel only where there are several."""
    return one.at(run.frame, run.frame + run.length, run.channel if one.channels > 1 else None)


@sound_rule(
    "clipped",
    BLOCKS,
    rests_on=with_inputs(LEVELS),
    means="The tops of the wave are cut off, at full scale or at a flat top below it.",
    why="Players hear a crackle or a harshness on every note that uses this sample, and no setting takes it away.",
    mend="Record or render it again with more headroom; if the clipping is meant, waive this with the reason.",
    limit="no run of 5 samples, nor 3 runs of 3, that a wave of this slope would have risen over by 1 % or more",
    unit="flat top",
)
def clipped(model: SoundModel) -> Iterator[Finding]:
    """Samples whose tops are cut: a run of 5 at the top, or 3 runs of 3; impulse responses have a rule of their own.

    A single touch of full scale is what normalising makes, and a rounded top may stay there for some samples:
    ``levels.flat_tops`` counts only runs that the wave's own slope would have carried higher.
    """
    for path, one in model.samples():
        runs = one.clipped_runs
        longest = max((run.length for run in runs), default=0)
        if len(runs) >= _MANY_RUNS or longest >= _LONG_RUN:
            says = f"{{value}} at {level(one.peak_dbfs or 0.0)}, the longest {plural(longest, 'sample')}"
            yield clipped.finding(path, at=place_of(runs[0], one), value=len(runs), says=says)


@sound_rule(
    "not-finite",
    BLOCKS,
    rests_on=with_inputs(LEVELS),
    means="A floating-point file holds values that are not numbers, infinite, or 80 dB over full scale.",
    why="An engine may fall silent, or send a full-scale bang to the speakers, when it meets one.",
    mend="Render the file again; whatever wrote it divided by zero somewhere.",
    limit="none",
    unit="sample",
    source="IEEE 754: NaN and infinities are no sample values",
)
def not_finite(model: SoundModel) -> Iterator[Finding]:
    for path, one in model.readable():
        if one.not_finite:
            yield not_finite.finding(path, value=one.not_finite)


def silence_limit(model: SoundModel) -> float:
    """Return the level in dBFS under which a peak counts as silence."""
    limit = model.facts.limits.silence_dbfs
    return SILENCE_DBFS if limit is None else limit


@sound_rule(
    "silent",
    BLOCKS,
    rests_on=with_inputs(LEVELS),
    means="The whole file is silence, or so quiet that nobody will hear it.",
    why="A key that uses it does nothing, and the player thinks the instrument is broken.",
    mend="Export it again, or take it out of the patch if the silence is meant.",
    limit="peak over {bound}",
    unit="dBFS",
    bound=SILENCE_DBFS,
)
def silent(model: SoundModel) -> Iterator[Finding]:
    """Files whose highest sample is under the limit (default −80 dBFS, some three steps of 16 bits)."""
    limit = silence_limit(model)
    for path, one in model.readable():
        if not one.not_finite and (one.peak_dbfs is None or one.peak_dbfs < limit):
            says = "digital silence" if one.peak_dbfs is None else "peak {value}"
            yield silent.finding(path, value=one.peak_dbfs, bound=limit, says=says)


@sound_rule(
    "channel-dead",
    WARNS,
    rests_on=with_inputs(LEVELS),
    means="One channel is silent while another is not.",
    why="The sound comes from one side only.",
    mend="Export it as mono, or find out where the other channel was lost.",
    limit="each channel's peak over {bound}",
    unit="dBFS",
    bound=SILENCE_DBFS,
)
def channel_dead(model: SoundModel) -> Iterator[Finding]:
    limit = silence_limit(model)
    floor = 10 ** (limit / 20)
    for path, one in model.readable():
        dead = [number for number, peak in enumerate(one.channel_peaks, 1) if peak < floor]
        if dead and len(dead) < one.channels:
            which = listed([str(number) for number in dead])
            says = f"{'channels' if len(dead) > 1 else 'channel'} {which} of {one.channels} silent"
            yield channel_dead.finding(path, at=At(channel=dead[0] - 1), bound=limit, says=says)


def _mixed(which: Rule[SoundModel], grouped: Iterable[tuple[str, str]]) -> Iterator[Finding]:
    """Yield one finding on (group, path) of the set that counts each group and names the files of the smaller ones."""
    groups: dict[str, list[str]] = defaultdict(list)
    for name, path in grouped:
        groups[name].append(path)
    if len(groups) < 2:
        return
    largest_first = sorted(groups.items(), key=lambda item: (-len(item[1]), item[0]))
    counts = listed([f"{len(paths):,} at {name}" for name, paths in largest_first], most=6)
    odd = [path for _, paths in largest_first[1:] for path in paths]
    where = f"the odd ones: {listed([visible(path) for path in odd], most=5)}"
    yield which.finding(at=At(others=tuple(odd)), value=len(groups), bound=1, says=counts, where=where)


@sound_rule(
    "rate-mixed",
    WARNS,
    rests_on=(FORMAT,),
    means="The samples have different sample rates.",
    why="Some engines play the odd ones at the wrong pitch, others convert them on every note.",
    mend="Bring all samples to the rate most of them have.",
    limit="one sample rate for all samples",
    unit="sample rate",
)
def rate_mixed(model: SoundModel) -> Iterator[Finding]:
    """Samples of more than one rate; impulse responses may have their own."""
    return _mixed(rate_mixed, ((f"{one.rate:,} Hz", path) for path, one in model.samples()))


@sound_rule(
    "depth-mixed",
    WARNS,
    rests_on=(FORMAT,),
    means="The samples have different bit depths.",
    why="It is a sign that some were exported with other settings, and the noise floor then differs from key to key.",
    mend="Export all samples at the depth most of them have.",
    limit="one bit depth for all samples",
    unit="bit depth",
)
def depth_mixed(model: SoundModel) -> Iterator[Finding]:
    """Samples of more than one bit depth, among those whose coding has one."""
    coded = [(path, one) for path, one in model.samples() if one.bits]
    floating = {"FLOAT": " floating point", "DOUBLE": " floating point"}
    return _mixed(depth_mixed, ((f"{one.bits} bits{floating.get(one.subtype, '')}", path) for path, one in coded))


@sound_rule(
    "loop-invalid",
    BLOCKS,
    rests_on=with_inputs(LOOPS),
    means="A loop's points lie outside the file, or its end is not after its start.",
    why="The engine ignores the loop, so that held notes stop, or plays whatever follows the sample in memory.",
    mend="Set the loop again after the last edit of the file; trimming a sample moves its loop points.",
    limit="0 ≤ start < end ≤ length of the file",
    unit="frame",
    source="Multimedia Data Standards Update 3.0 (1994), smpl chunk: offsets into the waveform data",
)
def loop_invalid(model: SoundModel) -> Iterator[Finding]:
    """Loops outside the file or reversed. One frame past the end passes: some writers count the end exclusively."""
    for path, one in model.samples():
        for loop in one.loops:
            if not loop.start < loop.end <= one.frames + 1:
                at = one.at(loop.start, max(loop.start, loop.end))
                says = f"frames {loop.start:,} to {loop.end:,} of {one.frames:,}"
                yield loop_invalid.finding(path, at=at, value=loop.end, bound=one.frames, says=says)


@sound_rule(
    "duplicate",
    WARNS,
    rests_on=with_inputs(DIGEST, LEVELS),
    means="Two files are the same recording to the bit.",
    why="Keys or round robins that should differ are one sound; if that is meant, the download carries it twice.",
    mend="Replace one with the recording it should be, or let the patch use one file for both.",
    limit="no two files with equal samples",
    unit="bytes",
)
def duplicate(model: SoundModel) -> Iterator[Finding]:
    """Files with equal samples, rate and channels, whatever their headers say; silence has its own rule."""
    first: dict[str, str] = {}
    for path, one in model.samples():
        if not one.digest or one.peak_dbfs is None:
            continue
        twin = first.setdefault(one.digest, path)
        if twin != path:
            says = f"the same recording as {visible(twin)}, {decimal_bytes(one.size)} each"
            yield duplicate.finding(path, at=At(others=(twin,)), value=one.size, says=says)
