"""Rules about what cannot be judged: samples that are not there, and notes that nothing tells or that are not heard."""

from collections.abc import Iterator, Sequence

from companion.core.findings import NOTES, WARNS, At, Finding
from companion.core.text import plural
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.versions import FORMAT, LOUDNESS, PITCH, with_inputs
from companion.sound.zones.languages import TITLES
from companion.sound.zones.telling import line_for, quoted, unpitched_line
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
    version=3,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES),
    means="Nothing says which note a sample plays: neither its name, nor its header, nor a list of zones.",
    why="Its pitch and its level beside its neighbours are then not judged, nor its takes if nothing numbers "
    "them: a wrong note goes out unheard.",
    mend="Say how the names are to be read (naming.pattern), or give a list of zones (naming.zones). Loops and noises "
    "play no note: state which (naming.unpitched).",
    limit="a note for every sample that is not stated to play none",
    unknown=True,
)
def note_unread(model: SoundModel) -> Iterator[Finding]:
    """Samples without a note that the facts do not call unpitched: a finding for each line that would read some.

    Names that may hold a note in a way that neither they nor their sound settles are told with why, and with the
    pattern that would read them; all others are one finding.
    """
    unread = dict.fromkeys(model.unread)
    of_all = plural(sum(1 for _ in model.samples()), "sample")
    for asked in model.names.asked:
        here = [path for path in asked.paths if path in unread]
        if here:
            told = set(here)
            line = line_for(asked, model.facts.naming, model.names.patterns)
            other = unpitched_line(here, model.zones, model.facts.naming)
            mend = (
                f"If so, state it: {line}. If they play no note: {other}"
                if line
                else f"{note_unread.mend} Here: {other}"
            )
            yield _unread(model, here, f"no note for {len(here):,} of {of_all}: {asked.why}", mend)
            unread = {path: None for path in unread if path not in told}
    if unread:
        rest = list(unread)
        line = unpitched_line(rest, model.zones, model.facts.naming)
        yield _unread(model, rest, f"no note for {len(rest):,} of {of_all}", f"{note_unread.mend} Here: {line}")


def _unread(model: SoundModel, paths: Sequence[str], says: str, mend: str) -> Finding:
    return note_unread.finding(
        paths[0] if len(paths) == 1 else "",
        at=At(others=tuple(paths[:_MOST_NAMED])),
        value=len(paths),
        unit="sample",
        says=f"{model.unheld(paths)} not judged: {says}",
        mend=mend,
    )


@sound_rule(
    "names-open",
    WARNS,
    rests_on=(*with_inputs(LOUDNESS, PITCH), ZONES),
    means="Names hold more than could be read for certain: numbers that may count takes or touches.",
    why="Takes and touches that are mixed up are held against one another, and a fault of theirs stays hidden.",
    mend="Write the pattern as it is meant, such as {note}_{velocity}_{take}, into naming.pattern.",
    limit="every number in a name read one way only",
    unknown=True,
)
def names_open(model: SoundModel) -> Iterator[Finding]:
    """Names that are read as far as their note, with a number that neither they nor the levels of the sound settle."""
    for asked in model.names.asked:
        here = [path for path in asked.paths if path in model.zones and model.zones[path].key is not None]
        if here and asked.beside:
            line = line_for(asked, model.facts.naming, model.names.patterns)
            yield names_open.finding(
                at=At(others=tuple(here[:_MOST_NAMED])),
                value=len(here),
                unit="sample",
                says=f"{plural(len(here), 'name')}: {asked.why}",
                mend=f"If so: {line}. {names_open.mend}" if line else None,
            )


@sound_rule(
    "names-disagree",
    WARNS,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES),
    means="The names of the samples say other notes than the samples sound.",
    why="Whoever maps or checks them by their names is led to wrong keys, and real wrong notes are lost among them.",
    mend="Correct the fact on how names are read, or the names.",
    limit="names that mean what is heard",
    source="ISO 16: A4 = 440 Hz; MIDI 1.0: note 69",
)
def names_disagree(model: SoundModel) -> Iterator[Finding]:
    """Names read by a language, a convention or a pattern that two notes and more, all alike, speak against.

    An octave alone is only noted: an instrument may sound an octave from what is written, and be meant to.
    """
    names = model.names
    if names.heard_language:
        read, sounds = TITLES.get(names.language, "English"), TITLES[names.heard_language]
        yield names_disagree.finding(
            at=At(fact="naming.language"),
            says=f"the names are read as {read}, and B, As or Es sound as in {sounds}",
            mend=f"If the names are {sounds}, state it: companion fact FOLDER naming.language {names.heard_language}. "
            "Else these samples are the wrong notes.",
        )
    if names.heard_middle_c:
        yield names_disagree.finding(
            at=At(fact="naming.middle_c"),
            severity=NOTES,
            says=f"by the facts middle C is {names.middle_c}; the samples sound as if it were {names.heard_middle_c}",
            mend=f"If the names count octaves so, state it: companion fact FOLDER naming.middle_c "
            f"{names.heard_middle_c}. If the instrument sounds in another octave than it is written, waive this.",
        )
    if names.heard_offset:
        offset = (model.facts.naming.number_offset or 0) + names.heard_offset
        yield names_disagree.finding(
            at=At(fact="naming.number_offset"),
            value=names.heard_offset,
            unit="semitone",
            says="numbers are read as notes, and all that is heard lies {value} from them",
            mend=f"If the numbers count keys, state it: companion fact FOLDER naming.number_offset {offset}",
        )
    elif names.better:
        yield names_disagree.finding(
            at=At(fact="naming.pattern"),
            says=f"the notes read by the facts’ pattern are not heard; those that {names.better[0]} reads are",
            mend=f"State it: companion fact FOLDER naming.pattern {quoted(names.better[0])}",
        )


@sound_rule(
    "unpitched-tuned",
    WARNS,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES, TUNING),
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
