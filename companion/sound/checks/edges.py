"""Rules about level, edges and what lies between them: one sample at a time."""

from collections.abc import Iterator, Mapping
from typing import Final

from companion.core.findings import NOTES, WARNS, At, Finding
from companion.core.rules import Rule
from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes, duration, level
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.versions import CLICKS, EDGES, LEVELS, LOOPS, LOUDNESS, PITCH, TRUE_PEAK, with_inputs
from companion.sound.measures.weight import tail_bytes
from companion.sound.zones.zones import ZONES

DC_OFFSET: Final = 0.02
LATE_ONSET_S: Final = 0.05
TAIL_S: Final = 1.0
START_JUMP: Final = 0.2
PLAIN_JUMP: Final = 0.5
END_DB: Final = -40.0
_SHORTEST_S: Final = 0.1
_QUIET_DBFS: Final = -60.0
_MOST_PLACES: Final = 8
_HABIT: Final = 3


@sound_rule(
    "peak-over",
    WARNS,
    rests_on=with_inputs(LEVELS, TRUE_PEAK),
    means="The wave rises over full scale, or over the true peak the maker has set.",
    why="It clips as soon as something converts it to a fixed-point format, or between the samples at the output.",
    mend="Lower it by the difference, or keep it in floating point on purpose and waive this.",
    limit="samples to {bound}; true peak to the limit set in the facts",
    unit="dBFS",
    bound=0,
    source="AES17 (full scale); ITU-R BS.1770-5, annex 2 (true peak)",
)
def peak_over(model: SoundModel) -> Iterator[Finding]:
    """Samples over 0 dBFS, which only floating point holds; true peaks over the limit where the maker set one.

    Without a limit of the maker's, true peaks are shown but not judged: an engine plays samples well under full scale.
    """
    limit = model.facts.limits.true_peak_dbtp
    for path, one in model.readable():
        if limit is None:
            if one.peak_dbfs is not None and one.peak_dbfs > 0.05:
                yield peak_over.finding(path, value=one.peak_dbfs, limit="{bound}")
        elif one.true_peak_dbtp is not None and one.true_peak_dbtp > limit:
            yield peak_over.finding(path, value=one.true_peak_dbtp, unit="dBTP", bound=limit, limit="{bound}")


@sound_rule(
    "dc-offset",
    WARNS,
    rests_on=with_inputs(LEVELS),
    means="The wave does not swing around zero.",
    why="Notes start and stop with a thump, and many voices together run out of headroom.",
    mend="Remove the offset with a high-pass filter at a few hertz, then fade the ends.",
    limit="mean within ±{bound} of full scale",
    bound=DC_OFFSET,
)
def dc_offset(model: SoundModel) -> Iterator[Finding]:
    """Means over 2 % of full scale (−34 dBFS); under 100 ms a mean is no offset, since the wave may not come round."""
    limit = model.facts.limits.dc_offset or DC_OFFSET
    for path, one in model.samples():
        if one.dc is not None and abs(one.dc) > limit and one.seconds >= _SHORTEST_S:
            says = f"mean {one.dc:+.3f}".replace("-", "−")
            yield dc_offset.finding(path, value=one.dc, bound=limit, says=says)


@sound_rule(
    "late-onset",
    WARNS,
    version=2,
    rests_on=with_inputs(EDGES),
    means="There is silence before the sound begins.",
    why="The key answers late, and fast playing falls behind.",
    mend="Trim the start to a millisecond or two before the sound.",
    limit="{bound} of silence, or of noise that stays level, before the sound begins",
    unit="ms",
    bound=1000 * LATE_ONSET_S,
    source="a delay of 20 to 50 ms is noticed by players: Lago and Kon, The Quest for Low Latency, ICMC 2004",
)
def late_onset(model: SoundModel) -> Iterator[Finding]:
    """Sounds that reach 40 dB under their loudest millisecond only after 50 ms, and begin only then.

    What swells has begun, however soft it is: see ``edges.begin_of``.
    """
    limit = model.facts.limits.late_onset_s or LATE_ONSET_S
    for path, one in model.samples():
        begins = one.onset_s if one.begins_s is None else one.begins_s
        if one.onset_s is not None and begins is not None and min(begins, one.onset_s) > limit:
            yield late_onset.finding(
                path, at=one.at(0, begins * one.rate), value=round(1000 * begins), bound=1000 * limit
            )


@sound_rule(
    "tail-wasteful",
    NOTES,
    rests_on=with_inputs(EDGES, LOOPS),
    means="The file goes on after the sound has died away.",
    why="Nobody hears it, but everybody downloads it and keeps it in memory.",
    mend="Trim the end and fade the last milliseconds.",
    limit="{bound} under −72 dB of the loudest",
    unit="s",
    bound=TAIL_S,
)
def tail_wasteful(model: SoundModel) -> Iterator[Finding]:
    """Over a second under −72 dB of the loudest at the end; looped samples keep what lies behind their loop."""
    limit = model.facts.limits.tail_s or TAIL_S
    for path, one in model.readable():
        if one.tail_s is not None and one.tail_s > limit and not one.loops:
            at = one.at((one.seconds - one.tail_s) * one.rate, one.frames)
            says = f"{duration(one.tail_s)}, {decimal_bytes(tail_bytes(one))}"
            yield tail_wasteful.finding(path, at=at, value=one.tail_s, bound=limit, says=says)


def _asked_once(rule: Rule[SoundModel], model: SoundModel, hot: Mapping[str, Finding], asks: str) -> Iterator[Finding]:
    """Yield the findings on single files; of a layer of which half and more are so, one question in their place.

    asks: what is asked of the maker. Three files at least make a habit.
    """
    for layer, zones in model.layers.items():
        unlooped = [zone.path for zone in zones if not model.measured[zone.path].loops]
        found = [path for path in unlooped if path in hot]
        if len(found) >= _HABIT and 2 * len(found) >= len(unlooped):
            says = f"{len(found):,} of {plural(len(unlooped), 'sample')} of “{visible(layer.strip('/'))}”: {asks}"
            at = At(others=tuple(found))
            yield rule.finding(at=at, value=len(found), unit="sample", severity=NOTES, says=says, limit="asked once")
        else:
            yield from (hot[path] for path in found if not model.measured[path].joins)


@sound_rule(
    "starts-hot",
    WARNS,
    version=2,
    rests_on=(*with_inputs(EDGES, LOOPS, PITCH, LOUDNESS), ZONES),
    means="The sound is cut into: its first sample is far from zero.",
    why="Each note begins with a click.",
    mend="Move the start back to where the sound begins, or to a zero crossing, and fade in over a millisecond.",
    limit="first sample under {bound} of the peak, or half of it where an attack follows",
    unit="%",
    bound=100 * START_JUMP,
)
def starts_hot(model: SoundModel) -> Iterator[Finding]:
    """First sample over half of the peak, or over a fifth while the first 10 ms are within 3 dB of the next 40.

    Then there is no attack to hide it. The level of the start alone says nothing: over half of good samples start loud,
    because they are struck, but one in a hundred is over a third of its peak at once. Where half of a layer and three
    samples or more start so, loops of the whole file are likely, and the maker is asked once.
    """
    hot = {}
    for path, one in model.samples():
        jump = one.start_jump or 0.0
        loops_at_once = bool(one.loops) and one.loops[0].start < 0.01 * one.rate
        cut = jump > PLAIN_JUMP or (jump > START_JUMP and one.start_steady)
        if cut and one.seconds >= _SHORTEST_S and not loops_at_once:
            says = "first sample at {value} of the peak"
            hot[path] = starts_hot.finding(path, at=one.at(0, 1), value=round(100 * jump), says=says)
    yield from _asked_once(starts_hot, model, hot, "they start far from zero: are they loops from end to end?")


@sound_rule(
    "ends-hot",
    WARNS,
    version=2,
    rests_on=(*with_inputs(EDGES, LOOPS, PITCH, LOUDNESS), ZONES),
    means="The tail is cut off while it still sounds.",
    why="Notes that are held to the end stop with a click.",
    mend="Use the longer recording, loop it, or fade out the end. Where the patch loops it, waive this.",
    limit="last millisecond under {bound} of the loudest; looped samples pass",
    unit="dB",
    bound=END_DB,
)
def ends_hot(model: SoundModel) -> Iterator[Finding]:
    """Last millisecond within 40 dB of the loudest and no fade before it, unlooped samples only.

    A file whose end leads on to its start is a loop from end to end, and passes. Where half of a layer and three
    samples or more end so, their loops are likely to lie in the patch, where we cannot look: the maker is asked once.
    """
    hot = {}
    for path, one in model.samples():
        quiet = one.peak_dbfs is None or one.peak_dbfs < _QUIET_DBFS
        if one.end_db is not None and one.end_db > END_DB and not one.end_faded and not one.loops and not quiet:
            at = one.at(max(0, one.frames - one.rate // 1000), one.frames)
            says = "last millisecond at {value} relative to the loudest"
            hot[path] = ends_hot.finding(path, at=at, value=one.end_db, says=says)
    yield from _asked_once(ends_hot, model, hot, "they end while they sound: do their loops lie in the patch?")


@sound_rule(
    "click-inside",
    WARNS,
    version=2,
    rests_on=with_inputs(CLICKS),
    means="There is a click inside the sound: a sample, a step or a gap that the sound around it does not explain.",
    why="Players hear a tick at the same point of the note every time.",
    mend="Look at the places given; cut them out, redraw them, or take another recording.",
    limit="no cut whose prediction error stands 6 dB above all else within 25 ms; 18 dB in sound without pitch",
    unit="click",
    source="linear prediction: Godsill and Rayner, Digital Audio Restoration, 1998, chapter 5",
)
def click_inside(model: SoundModel) -> Iterator[Finding]:
    """Clicks, one finding a file with all their places: see ``clicks.clicks_in``.

    In a cymbal or a shaker only those 18 dB above everything around them.
    """
    for path, one in model.samples():
        if one.clicks:
            first, largest = one.clicks[0].frame, max(click.size_db for click in one.clicks)
            which = "the largest " if len(one.clicks) > 1 else ""
            places = [f"{click.frame / one.rate:.3f} s (frame {click.frame:,})" for click in one.clicks]
            says = f"{{value}}, {which}{level(largest, 'dB')} above the sound around it"
            where = listed(places, most=_MOST_PLACES)
            yield click_inside.finding(path, at=one.at(first, first + 1), value=len(one.clicks), says=says, where=where)


@sound_rule(
    "loop-seam",
    WARNS,
    version=2,
    rests_on=with_inputs(LOOPS),
    means="The wave breaks where the loop goes back.",
    why="A held note ticks or flutters each time the loop comes round.",
    mend="Move the loop end to where the wave matches the start, or crossfade.",
    limit="no step over {bound} of the peak where the wave breaks, if another end near by fits three times better",
    unit="%",
    bound=3,
)
def loop_seam(model: SoundModel) -> Iterator[Finding]:
    """Seams that can be heard: see ``seams.seam_of``."""
    for path, one in model.samples():
        for loop in one.loops:
            if loop.seam == "audible":
                yield loop_seam.finding(
                    path,
                    at=one.at(loop.end - 1, loop.end),
                    value=round(100 * loop.jump),
                    says=f"steps by {{value}} of the peak; the two sides differ by {loop.error:.1f} (0 the same, "
                    f"2 upside down), {loop.fits:.2f} at the best end near by; {loop.breaks:.1f} times what the sound "
                    "does elsewhere",
                )
