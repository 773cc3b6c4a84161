"""A bounce judged: which performance it is of, what of it is there, and what its slots tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Protocol

import msgspec

from companion.core.progress import QUIET, Watch
from companion.trials.performance.align import Alignment, align
from companion.trials.performance.bounce import Floats, Heard, centred
from companion.trials.performance.clicks import DryOf, clicked, filled_up
from companion.trials.performance.controls_hearing import hear_panel
from companion.trials.performance.controls_judged import MeasuredControls
from companion.trials.performance.controls_plan import Panel
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.hiss import NOISE_DBFS, judge_hiss
from companion.trials.performance.judged import Judged, Playback, Verdict
from companion.trials.performance.keys_hearing import KeysHeard, hear_keys
from companion.trials.performance.keys_verdicts import judge_keys
from companion.trials.performance.listening import Listened, listen
from companion.trials.performance.once_verdicts import FREE, repeating
from companion.trials.performance.score import Score, Slot
from companion.trials.performance.takes import excused
from companion.trials.performance.voices import judge_voices


class Sounding(Heard, Protocol):
    """Sound that can also be read from its start to its end."""

    def blocks(self, watch: Watch = QUIET) -> Iterator[Floats]:
        """Yield all of it, block by block."""


def judge(
    bounce: Sounding,
    scores: Sequence[Score],
    watch: Watch = QUIET,
    panels: Mapping[str, Panel] | None = None,
    noise_dbfs: float = NOISE_DBFS,
    dry_of: DryOf | None = None,
) -> Judged:
    """Return what a bounce tells of whichever of ``scores`` it is of. Read twice, never held whole.

    panels: what the scores of controls move, by the mark of the score. noise_dbfs: the loudest noise of many notes.
    dry_of: the samples that a key may play, so that what stands in one is not taken for the bounce's own.
    """
    watch.stage("Listening to the bounce", round(bounce.seconds * bounce.rate), "frames")
    heard = listen(bounce.blocks(watch), bounce.rate)
    whole = Playback(
        rate=bounce.rate,
        seconds=heard.frames / bounce.rate,
        peak=heard.peak,
        flat_tops=heard.flat_tops,
        mean=max(heard.means, key=abs, default=0.0),
    )
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
    sound = centred(bounce, heard.means)
    if score.part == "controls":
        return Judged(
            playback=whole, score=score, controls=_controls(sound, score, (panels or {})[score.mark], place, watch)
        )
    watch.stage("Judging the notes", len(score.slots), "slots")
    keys = hear_keys(sound, score, place, missing, watch)
    return Judged(playback=whole, score=score, verdicts=judge_heard(score, keys, noise_dbfs, dry_of))


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


def judge_heard(
    score: Score, heard: KeysHeard, noise_dbfs: float = NOISE_DBFS, dry_of: DryOf | None = None
) -> tuple[Verdict, ...]:
    """Return what was heard of the keys tells; see :func:`judge`."""
    found = excused(judge_keys(score.slots, heard.tones, heard.rests, heard.rises), dry_of, heard.rate)
    hung = min((verdict.slots[0] for verdict in found if verdict.rule == "note-stuck"), default=len(score.slots))
    ticks = {number: tick for number, tick in heard.ticks.items() if number < hung}
    gaps = {number: gap for number, gap in heard.gaps.items() if number < hung}
    found += clicked(score.slots, ticks, dry_of, heard.rate, gaps)
    if hung == len(score.slots):  # else all that follows is heard on top of the note that hangs
        repeats = repeating(heard.alike, heard.repeats, score.takes)
        found += excused(repeats, dry_of, heard.rate)
        found += filled_up(score.slots, found) if any(one.reason == FREE for one in repeats) else ()
        found += judge_voices(score.slots, heard.voices)
        found += judge_hiss(heard.hiss, noise_dbfs)
    return tuple(found)
