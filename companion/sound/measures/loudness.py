"""Loudness after ITU-R BS.1770-5 and EBU Tech 3341, for any sample rate. Arrays: (channels, frames), full scale 1."""

import math
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

HOPS_A_SECOND: Final = 100
MOMENTARY_HOPS: Final = 40
"""400 ms."""

SHORT_TERM_HOPS: Final = 300
"""3 s."""

BURST_HOPS: Final = 10
"""100 ms: by which samples are compared that are shorter than 400."""

_ABSOLUTE_GATE: Final = -70.0
_RELATIVE_GATE: Final = -10.0
_OFFSET: Final = -0.691
_STRIDE: Final = 128


@lru_cache(maxsize=16)
def k_weighting(rate: int) -> NDArray[np.float64]:
    """Return the two second-order sections of the K-weighting at ``rate`` Hz, shape (2, 6).

    BS.1770 tabulates them at 48 kHz only; these analogue prototypes give that table back through the bilinear
    transform, and the same curve at any other rate.
    """
    sections = []
    for hertz, quality, gain_db in (
        (1681.974450955533, 0.7071752369554196, 3.999843853973347),
        (38.13547087602444, 0.5003270373238773, None),
    ):
        k = math.tan(math.pi * hertz / rate)
        low, middle, high = 1.0, -2.0, 1.0  # as the high-pass is tabulated
        a0 = 1 + k / quality + k * k
        if gain_db is not None:
            vh = 10 ** (gain_db / 20)
            vb = vh**0.4996667741545416
            low, middle, high = (
                (vh + vb * k / quality + k * k) / a0,
                2 * (k * k - vh) / a0,
                (vh - vb * k / quality + k * k) / a0,
            )
        sections.append([low, middle, high, 1.0, 2 * (k * k - 1) / a0, (1 - k / quality + k * k) / a0])
    return np.array(sections)


class _Filter(NamedTuple):
    """A recursive filter in strides of ``_STRIDE`` samples: output = x·within + state·outward; then the next state is
    state·onward + x·inward. Matrix products in place of a loop over samples."""

    within: NDArray[np.float32]
    inward: NDArray[np.float32]
    outward: NDArray[np.float32]
    onward: NDArray[np.float64]


@lru_cache(maxsize=16)
def _strided(rate: int) -> _Filter:
    """Return the K-weighting in strides. State: the two delays of each section (transposed direct form II)."""

    def advance(state: NDArray[np.float64], value: float) -> tuple[NDArray[np.float64], float]:
        after = state.copy()
        for number, (b0, b1, b2, _, a1, a2) in enumerate(k_weighting(rate)):
            output = b0 * value + state[2 * number]
            after[2 * number] = b1 * value - a1 * output + state[2 * number + 1]
            after[2 * number + 1] = b2 * value - a2 * output
            value = output
        return after, value

    step = np.array([advance(unit, 0.0)[0] for unit in np.eye(4)])
    heard = np.array([[advance(unit, 0.0)[1]] for unit in np.eye(4)])
    entry, direct = advance(np.zeros(4), 1.0)
    powers = [np.eye(4)]
    for _ in range(_STRIDE):
        powers.append(powers[-1] @ step)
    outward = np.hstack([power @ heard for power in powers[:_STRIDE]])
    inward = np.stack([entry @ powers[_STRIDE - 1 - place] for place in range(_STRIDE)])
    response = np.concatenate(([direct], entry @ outward[:, :-1]))
    within = np.zeros((_STRIDE, _STRIDE))
    for place in range(_STRIDE):
        within[place, place:] = response[: _STRIDE - place]
    return _Filter(within.astype(np.float32), inward.astype(np.float32), outward.astype(np.float32), powers[_STRIDE])


def weighted(row: NDArray[np.float32], rate: int, state: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return ``row`` K-weighted; ``state`` (4 values) is carried from one stretch to the next, in place.

    A stretch is filled up with silence to a multiple of 128 frames, so all but the last should be one.
    """
    parts = _strided(rate)
    count = -(-len(row) // _STRIDE)
    strides = np.zeros((count, _STRIDE), np.float32)
    strides.reshape(-1)[: len(row)] = row
    states = (strides @ parts.inward).astype(np.float64)
    states[0] += state @ parts.onward
    # The recurrence s[k] = u[k] + s[k−1]·M, by doubling.
    power, reach = parts.onward, 1
    while reach < count:
        states[reach:] += states[:-reach] @ power
        power, reach = power @ power, reach * 2
    before = np.concatenate((state[None, :], states[:-1])).astype(np.float32)
    state[:] = states[-1]
    output: NDArray[np.float32] = strides @ parts.within + before @ parts.outward
    return output.reshape(-1)[: len(row)]


def channel_weights(channels: int) -> NDArray[np.float64]:
    """Return BS.1770's weights: 1.41 (+1.5 dB) for the surrounds of 5.0 and 5.1 in their usual order, none for LFE."""
    weights = np.ones(channels)
    if channels == 5:
        weights[3:] = 1.41
    elif channels == 6:
        weights[3:] = 0.0, 1.41, 1.41
    return weights


class Loudness:
    """Gathers the weighted energy of a sound given in blocks, in hops of 10 ms."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._states = np.zeros((channels, 4))
        self._weights = channel_weights(channels)
        self._frames = 0
        self._energies: list[NDArray[np.float64]] = []
        self._open = 0.0

    def add(self, block: NDArray[np.float32]) -> None:
        """Take in a block; all but the last should be a multiple of 128 frames long."""
        start, stop = self._frames, self._frames + block.shape[1]
        self._frames = stop
        # Hop k ends at round(k · rate / 100), so that hops keep step with time at 22,050 or 11,025 Hz too.
        first = math.ceil((start + 0.5) * HOPS_A_SECOND / self._rate)
        last = math.floor((stop + 0.5) * HOPS_A_SECOND / self._rate)
        edges = np.floor(np.arange(first, last + 1) * self._rate / HOPS_A_SECOND + 0.5).astype(np.int64) - start
        edges = edges[(edges > 0) & (edges <= block.shape[1])]
        ends_here = len(edges) > 0 and edges[-1] == block.shape[1]
        bounds = np.concatenate(([0], edges[:-1] if ends_here else edges))
        sums = np.zeros(len(bounds))
        for row, state, weight in zip(block, self._states, self._weights, strict=True):
            if weight:
                sums += weight * np.add.reduceat(np.square(weighted(row, self._rate, state)), bounds)
        sums[0] += self._open
        self._energies.append(sums if ends_here else sums[:-1])
        self._open = 0.0 if ends_here else float(sums[-1])

    def hops(self) -> NDArray[np.float64]:
        """Return the weighted mean square of each hop, the last one filled up with silence."""
        energies = np.concatenate((*self._energies, [self._open]))
        return energies * HOPS_A_SECOND / self._rate

    def whole(self) -> NDArray[np.float64]:
        """Return the hops that the sound fills."""
        return self.hops()[: int(self._frames * HOPS_A_SECOND / self._rate + 1e-9)]

    def result(self) -> tuple[float | None, float | None]:
        """Return (integrated loudness, highest momentary loudness) in LUFS; None for silence or what is too short."""
        return integrated(self.whole()), momentary_max(self.hops())


def loudest(hops: NDArray[np.float64], count: int) -> float | None:
    """Return the highest loudness of ``count`` hops on end, all within the sound; None where there are fewer."""
    if len(hops) < count:
        return None
    sums = np.concatenate(([0.0], np.cumsum(hops)))
    best = float((sums[count:] - sums[:-count]).max()) / count
    return _lufs(best) if best > 1e-15 else None


def momentary_max(hops: NDArray[np.float64]) -> float | None:
    """Return the highest 400 ms loudness, silence before and after counted in, so that the shortest sound has one."""
    padded = np.concatenate((np.zeros(MOMENTARY_HOPS), hops, np.zeros(MOMENTARY_HOPS)))
    sums = np.cumsum(padded)
    best = float((sums[MOMENTARY_HOPS:] - sums[:-MOMENTARY_HOPS]).max()) / MOMENTARY_HOPS
    return _lufs(best) if best > 1e-15 else None


def integrated(hops: NDArray[np.float64]) -> float | None:
    """Return the gated loudness (BS.1770-5, annex 1): 400 ms blocks every 100 ms; None under 400 ms or below −70."""
    if len(hops) < MOMENTARY_HOPS:
        return None
    sums = np.concatenate(([0.0], np.cumsum(hops)))
    blocks = (sums[MOMENTARY_HOPS:] - sums[:-MOMENTARY_HOPS])[::10] / MOMENTARY_HOPS
    blocks = blocks[blocks > _energy(_ABSOLUTE_GATE)]
    if not len(blocks):
        return None
    blocks = blocks[blocks > _energy(_lufs(float(blocks.mean())) + _RELATIVE_GATE)]
    return _lufs(float(blocks.mean()))


def _lufs(energy: float) -> float:
    return _OFFSET + 10 * math.log10(energy)


def _energy(lufs: float) -> float:
    return float(10 ** ((lufs - _OFFSET) / 10))
