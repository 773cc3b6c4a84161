"""Rules about what cannot be judged: samples that are not there, and notes that nothing tells."""

from collections.abc import Iterator

from companion.core.findings import WARNS, At, Finding
from companion.core.text import plural
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.versions import FORMAT, PITCH, with_inputs
from companion.sound.zones.tuning import TUNING
from companion.sound.zones.zones import ZONES

_MOST_NAMED = 20


@sound_rule(
    "sample-none",
    WARNS,
    rests_on=(FORMAT,),
    means="No sample ships, and nothing says that the instrument has none.",
    why="Samples inside a patch, or in a format unknown here, go out without anyone having measured them.",
    mend="Put the samples into the folder. If there are none, say so with: companion fact FOLDER instrument.without "
    "samples.",
    limit="a sample, or the fact that there are none",
    unknown=True,
)
def sample_none(model: SoundModel) -> Iterator[Finding]:
    """Nothing was measured, and the facts do not say that there is nothing to measure."""
    if not any(model.samples()) and "samples" not in model.facts.instrument.without:
        yield sample_none.finding(says="nothing measured: no sample ships")


@sound_rule(
    "note-unread",
    WARNS,
    rests_on=(FORMAT, ZONES),
    means="Nothing says which note a sample plays: neither its name, nor its header, nor a list of zones.",
    why="Its pitch, its level beside its neighbours and its takes are then not judged: a wrong note goes out unheard.",
    mend="Say how the names are to be read (naming.pattern), or give a list of zones (naming.zones). Loops and noises "
    "play no note: state which, as with: companion fact FOLDER naming.unpitched “Loops/*.wav”.",
    limit="a note for every sample that is not stated to play none",
    unknown=True,
)
def note_unread(model: SoundModel) -> Iterator[Finding]:
    """Samples without a note that the facts do not call unpitched; one finding, since one fact mends it."""
    unread = model.unread
    if unread:
        of_all = plural(sum(1 for _ in model.samples()), "sample")
        yield note_unread.finding(
            unread[0] if len(unread) == 1 else "",
            at=At(others=tuple(unread[:_MOST_NAMED])),
            value=len(unread),
            unit="sample",
            says=f"pitch, levels and takes not judged: no note for {len(unread):,} of {of_all}",
        )


@sound_rule(
    "unpitched-tuned",
    WARNS,
    rests_on=(*with_inputs(PITCH), ZONES, TUNING),
    means="Samples are stated to play no note, yet they sound the notes that their names say.",
    why="Either the fact is wrong, or the names are; whoever maps them after you believes one of the two.",
    mend="Take them out of naming.unpitched. They are judged as what they sound like until then.",
    limit="a pitch of their own, or none",
    unit="sample",
)
def unpitched_tuned(model: SoundModel) -> Iterator[Finding]:
    """Stated to be without pitch, and in tune with the rest of an instrument that agrees about its notes."""
    stated = model.unpitched
    tuned = [one.path for tuning in model.tunings if tuning.pure for one in tuning.members if stated.matches(one.path)]
    if tuned:
        yield unpitched_tuned.finding(
            at=At(others=tuple(sorted(tuned)[:_MOST_NAMED])), value=len(tuned), says="{value} in tune with the names"
        )
