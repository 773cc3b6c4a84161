"""What a bounce of the performance says of this content. Pure: verdicts in, findings out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from companion.core.findings import BLOCKS, NOTES, WARNS, At, Finding, ordered
from companion.core.rules import Rule, rule
from companion.core.units import duration
from companion.trials.performance.controls_judged import OVERLOADED
from companion.trials.performance.judged import HEARING, Judged, Verdict

MOST_MISSING: Final = 0.02
"""Of a performance's slots, how many may be missing from its bounce before it counts as cut."""

MOST_OFFSET: Final = 0.01
"""Mean of a bounce, −40 dBFS."""


def check_bounce(judged: Judged) -> tuple[Finding, ...]:
    """Return every finding of a bounce, in the order they are shown."""
    return ordered(finding for rule in RULES for finding in rule(judged))


def unheard(judged: Judged) -> dict[tuple[str, str], tuple[int, ...]]:
    """Return the slots that could not be judged, by rule and reason."""
    found: dict[tuple[str, str], list[int]] = {}
    for verdict in judged.verdicts:
        if verdict.reason:
            found.setdefault((verdict.rule, verdict.reason), []).extend(verdict.slots)
    return {asked: tuple(sorted(set(slots))) for asked, slots in found.items()}


@rule(
    "bounce-other",
    BLOCKS,
    step="controls",
    rests_on=(HEARING,),
    means="The sound file is no bounce of this performance, or only a part of one.",
    why="What is not in the bounce was not judged, and nothing may be claimed of it.",
    mend="Write the performance again, load it into the host as it is, and bounce it from its start to its end with "
    "this version of the instrument.",
    limit="the whole performance",
    source="onsets of the performance laid over those of the bounce",
)
def bounce_other(judged: Judged) -> Iterator[Finding]:
    """The onsets of no performance that was asked for fit those of the bounce, or stretches of them are not there."""
    length = duration(judged.playback.seconds)
    if judged.score is None:
        yield bounce_other.finding(says=f"{length} of sound in which the performance is not found", value=None)
        return
    slots = [slot for slot in judged.score.slots if slot.notes]
    missing = len(judged.playback.missing)
    if missing > MOST_MISSING * len(slots):
        says = f"{missing:,} of {len(slots):,} slots are not in it: {length} of {duration(judged.score.length / 1000)}"
        yield bounce_other.finding(value=missing, unit="slot", says=says)


@rule(
    "bounce-clipped",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="The bounce stays at full scale for several samples on end: it is clipped.",
    why="Levels cannot be told from each other where all are cut off, and players clip as the maker does.",
    mend="Lower the instrument’s output until a chord of sixteen notes stays below full scale, or turn the host down.",
    limit="no flat top",
    unit="flat top",
    bound=0,
)
def bounce_clipped(judged: Judged) -> Iterator[Finding]:
    """Three samples in a row within 0.1 dB of full scale are no chance.

    Where ends of controls overload together, that is told instead.
    """
    verdicts = judged.controls.verdicts if judged.controls else ()
    overloads = any(one.rule == "pair-silences" and one.says == OVERLOADED for one in verdicts)
    if judged.playback.flat_tops and judged.score and not overloads:
        yield bounce_clipped.finding(value=judged.playback.flat_tops)


@rule(
    "bounce-offset",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="The bounce does not swing around zero, even while nothing is played.",
    why="Whatever is mixed with it runs out of headroom sooner, and playback thumps where it starts and stops.",
    mend="Find the effect in the patch that brings the offset along, and put a high-pass filter behind it.",
    limit="mean within ±{bound} of full scale",
    bound=MOST_OFFSET,
    source="common practice, no source",
)
def bounce_offset(judged: Judged) -> Iterator[Finding]:
    """Over minutes the mean of any sound that swings around zero is next to nothing."""
    mean = judged.playback.mean
    if judged.score and abs(mean) > MOST_OFFSET:
        yield bounce_offset.finding(value=round(mean, 4), says=f"mean {mean:+.3f}".replace("-", "−"))


@rule(
    "bounce-click",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A note has a click in it that neither its sample nor the notes around it have.",
    why="A click in a held note is heard each time that key is played.",
    mend="Listen there. If the host clicked, bounce again with a larger buffer; if it comes each time, see what the "
    "patch does to that key.",
    limit="{bound} times what the sound before foretells",
    source="residual of linear prediction, against that of the other notes and of the samples",
)
def bounce_click(judged: Judged) -> Iterator[Finding]:
    """A sample stands far off what the ones before it lead to expect, or is missing, in a note whose like have none."""
    for verdict in _of(judged, bounce_click):
        if verdict.what == "gap":
            several = f"{len(verdict.slots):,} notes are" if len(verdict.slots) > 1 else "the note is"
            yield _finding(bounce_click, judged, verdict, f"{several} gone for a millisecond or two, and back")
            continue
        several = f"clicks in {len(verdict.slots):,} notes, up to" if len(verdict.slots) > 1 else "a click"
        yield _finding(bounce_click, judged, verdict, f"{several} {verdict.value:.0f} times as large as what is around")


@rule(
    "note-silent",
    BLOCKS,
    step="controls",
    rests_on=(HEARING,),
    means="A key is not heard where the keys beside it are.",
    why="A player meets a dead key in the middle of a phrase.",
    mend="See whether the patch maps a sample to this key and velocity, and whether its file is found.",
    limit="a rise of {bound} where the note begins",
    unit="dB",
    bound=6,
)
def note_silent(judged: Judged) -> Iterator[Finding]:
    """The sound does not rise where the note begins, and its neighbours stand far above what is there instead."""
    for verdict in _of(judged, note_silent):
        yield _finding(note_silent, judged, verdict, "a rise of {value}", value=max(0.0, verdict.value))


@rule(
    "note-off-pitch",
    BLOCKS,
    step="controls",
    rests_on=(HEARING,),
    means="A key sounds at another pitch than the keys beside it say.",
    why="One wrong root note makes every chord with that key sound wrong.",
    mend="Set the root note or the tuning of the sample that this key plays.",
    limit="within {bound} of where its neighbours put it, 35 where they are less in tune",
    unit="signed cents",
    bound=25,
    source="shift between spectra on a logarithmic scale of frequency",
)
def note_off_pitch(judged: Judged) -> Iterator[Finding]:
    """The key's spectrum lies elsewhere than its neighbours' do, moved by the distance of the keys."""
    for verdict in _of(judged, note_off_pitch):
        yield _finding(note_off_pitch, judged, verdict, "{value} against its neighbours")


@rule(
    "note-stuck",
    BLOCKS,
    step="controls",
    rests_on=(HEARING,),
    means="A note goes on sounding after its key was let go of.",
    why="A hanging note drowns everything played after it until the player stops all sound.",
    mend="See that the note’s release ends it, at every velocity and with the pedal up. What was played after it in "
    "this bounce was not judged.",
    limit="no more than {bound} above the quiet before it",
    unit="dB",
    bound=12,
)
def note_stuck(judged: Judged) -> Iterator[Finding]:
    """From this note on it is never quiet again, though it was before. Only the first: it hides what follows."""
    for verdict in _of(judged, note_stuck):
        yield _finding(note_stuck, judged, verdict, "{value} above the quiet before it, from here on")


@rule(
    "note-level-step",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A key is louder or softer than the keys on both sides of it, at every touch.",
    why="A scale played evenly does not sound even.",
    mend="Bring the sample to the level of its neighbours, or its zone’s gain.",
    limit="within {bound} of the keys on both sides",
    unit="dB",
    bound=4.5,
)
def note_level_step(judged: Judged) -> Iterator[Finding]:
    """Its level differs from both sides by more than such differences scatter over the instrument."""
    for verdict in _of(judged, note_level_step):
        word = "louder" if verdict.value > 0 else "softer"
        yield _finding(note_level_step, judged, verdict, f"{{value}} {word}", value=abs(verdict.value))


@rule(
    "velocity-inverted",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A key is softer when it is played harder.",
    why="The player’s touch does the opposite of what it means.",
    mend="See which samples the patch plays at which velocities on this key, and their gains.",
    limit="no more than {bound} softer at the harder touch",
    unit="dB",
    bound=3,
)
def velocity_inverted(judged: Judged) -> Iterator[Finding]:
    """The harder touch gives the lower level."""
    for verdict in _of(judged, velocity_inverted):
        yield _finding(velocity_inverted, judged, verdict, "{value} softer at the harder touch")


@rule(
    "note-late",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A key sounds later than the keys around it do, each time it is played.",
    why="A player hears the note stumble in every run and chord that has it.",
    mend="Cut the silence before the sample that this key plays, or take away the delay or the attack that the patch "
    "gives it.",
    limit="no more than {bound} later than the keys around it",
    unit="ms",
    bound=30,
)
def note_late(judged: Judged) -> Iterator[Finding]:
    """It begins later than its neighbours, by more than such beginnings scatter and most of its own rise."""
    for verdict in _of(judged, note_late):
        yield _finding(note_late, judged, verdict, "{value} late")


@rule(
    "note-short",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A key’s note ends while the key is still held, and those of the keys around it do not.",
    why="A player holds a chord, and one voice of it is gone.",
    mend="See where the sample of this key ends, whether its loop is set, and what the patch’s envelope does with it.",
    limit="fallen no more than {bound} further than the keys around it when it is let go of",
    unit="dB",
    bound=18,
)
def note_short(judged: Judged) -> Iterator[Finding]:
    """When it is let go of it has fallen much further than its neighbours have."""
    for verdict in _of(judged, note_short):
        yield _finding(note_short, judged, verdict, "gone before its key is let go of, {value} below those around it")


@rule(
    "note-aside",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A key comes from another side than the keys around it.",
    why="One note of a scale jumps across the room.",
    mend="See the panning that the patch gives to this key, and whether both channels of its sample are there.",
    limit="within {bound} of the side that the keys around it come from",
    unit="dB",
    bound=9,
)
def note_aside(judged: Judged) -> Iterator[Finding]:
    """Its right channel is louder against its left than its neighbours’ are, or softer, by more than such scatter."""
    for verdict in _of(judged, note_aside):
        word = "right" if verdict.value > 0 else "left"
        yield _finding(note_aside, judged, verdict, f"{{value}} further to the {word}", value=abs(verdict.value))


@rule(
    "take-repeats",
    NOTES,
    step="controls",
    rests_on=(HEARING,),
    means="A key repeats one recording although round robins are stated for it.",
    why="Fast repeats sound like a machine, and the recordings made for it are never heard.",
    mend="See that the patch goes from take to take on this key, or state how many takes it has.",
    limit="{bound} takes",
    unit="take",
    bound=2,
)
def take_repeats(judged: Judged) -> Iterator[Finding]:
    """Every repeat is the same waveform. Where an effect runs free over it nothing is alike, and nothing is told."""
    for verdict in _of(judged, take_repeats):
        yield _finding(take_repeats, judged, verdict, "one recording, over and over", value=1)


@rule(
    "voices-lost",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="A held note drops out when others are played on top of it.",
    why="The bass of a chord vanishes under the player’s hands.",
    mend="Raise the number of voices in the patch, or state in the facts (limits, voices) how many there are.",
    limit="a held note lasts",
    unit="note",
    bound=0,
)
def voices_lost(judged: Judged) -> Iterator[Finding]:
    """One key is held while others come and go: afterwards it is gone, though alone it lasts that long."""
    for verdict in _of(judged, voices_lost):
        yield _finding(voices_lost, judged, verdict, "gone with {value} at once", value=round(verdict.value))


@rule(
    "voices-hiss",
    WARNS,
    step="controls",
    rests_on=(HEARING,),
    means="With many notes at once the noise of the recordings adds up to more than the limit.",
    why="Chords hiss.",
    mend="Take recordings with less noise, denoise the tails, or fade them earlier.",
    limit="{bound} with the most notes together",
    unit="dBFS",
    bound=-60,
    source="incoherent sources add by power: 10·log10 N dB (Kuttruff, Room Acoustics)",
)
def voices_hiss(judged: Judged) -> Iterator[Finding]:
    """What lies between the partials is as dense from band to band, and rises by 3 dB as the notes double."""
    for verdict in _of(judged, voices_hiss):
        yield _finding(voices_hiss, judged, verdict, "{value} of noise between the partials")


def _of(judged: Judged, rule: Rule[Judged]) -> Iterator[Verdict]:
    return (verdict for verdict in judged.verdicts if verdict.rule == rule.id and not verdict.reason)


def _finding(rule: Rule[Judged], judged: Judged, verdict: Verdict, says: str, value: float | None = None) -> Finding:
    assert judged.score is not None
    slots = [judged.score.slots[number] for number in verdict.slots]
    frames = judged.playback.at(slots[0].start), judged.playback.at(slots[0].end)
    titles = " and ".join(dict.fromkeys(slot.title for slot in slots[:2]))
    return rule.finding(
        at=At(
            frames=frames,
            rate=judged.playback.rate,
            key=verdict.key if verdict.key >= 0 else None,
            velocity=verdict.velocity if verdict.velocity >= 0 else None,
        ),
        where=f"{titles}, {frames[0] / judged.playback.rate:.1f} s",
        value=round(verdict.value if value is None else value, 2),
        bound=round(verdict.bound, 1),
        says=says,
    )


OF_EVERY_BOUNCE: Final[tuple[Rule[Judged], ...]] = (bounce_other, bounce_clipped, bounce_offset)
"""Those that judge a bounce as a whole, of keys or of controls."""

# A rule's version, or that of HEARING, rises whenever the same bounce may be judged otherwise.
RULES: Final[tuple[Rule[Judged], ...]] = (
    *OF_EVERY_BOUNCE,
    bounce_click,
    note_silent,
    note_off_pitch,
    note_stuck,
    note_level_step,
    velocity_inverted,
    note_late,
    note_short,
    note_aside,
    take_repeats,
    voices_lost,
    voices_hiss,
)
