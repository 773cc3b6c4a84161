"""Rules about pitch: wrong root notes and samples out of tune, judged against the rest of their instrument."""

from collections.abc import Iterator
from typing import Final

from companion.core.describe import value_text
from companion.core.findings import BLOCKS, WARNS, At, Finding, Severity
from companion.core.text import plural, visible
from companion.core.units import note_name
from companion.sound.checks.model import SoundModel, sound_rule
from companion.sound.measures.versions import LOUDNESS, PITCH, with_inputs
from companion.sound.zones.tuning import TUNING, Tuned, Tuning
from companion.sound.zones.zones import ZONES

PITCH_CENTS: Final = 20.0
SCATTERS: Final = 2.5
_SEMITONE: Final = 85.0
_OFF_SEMITONE: Final = 35.0
_MOST_SEMITONES: Final = 36


def _is_wrong_root(one: Tuned) -> bool:
    """Tell whether a sample lies whole semitones off: the mark of a wrong number rather than of bad tuning."""
    semitones = round(one.cents / 100)
    whole = abs(one.cents) >= _SEMITONE and abs(one.cents - 100 * semitones) <= _OFF_SEMITONE
    sure = one.octave_sure or semitones % 12 != 0
    return whole and sure and one.steady and abs(semitones) <= _MOST_SEMITONES


def _is_between(one: Tuned) -> bool:
    """Tell whether a sample lies over a semitone off and between two: no number is wrong, and no tuning either."""
    apart = abs(one.cents - 100 * round(one.cents / 100))
    return apart > _OFF_SEMITONE and abs(one.cents) <= 100 * _MOST_SEMITONES


def _at(one: Tuned) -> At:
    key = round(one.declared / 100)
    return At(key=key if 0 <= key <= 127 else None)


def _note(model: SoundModel, cents: float) -> str:
    number = round(cents / 100)
    convention = model.facts.naming.middle_c or "C4"
    name = note_name(number, convention, model.facts.naming.language) if 0 <= number <= 127 else "outside MIDI"
    return f"{name} (MIDI {number}, middle C = {convention})"


@sound_rule(
    "wrong-root",
    BLOCKS,
    version=2,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES, TUNING),
    means="A sample sounds a semitone or more away from the note it is declared to have.",
    why="One key, or a stretch of keys, plays the wrong note.",
    mend="Correct the root note in the patch and in the file's name or chunk, or replace the recording.",
    limit="under a semitone from the declared note, with the rest of its instrument for reference",
    unit="semitone",
    source="ISO 16: A4 = 440 Hz; MIDI 1.0: note 69",
)
def wrong_root(model: SoundModel) -> Iterator[Finding]:
    """Samples whose pitch lies a semitone or more from their declared note while their instrument's others agree.

    A whole instrument that lies octaves off is read as another octave convention, or as meant, and is not reported.
    Where more than two notes, and more than 5 %, disagree the layer may be a mixture, and the finding only warns. So it
    does of whole octaves that measuring cannot tell: a bell, or an organ's rank, may have all partials of a note but
    its fundamental, and sound an octave above it.
    """
    for tuning in model.tunings:
        for one in filter(_is_wrong_root, tuning.members):
            semitones = round(one.cents / 100)
            off = f"{plural(abs(semitones), 'semitone')} {'above' if semitones > 0 else 'below'}"
            heard = _note(model, one.measured - 1200 * tuning.octaves * tuning.from_names)
            unsure = semitones % 12 == 0 and not one.octave_plain
            doubt = "; or its fundamental is missing, as in bells and organ ranks: only ears can tell" if unsure else ""
            yield wrong_root.finding(
                one.path,
                at=_at(one),
                value=semitones,
                severity=Severity.WARNS if unsure or not tuning.pure else None,
                says=f"sounds {off} its declared note: {heard}, declared {_note(model, one.declared)}{doubt}",
            )


def limit_of(tuning: Tuning, limit: float) -> float:
    """Return the cents allowed in an instrument: ``limit``, or more where its samples scatter by nature."""
    return max(limit, SCATTERS * tuning.scatter)


@sound_rule(
    "off-pitch",
    WARNS,
    version=2,
    rests_on=(*with_inputs(PITCH, LOUDNESS), ZONES, TUNING),
    means="A sample is out of tune with its declared note, measured against the rest of its instrument.",
    why="The key beats against its neighbours, and chords sound sour.",
    mend="Tune the sample in the patch by the cents measured here; if the detuning is meant, waive it.",
    limit="within {bound}",
    unit="cents",
    bound=PITCH_CENTS,
    source="Moore, An Introduction to the Psychology of Hearing: 5 to 10 cents are noticed; the limit is twice that",
)
def off_pitch(model: SoundModel) -> Iterator[Finding]:
    """Samples further from their note than the limit (default 20 cents), when steady and clear enough to tell.

    Twice what trained listeners notice between successive tones (Moore, chapter 6) leaves room for players and
    instruments that breathe. Instruments whose samples scatter by nature are given two and a half times their own
    median distance. An instrument that is tuned away from A = 440 Hz as a whole is reported once. What lies over a
    semitone off, but at no whole one, is wrong as well: another rate, or a transposition by less than a semitone.
    """
    limit = model.facts.limits.pitch_cents or PITCH_CENTS
    for tuning in model.tunings:
        if abs(tuning.cents) > limit:
            yield off_pitch.finding(
                at=At(others=tuple(one.path for one in tuning.members)),
                value=round(tuning.cents, 1),
                bound=limit,
                says=f"all of “{visible(tuning.layer)}” lies {value_text(tuning.cents, 'signed cents')} from its notes",
                mend="If the tuning is meant, say so in the readme and waive this; else tune the patch as a whole.",
            )
        most = limit_of(tuning, limit)
        for one in tuning.members:
            off = abs(one.cents)
            if one.firm and off > most and (off < 100 or _is_between(one)) and not _is_wrong_root(one):
                says = value_text(one.cents, "signed cents")
                if off >= 100:
                    heard = _note(model, one.measured - 1200 * tuning.octaves * tuning.from_names)
                    says += f", between two semitones: {heard} is nearest"
                yield off_pitch.finding(one.path, at=_at(one), value=round(one.cents, 1), bound=most, says=says)
