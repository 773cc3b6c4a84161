"""A bounce judged: which performance it is of, what of it is there, and what its slots tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final, Protocol

import msgspec

from companion.core.progress import QUIET, Watch
from companion.trials.performance.align import Alignment, align
from companion.trials.performance.bounce import Floats, Heard
from companion.trials.performance.controls_hearing import hear_panel
from companion.trials.performance.controls_judged import MeasuredControls
from companion.trials.performance.controls_plan import Panel
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.hearing import Rest, Tone, hear, hear_rest, mixed, residual_peak
from companion.trials.performance.hiss import NOISE_DBFS, judge_hiss
from companion.trials.performance.judged import Judged, Playback, Verdict
from companion.trials.performance.keys_verdicts import judge_keys
from companion.trials.performance.listening import Listened, listen
from companion.trials.performance.once_verdicts import Levelled, clicked, levelled, likeness, repeating
from companion.trials.performance.score import Score, Slot
from companion.trials.performance.voices import judge_voices

_FRONT_S: Final = 0.02
_REPEAT_S: Final = 0.45


class Sounding(Heard, Protocol):
    """Sound that can also be read from its start to its end."""

    def blocks(self, watch: Watch = QUIET) -> Iterator[Floats]:
        """Yield all of it, block by block."""


def judge(
    sound: Sounding,
    scores: Sequence[Score],
    watch: Watch = QUIET,
    panels: Mapping[str, Panel] | None = None,
    noise_dbfs: float = NOISE_DBFS,
) -> Judged:
    """Return what a bounce tells of whichever of ``scores`` it is of. Read twice, never held whole.

    panels: what the scores of controls move, by the mark of the score. noise_dbfs: the loudest noise of many notes.
    """
    watch.stage("Listening to the bounce", round(sound.seconds * sound.rate), "frames")
    heard = listen(sound.blocks(watch), sound.rate)
    whole = Playback(rate=sound.rate, seconds=heard.frames / sound.rate, peak=heard.peak, flat_tops=heard.flat_tops)
    found = _which(heard, scores, watch)
    if found is None:
        return Judged(playback=whole)
    score, place = found

    def is_there(slot: Slot) -> bool:
        inside = place.at(slot.start / 1000) > -0.02 and place.at(slot.end / 1000) < whole.seconds + 0.3
        return inside and place.covers(slot.start / 1000)

    missing = frozenset(number for number, slot in enumerate(score.slots) if slot.notes and not is_there(slot))
    whole = msgspec.structs.replace(
        whole, offset=place.offset, ratio=place.ratio, fit=round(place.fit, 1), missing=tuple(sorted(missing))
    )
    if score.part == "controls":
        return Judged(
            playback=whole, score=score, controls=_controls(sound, score, (panels or {})[score.mark], place, watch)
        )
    return Judged(playback=whole, score=score, verdicts=_keys(sound, score, place, missing, watch, noise_dbfs))


def _controls(sound: Heard, score: Score, panel: Panel, place: Alignment, watch: Watch) -> MeasuredControls:
    watch.stage("Judging the controls", score.length, "ms")
    heard = hear_panel(score, panel, sound, place, watch)
    return MeasuredControls(panel=panel, verdicts=tuple(judge_controls(heard)))


def _which(heard: Listened, scores: Sequence[Score], watch: Watch) -> tuple[Score, Alignment] | None:
    """Return the performance that fits best, and where it lies."""
    best: tuple[Score, Alignment] | None = None
    watch.stage("Finding the performance", len(scores), "performances")
    for score in scores:
        watch.step()
        onsets = [on / 1000 for on in score.onsets]
        found = align(heard.onsets, heard.seconds, onsets, score.length / 1000)
        if found and (best is None or found.fit > best[1].fit):
            best = score, found
    return best


def _keys(
    sound: Heard, score: Score, place: Alignment, missing: frozenset[int], watch: Watch, noise_dbfs: float
) -> tuple[Verdict, ...]:
    watch.stage("Judging the notes", len(score.slots), "slots")
    tones: dict[int, Tone] = {}
    rests: dict[int, Rest] = {}
    ticks: dict[int, float] = {}
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
            ticks[number] = residual_peak(sound.read(on + 0.06, off - 0.01), sound.rate)
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
    slots = {key: tuple(number for number, _ in several) for key, several in again.items()}
    judged = judge_keys(score.slots, tones, rests)
    hung = min((verdict.slots[0] for verdict in judged if verdict.rule == "note-stuck"), default=len(score.slots))
    found = [*judged, *clicked(score.slots, {number: tick for number, tick in ticks.items() if number < hung})]
    if hung == len(score.slots):  # else all that follows is heard on top of the note that hangs
        found += [
            *repeating(alike, slots, score.takes),
            *judge_voices(score.slots, sound, place),
            *judge_hiss(score.slots, sound, place, noise_dbfs),
        ]
    return tuple(found)


def _last_of(slots: Sequence[Slot], number: int) -> bool:
    after = slots[number + 1] if number + 1 < len(slots) else None
    return after is None or after.kind != "take" or after.notes[0].key != slots[number].notes[0].key
