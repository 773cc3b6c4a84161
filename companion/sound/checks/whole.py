"""Checks of single files and of the set as a whole: levels, formats, loops, duplicates."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import Final

from companion.core.findings import Finding, Rule
from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes, level
from companion.sound.checks import texts as rules
from companion.sound.checks.model import SoundModel
from companion.sound.measures.measured import Measured

SILENCE_DBFS: Final = -80.0


def place(frame: int, rate: int) -> str:
    """Return a place in a file as people and editors find it: seconds and frames."""
    return f"{frame / rate:.3f} s (frame {frame:,})" if rate else f"frame {frame:,}"


def clipped(model: SoundModel) -> list[Finding]:
    """Samples whose tops are cut: a run of 5 at the top, or 3 runs of 3; impulse responses have a rule of their own.

    A single touch of full scale is what normalising makes, and a rounded top may stay there for some samples:
    ``levels.flat_tops`` counts only runs that the wave's own slope would have carried higher.
    """
    findings = []
    for path, one in model.samples():
        runs = one.clipped_runs
        if len(runs) >= 3 or any(run.length >= 5 for run in runs):
            first = runs[0]
            longest = max(run.length for run in runs)
            findings.append(
                rules.CLIPPED.finding(
                    path,
                    where=place(first.frame, one.rate),
                    measured=f"{plural(len(runs), 'flat top')} at {level(one.peak_dbfs or 0.0)}, "
                    f"the longest {plural(longest, 'sample')}",
                )
            )
    return findings


def not_finite(model: SoundModel) -> list[Finding]:
    """Floating-point files with NaN or infinite samples."""
    return [
        rules.NOT_FINITE.finding(path, measured=plural(one.not_finite, "sample"))
        for path, one in model.readable()
        if one.not_finite
    ]


def silence_limit(model: SoundModel) -> float:
    """Return the level in dBFS under which a peak counts as silence."""
    limit = model.facts.limits.silence_dbfs
    return SILENCE_DBFS if limit is None else limit


def silent(model: SoundModel) -> list[Finding]:
    """Files whose highest sample is under the limit (default −80 dBFS, some three steps of 16 bits)."""
    limit = silence_limit(model)
    return [
        rules.SILENT.finding(path, measured=_peak(one), limit=f"peak over {level(limit)}")
        for path, one in model.readable()
        if not one.not_finite and (one.peak_dbfs is None or one.peak_dbfs < limit)
    ]


def _peak(one: Measured) -> str:
    return "digital silence" if one.peak_dbfs is None else f"peak {level(one.peak_dbfs)}"


def channel_dead(model: SoundModel) -> list[Finding]:
    """Files of two or more channels of which some are silent and some are not."""
    limit = silence_limit(model)
    floor = 10 ** (limit / 20)
    findings = []
    for path, one in model.readable():
        dead = [number for number, peak in enumerate(one.channel_peaks, 1) if peak < floor]
        if dead and len(dead) < one.channels:
            which = listed([str(number) for number in dead])
            findings.append(
                rules.CHANNEL_DEAD.finding(
                    path,
                    measured=f"{'channels' if len(dead) > 1 else 'channel'} {which} of {one.channels} silent",
                    limit=f"each channel's peak over {level(limit)}",
                )
            )
    return findings


def rate_mixed(model: SoundModel) -> list[Finding]:
    """Samples of more than one rate; impulse responses may have their own."""
    groups: dict[str, list[str]] = defaultdict(list)
    for path, one in model.samples():
        groups[f"{one.rate:,} Hz"].append(path)
    return _mixed(rules.RATE_MIXED, groups)


def depth_mixed(model: SoundModel) -> list[Finding]:
    """Samples of more than one bit depth, among those whose coding has one."""
    groups: dict[str, list[str]] = defaultdict(list)
    for path, one in model.samples():
        if one.bits:
            floating = " floating point" if one.subtype in ("FLOAT", "DOUBLE") else ""
            groups[f"{one.bits} bits{floating}"].append(path)
    return _mixed(rules.DEPTH_MIXED, groups)


def _mixed(rule: Rule, groups: dict[str, list[str]]) -> list[Finding]:
    """Return one finding for the whole set that counts each group and names the files of the smaller ones."""
    if len(groups) < 2:
        return []
    largest_first = sorted(groups.items(), key=lambda item: (-len(item[1]), item[0]))
    counts = listed([f"{len(paths):,} at {name}" for name, paths in largest_first], most=6)
    odd = [visible(path) for _, paths in largest_first[1:] for path in paths]
    return [rule.finding(measured=counts, where=f"the odd ones: {listed(odd, most=5)}")]


def loop_invalid(model: SoundModel) -> list[Finding]:
    """Loops outside the file or reversed. One frame past the end passes: some writers count the end exclusively."""
    findings = []
    for path, one in model.samples():
        for loop in one.loops:
            if loop.start < loop.end <= one.frames + 1:
                continue
            findings.append(
                rules.LOOP_INVALID.finding(
                    path,
                    where=f"loop at frame {loop.start:,}",
                    measured=f"frames {loop.start:,} to {loop.end:,} of {one.frames:,}",
                )
            )
    return findings


def duplicate(model: SoundModel) -> list[Finding]:
    """Files with equal samples, rate and channels, whatever their headers say; silence has its own rule."""
    first: dict[str, str] = {}
    findings = []
    for path, one in model.samples():
        if not one.digest or one.peak_dbfs is None:
            continue
        if one.digest in first:
            findings.append(
                rules.DUPLICATE.finding(
                    path,
                    measured=f"the same recording as {visible(first[one.digest])}, {decimal_bytes(one.size)} each",
                )
            )
        else:
            first[one.digest] = path
    return findings


FILE_CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (
    clipped,
    not_finite,
    silent,
    channel_dead,
    rate_mixed,
    depth_mixed,
    loop_invalid,
    duplicate,
)
