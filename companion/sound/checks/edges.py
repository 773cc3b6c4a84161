"""Checks of level, edges and what lies between them: one sample at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from companion.core.findings import Finding
from companion.core.text import plural
from companion.core.units import decimal_bytes, duration, level
from companion.sound.checks import texts as rules
from companion.sound.checks.model import SoundModel
from companion.sound.checks.whole import place
from companion.sound.measures.measured import Measured
from companion.sound.measures.weight import tail_bytes

DC_OFFSET: Final = 0.02
LATE_ONSET_S: Final = 0.05
TAIL_S: Final = 1.0
START_JUMP: Final = 0.2
END_DB: Final = -40.0
_SHORTEST_S: Final = 0.1


def peak_over(model: SoundModel) -> list[Finding]:
    """Samples over 0 dBFS, which only floating point holds; true peaks over the limit where the maker set one.

    Without a limit of the maker's, true peaks are shown but not judged: an engine plays samples well under full scale.
    """
    limit = model.facts.limits.true_peak_dbtp
    findings = []
    for path, one in model.readable():
        if limit is not None and one.true_peak_dbtp is not None and one.true_peak_dbtp > limit:
            findings.append(
                rules.PEAK_OVER.finding(path, measured=level(one.true_peak_dbtp, "dBTP"), limit=level(limit, "dBTP"))
            )
        elif limit is None and one.peak_dbfs is not None and one.peak_dbfs > 0.05:
            findings.append(rules.PEAK_OVER.finding(path, measured=level(one.peak_dbfs), limit=level(0.0)))
    return findings


def dc_offset(model: SoundModel) -> list[Finding]:
    """Means over 2 % of full scale (−34 dBFS); under 100 ms a mean is no offset, since the wave may not come round."""
    limit = model.facts.limits.dc_offset or DC_OFFSET
    return [
        rules.DC_OFFSET.finding(path, measured=f"mean {one.dc:+.3f}".replace("-", "−"), limit=f"within ±{limit:g}")
        for path, one in model.samples()
        if one.dc is not None and abs(one.dc) > limit and one.seconds >= _SHORTEST_S
    ]


def late_onset(model: SoundModel) -> list[Finding]:
    """Sounds that reach 40 dB under their loudest millisecond only after 50 ms. A swell of 5 s still passes."""
    limit = model.facts.limits.late_onset_s or LATE_ONSET_S
    return [
        rules.LATE_ONSET.finding(path, measured=f"{one.onset_s * 1000:.0f} ms", limit=f"{limit * 1000:.0f} ms")
        for path, one in model.samples()
        if one.onset_s is not None and one.onset_s > limit
    ]


def tail_wasteful(model: SoundModel) -> list[Finding]:
    """Over a second under −72 dB of the loudest at the end; looped samples keep what lies behind their loop."""
    limit = model.facts.limits.tail_s or TAIL_S
    return [
        rules.TAIL_WASTEFUL.finding(
            path,
            where=place(round((one.seconds - one.tail_s) * one.rate), one.rate),
            measured=f"{duration(one.tail_s)}, {decimal_bytes(tail_bytes(one))}",
            limit=f"{duration(limit)} under −72 dB of the loudest",
        )
        for path, one in model.readable()
        if one.tail_s is not None and one.tail_s > limit and not one.loops
    ]


def starts_hot(model: SoundModel) -> list[Finding]:
    """First sample over a fifth of the peak while the first 10 ms are within 3 dB of the next 40: no attack to hide it.

    The level of the start alone says nothing: over half of good samples start loud, because they are struck.
    """
    return [
        rules.STARTS_HOT.finding(path, measured=f"first sample at {one.start_jump:.0%} of the peak")
        for path, one in model.samples()
        if one.start_jump is not None
        and one.start_jump > START_JUMP
        and one.start_steady
        and one.seconds >= _SHORTEST_S
        and not (one.loops and one.loops[0].start < 0.01 * one.rate)
    ]


def ends_hot(model: SoundModel) -> list[Finding]:
    """Last millisecond within 40 dB of the loudest and no fade before it, unlooped samples only."""
    return [
        rules.ENDS_HOT.finding(path, measured=f"last millisecond at {level(one.end_db, 'dB')} of the loudest")
        for path, one in model.samples()
        if one.end_db is not None and one.end_db > END_DB and not one.end_faded and not one.loops and not _silent(one)
    ]


def _silent(one: Measured) -> bool:
    return one.peak_dbfs is None or one.peak_dbfs < -60


def click_inside(model: SoundModel) -> list[Finding]:
    """Clicks: see ``clicks.clicks_in``. In a cymbal or a shaker only those 12 dB above everything around them."""
    return [
        rules.CLICK_INSIDE.finding(
            path,
            where=place(one.clicks[0].frame, one.rate),
            measured=f"{plural(len(one.clicks), 'click')}, {level(max(c.size_db for c in one.clicks), 'dB')} above",
        )
        for path, one in model.samples()
        if one.clicks
    ]


def loop_seam(model: SoundModel) -> list[Finding]:
    """Loops whose wave breaks at the seam: see ``seams.seam_of``."""
    return [
        rules.LOOP_SEAM.finding(
            path,
            where=place(loop.end, one.rate),
            measured=f"steps by {loop.jump:.0%} of the peak; unlike by {loop.error:.1f} (0 the same, 2 upside down); "
            f"{loop.breaks:.1f} times what the sound does elsewhere",
            limit="a step of 5 %; unlike by 0.4, or by 0.1 and 4 times",
        )
        for path, one in model.samples()
        for loop in one.loops
        if loop.seam == "audible"
    ]


EDGE_CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (
    peak_over,
    dc_offset,
    late_onset,
    tail_wasteful,
    starts_hot,
    ends_hot,
    click_inside,
    loop_seam,
)
