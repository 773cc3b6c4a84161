"""What a bounce of the keys sounds like, slot by slot, as numbers that it is judged by without being read again."""

from __future__ import annotations

import msgspec

from companion.core.progress import QUIET, Watch
from companion.trials.performance.align import Alignment
from companion.trials.performance.bounce import Heard
from companion.trials.performance.gaps import Gap, gap_of
from companion.trials.performance.hearing import Rest, Tone, hear, hear_rest, mixed
from companion.trials.performance.hiss import HissHeard, hear_hiss
from companion.trials.performance.once_verdicts import Levelled, levelled, likeness
from companion.trials.performance.score import Score, Slot
from companion.trials.performance.ticks import FROM_S, UNTIL_S, Tick, tick_of
from companion.trials.performance.timing import Rise, hear_rise
from companion.trials.performance.voices import VoicesHeard, hear_voices

_FRONT_S = 0.02
_REPEAT_S = 0.45


class KeysHeard(msgspec.Struct, frozen=True, kw_only=True):
    """Everything heard, by slot. rises: how notes begin, where that is seen. alike: by key, how alike each repeat is to
    each other; repeats: their slots.

    voices, hiss: None where there is nothing to compare. rate: of the bounce.
    """

    rate: int
    tones: dict[int, Tone]
    rests: dict[int, Rest]
    ticks: dict[int, Tick]
    gaps: dict[int, Gap]
    alike: dict[int, list[list[float]]]
    repeats: dict[int, tuple[int, ...]]
    rises: dict[int, Rise] = {}
    voices: VoicesHeard | None = None
    hiss: HissHeard | None = None


def hear_keys(
    sound: Heard, score: Score, place: Alignment, missing: frozenset[int] = frozenset(), watch: Watch = QUIET
) -> KeysHeard:
    """Return what is heard of the performance of the keys; ``watch`` is stepped by slots.

    missing: slots that are not in the bounce.
    """
    tones: dict[int, Tone] = {}
    rests: dict[int, Rest] = {}
    ticks: dict[int, Tick] = {}
    gaps: dict[int, Gap] = {}
    rises: dict[int, Rise] = {}
    again: dict[int, list[tuple[int, Levelled]]] = {}
    alike: dict[int, list[list[float]]] = {}
    for number, slot in enumerate(score.slots):
        watch.step()
        if slot.kind == "rest" and 0 <= place.at(slot.start / 1000) < place.at(slot.end / 1000) <= sound.seconds + 0.3:
            rests[number] = hear_rest(sound, place.at(slot.start / 1000), place.at(slot.end / 1000))
        if len(slot.notes) != 1 or number in missing or slot.kind not in ("note", "take"):
            continue
        note = slot.notes[0]
        on, off = place.at(note.on / 1000), place.at(note.off / 1000)
        tones[number] = hear(sound, on, off, place.at(slot.end / 1000))
        if slot.kind == "note":
            if (rise := hear_rise(sound, on, off)) is not None:
                rises[number] = rise
            held = sound.read(on + FROM_S, off - UNTIL_S)
            ticks[number], gaps[number] = tick_of(held, sound.rate), gap_of(held, sound.rate)
        else:
            # A fixed length: all repeats must be held against each other sample by sample.
            stretch = mixed(sound.read(on - _FRONT_S, on - _FRONT_S + _REPEAT_S))
            again.setdefault(note.key, []).append((number, levelled(stretch, sound.rate)))
            if _last_of(score.slots, number):
                several = [one for _, one in again[note.key]]
                alike[note.key] = [
                    [likeness(one, other, sound.rate) if at < to else 1.0 for to, other in enumerate(several)]
                    for at, one in enumerate(several)
                ]
                again[note.key] = [(n, Levelled(None, 0)) for n, _ in again[note.key]]
    return KeysHeard(
        rate=sound.rate,
        tones=tones,
        rests=rests,
        ticks=ticks,
        gaps=gaps,
        rises=rises,
        alike=alike,
        repeats={key: tuple(number for number, _ in several) for key, several in again.items()},
        voices=hear_voices(score.slots, sound, place),
        hiss=hear_hiss(score.slots, sound, place),
    )


def _last_of(slots: tuple[Slot, ...], number: int) -> bool:
    after = slots[number + 1] if number + 1 < len(slots) else None
    return after is None or after.kind != "take" or after.notes[0].key != slots[number].notes[0].key
