"""Where a sound begins and ends, how it decays and how quiet it gets: from its energy in cells of a millisecond."""

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from companion.sound.measures.measured import Decay

ONSET_DB: Final = -40.0
TAIL_DB: Final = -72.0
_DIGITAL_SILENCE: Final = 1e-14
_FADE_CELLS: Final = 6
_QUIET_CELLS: Final = 50
_FIRST_CELLS: Final = 20
_LEAVES_DB: Final = 4.0
_SWELLS_DB: Final = 1.5
_NOTHING_DB: Final = -90.0
_SWELL: Final = 2.0
_SMOOTH_CELLS: Final = 100
_STEADY_CELLS: Final = 150
_STEADY_DB: Final = 4.0
_FALLS_DB: Final = 1.0
_UNDER_DB: Final = -30.0
_BLOCKS: Final = 100
_FEWEST_BLOCKS: Final = 20
_FEWEST_ABOVE: Final = 3
_FINER: Final = 4
_TURNS: Final = 6
_CLEAR_DB: Final = 10.0
_STILL_FALLS_DB: Final = 1.5
_ABOVE_NOISE_DB: Final = 10.0
_FEWEST_CELLS: Final = 25
_RANGES: Final = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
"""Of the integrated decay, in dB."""


class Envelope:
    """Gathers the mean square of a sound, over all channels, in cells of one millisecond."""

    def __init__(self, rate: int) -> None:
        self.cell = max(1, round(rate / 1000))
        self.seconds = self.cell / rate
        self._rest = np.zeros(0, np.float32)
        self._cells: list[NDArray[np.float64]] = []

    def add(self, block: NDArray[np.float32]) -> None:
        """Take in a block, shape (channels, frames)."""
        square = np.einsum("ij,ij->j", block, block) if len(block) > 1 else np.square(block[0])
        if len(self._rest):
            square = np.concatenate((self._rest, square))
        whole = len(square) // self.cell * self.cell
        cells = square[:whole].reshape(-1, self.cell).mean(axis=1, dtype=np.float32)
        self._cells.append(cells.astype(np.float64) / len(block))
        self._rest = square[whole:]

    def cells(self) -> NDArray[np.float64]:
        """Return the mean square of each whole millisecond; of what there is when there is less than one."""
        cells = np.concatenate((np.zeros(0), *self._cells))
        return cells if len(cells) or not len(self._rest) else np.array([float(self._rest.mean())])


class Edges(NamedTuple):
    """onset, begins, tail: seconds. start_db, end_db: first and last millisecond against the loudest; None for silence.

    end_faded: whether the last millisecond is over 10 dB under the five before it, as a short fade leaves it.
    """

    onset_s: float | None
    begins_s: float | None
    tail_s: float | None
    start_db: float | None
    end_db: float | None
    end_faded: bool


def edges_of(cells: NDArray[np.float64], seconds: float, dc: float = 0.0) -> Edges:
    """Return where the sound begins and ends in cells ``seconds`` long.

    onset: the first cell within 40 dB of the loudest; begins: where it leaves what lies before it, see
    :func:`begin_of`. tail: how long everything stays 72 dB under it at the end.
    dc: the offset of the whole, which is no sound.
    """
    cells = np.maximum(cells - dc * dc, 0.0)
    loudest = float(cells.max(initial=0.0))
    if loudest <= _DIGITAL_SILENCE:
        return Edges(None, None, None, None, None, False)
    heard = np.flatnonzero(cells >= loudest * 10 ** (ONSET_DB / 10))
    kept = np.flatnonzero(cells >= max(loudest * 10 ** (TAIL_DB / 10), _DIGITAL_SILENCE))
    return Edges(
        round(float(heard[0]) * seconds, 4),
        round(begin_of(cells[: heard[0]], loudest) * seconds, 4),
        round((len(cells) - 1 - float(kept[-1])) * seconds, 4),
        _ratio_db(float(cells[0]), loudest),
        _ratio_db(float(cells[-1]), loudest),
        len(cells) > _FADE_CELLS and float(cells[-1]) < 0.1 * float(cells[-_FADE_CELLS:-1].mean()),
    )


def begin_of(before: NDArray[np.float64], loudest: float) -> int:
    """Return at which of the cells before its onset a sound begins: 0 for one that swells from the first on.

    It begins where the level leaves, by 4 dB, that of the first 20 ms, or 90 dB under the loudest. Up to there silence
    and noise stay level, while whatever swells, along a line, a square or an exponential, has risen by half of that.
    Where it takes more than twice as long from there to its onset, the silence is no more than a swell's beginning.
    """
    first = _FIRST_CELLS
    if len(before) <= first:
        return len(before)
    nothing = loudest * 10 ** (_NOTHING_DB / 10)
    limit = max(float(before[:first].mean()) * 10 ** (_LEAVES_DB / 10), nothing)
    means, _ = _running(before, first // 2)
    still = np.flatnonzero(means <= limit)
    begin = int(still[-1]) + first // 2 if len(still) else 0
    if begin < 2 or len(before) - begin > _SWELL * begin:
        return 0
    early, late = float(before[: begin // 2].mean()), float(before[begin // 2 : begin].mean())
    return 0 if late > max(early * 10 ** (_SWELLS_DB / 10), nothing) else begin


def _ratio_db(value: float, reference: float) -> float:
    return round(10 * math.log10(max(value, 1e-16) / reference), 2)


class Floor(NamedTuple):
    """level_dbfs: root mean square of the floor. is_bound: nothing is steady, so it is that of the quietest 50 ms, and
    the noise is at most this.

    start, stop: the cells of the stretch that is steady, or of the quietest one. reason: why there is no level.
    """

    level_dbfs: float | None
    is_bound: bool | None
    start: int
    stop: int
    reason: str


def floor_of(cells: NDArray[np.float64]) -> Floor:
    """Return the noise floor, from cells of one millisecond.

    Where the sound has died away, or has not begun, the level stays within 4 dB for 150 ms: that is the room and the
    chain. Its level is the mean of all but the third of it that is next to the sound, which must not fall: between the
    halves of an exponential decay of 4 dB lie 1.3 dB. A sound that still decays, or sounds throughout, only bounds its
    noise from above. Stretches of digital silence are no noise and are passed over.
    """
    size = _QUIET_CELLS
    if len(cells) < size:
        return Floor(None, None, 0, 0, "shorter than 50 ms")
    means, usable = _running(cells, size)
    if not usable.any():
        return Floor(None, None, 0, 0, "no 50 ms without digital silence")
    quietest = int(np.argmin(np.where(usable, means, np.inf)))
    level, loudest = float(means[quietest]), float(means.max())
    bound = Floor(round(10 * math.log10(level), 2) if level > 0 else None, True, quietest, quietest + size, "")
    stretch = _steady(cells)
    if stretch is None:
        return bound
    start, stop = stretch
    halves = cells[start : (start + stop) // 2], cells[(start + stop) // 2 : stop]
    first, last = (float(half.mean()) for half in halves)
    level = float(cells[start:stop].mean())
    if max(first, last) > min(first, last) * 10 ** (_FALLS_DB / 10) or level >= loudest * 10 ** (_UNDER_DB / 10):
        return bound
    return Floor(round(10 * math.log10(level), 2), False, start, stop, "")


def _running(cells: NDArray[np.float64], size: int) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the mean of each ``size`` cells, and whether digital silence is in none of them."""
    sums = np.concatenate(([0.0], np.cumsum(cells)))
    silent = np.concatenate(([0], np.cumsum(cells <= _DIGITAL_SILENCE)))
    return np.maximum((sums[size:] - sums[:-size]) / size, 0), (silent[size:] - silent[:-size]) == 0


def _steady(cells: NDArray[np.float64]) -> tuple[int, int] | None:
    """Return (first cell, cell behind the last) of the quietest stretch that stays within 4 dB, where that is long
    enough, without the third of it that is next to what is louder."""
    size = _SMOOTH_CELLS
    if len(cells) < _STEADY_CELLS:
        return None
    means, usable = _running(cells, size)
    if not usable.any():
        return None
    lowest = int(np.argmin(np.where(usable, means, np.inf)))
    near = (means <= float(means[lowest]) * 10 ** (_STEADY_DB / 10)) & usable
    off = np.flatnonzero(~near)
    place = int(np.searchsorted(off, lowest))
    start = int(off[place - 1]) + 1 if place else 0
    stop = (int(off[place]) if place < len(off) else len(near)) - 1 + size
    if stop - start < _STEADY_CELLS:
        return None
    third = (stop - start) // 3
    return (start, stop - third) if start == 0 and stop < len(cells) else (start + third, stop)


def decay_of(cells: NDArray[np.float64], seconds: float) -> Decay:
    """Return EDT, T20 and T30: the time for 60 dB along a line fitted to 10, 20 or 30 dB of the integrated decay.

    By Schroeder integration (ISO 3382-1:2009, 5.3.3), from cells ``seconds`` long, beginning at the loudest. Where the
    sound dies away into noise, it is integrated without the noise, and from where it reaches it on replaced by its
    exponential; where it is cut before, what is missing behind the end is put back likewise, as the standard allows. A
    range the sound does not hold, down to 10 dB above the noise (ISO 3382-1:2009, 5.3.3), or runs through in under 25
    cells, is None.
    """
    if len(cells) < 10 or not float(cells.max(initial=0.0)) > 0:
        return Decay()
    start = int(np.argmax(cells))
    body = cells[start:]
    loudest = float(body[0:5].mean()) or 1e-30
    end = float(body[-min(10, len(body)) :].mean())
    end_db = 10 * math.log10(max(end, 1e-16) / loudest)
    noise, knee = _noise_behind(body)
    lowest = 10 * math.log10(noise / loudest) + _ABOVE_NOISE_DB if noise > 0 else -math.inf
    curve = _curve(body, noise, knee)
    values = {
        name: _line(curve, seconds, top, bottom) if bottom >= lowest else None
        for name, (top, bottom) in _RANGES.items()
    }
    return Decay(**values, end_db=round(end_db, 1))


def integrated(body: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the integrated decay in dB of cells that begin at the loudest, with what is missing behind their end.

    Where the sound dies away into noise, up to where it reaches it.
    """
    return _curve(body, *_noise_behind(body))


def _curve(body: NDArray[np.float64], noise: float, knee: int) -> NDArray[np.float64]:
    sound = body[:knee] - noise
    energy = np.cumsum(sound[::-1])[::-1] + (_missing(body) if noise <= 0 else _missing_at(sound))
    return np.asarray(10 * np.log10(np.maximum(energy, 1e-30) / max(float(energy[0]), 1e-30)))


def _noise_behind(body: NDArray[np.float64]) -> tuple[float, int]:
    """Return (mean square of the noise that a decay ends in, the cell at which the decay reaches it).

    (0, all cells) where there is none: where the level still falls at the end. The noise is what lies behind the knee,
    found by turns (Lundeby and others, "Uncertainties of measurements in room acoustics", Acustica 81, 1995). Where a
    sound reaches its noise within a few blocks of a long recording, they are taken shorter.
    """
    size = max(1, len(body) // _BLOCKS)
    if len(body) // size < _FEWEST_BLOCKS:
        return 0.0, len(body)
    while (found := _noise_by_blocks(body, size)) is None and size > 1:
        size = max(1, size // _FINER)
    return found or (0.0, len(body))


def _noise_by_blocks(body: NDArray[np.float64], size: int) -> tuple[float, int] | None:
    """Return what :func:`_noise_behind` does, by blocks of ``size`` cells; None where too few lie above the noise."""
    count = len(body) // size
    blocks = body[: count * size].reshape(count, size).mean(axis=1)
    levels = 10 * np.log10(np.maximum(blocks, 1e-30))
    tail = count - max(4, count // 10)
    for _ in range(_TURNS):
        noise = float(blocks[tail:].mean())
        floor = 10 * math.log10(max(noise, 1e-30))
        above = np.flatnonzero(levels > floor + _CLEAR_DB)
        last = int(above[-1]) + 1 if len(above) else 0
        first = max(0, last - max(4, int((levels[: max(1, last)] < floor + _CLEAR_DB + 20).sum())))
        if last - first < _FEWEST_ABOVE:
            return None
        places, part = np.arange(first, last) - (first + last - 1) / 2, levels[first:last]
        slope = float(places @ part) / float(places @ places)  # least squares
        if slope >= 0:
            return 0.0, len(body)
        knee = (first + last - 1) / 2 + (floor - float(part.mean())) / slope
        behind = math.ceil(knee - _CLEAR_DB / slope)  # 10 dB further down the line, hardly anything is left of it
        if behind > count - 4:
            return 0.0, len(body)
        if behind == tail:
            break
        tail = behind
    first_half, last_half = np.array_split(blocks[tail:], 2)
    falls = float(first_half.mean()) > float(last_half.mean()) * 10 ** (_STILL_FALLS_DB / 10)
    return (0.0, len(body)) if falls or noise <= 0 else (noise, max(1, min(len(body), round(knee * size))))


def _missing_at(sound: NDArray[np.float64]) -> float:
    """Return the energy of the exponential that goes on where ``sound`` ends, from the slope of its last third."""
    part = sound[-max(10, len(sound) // 3) :]
    first, last = (float(half.mean()) for half in np.array_split(part, 2))
    if not 0 < last < first:
        return 0.0
    rate = math.log(first / last) / (len(part) / 2)
    return float(last * math.exp(-rate * len(part) / 4) / rate)


def _missing(body: NDArray[np.float64]) -> float:
    """Return the energy behind the end, from the slope of the second half; 0 where the sound has died away."""
    half = body[len(body) // 2 :]
    quarter = len(half) // 2
    if quarter < 5:
        return 0.0
    first, second = float(half[:quarter].mean()), float(half[quarter : 2 * quarter].mean())
    if not 0 < second < 0.9 * first:
        return 0.0
    rate = math.log(first / second) / quarter
    return float(second * math.exp(-rate * quarter / 2) / rate)


def _line(curve: NDArray[np.float64], seconds: float, top: float, bottom: float) -> float | None:
    inside = np.flatnonzero((curve <= top) & (curve >= bottom))
    if len(inside) < _FEWEST_CELLS or curve.min() > bottom - 5:
        return None
    places, levels = inside - inside.mean(), curve[inside]
    slope = float(places @ levels) / float(places @ places) / seconds  # least squares
    return round(-60.0 / slope, 4) if slope < 0 else None
