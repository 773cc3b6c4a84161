"""Checks of pitch: wrong root notes and samples out of tune, judged against the rest of their instrument."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from companion.core.findings import Finding, Severity
from companion.core.text import visible
from companion.core.units import note_name
from companion.sound.checks import texts as rules
from companion.sound.checks.model import SoundModel
from companion.sound.zones.tuning import Tuned, Tuning

PITCH_CENTS: Final = 20.0
SCATTERS: Final = 2.5
_SEMITONE: Final = 85.0
_OFF_SEMITONE: Final = 35.0
_MOST_SEMITONES: Final = 36


def _is_wrong_root(one: Tuned) -> bool:
    """Tell whether a sample lies whole semitones off: the mark of a wrong number rather than of bad tuning."""
    semitones = round(one.cents / 100)
    if (
        abs(one.cents) < _SEMITONE
        or abs(one.cents - 100 * semitones) > _OFF_SEMITONE
        or abs(semitones) > _MOST_SEMITONES
        or not one.steady
    ):
        return False
    return semitones % 12 != 0 or one.octave_sure


def _note(model: SoundModel, cents: float) -> str:
    number = round(cents / 100)
    convention = model.facts.naming.middle_c or "C4"
    name = note_name(number, convention) if 0 <= number <= 127 else "outside MIDI"
    return f"{name} (MIDI {number}, middle C = {convention})"


def wrong_root(model: SoundModel) -> list[Finding]:
    """Samples whose pitch lies a semitone or more from their declared note while their instrument's others agree.

    A whole instrument that lies octaves off is read as another octave convention, or as meant, and is not reported.
    Where more than two samples, and more than 5 %, disagree the layer may be a mixture, and the finding only warns.
    """
    findings = []
    for tuning in model.tunings:
        for one in tuning.members:
            if _is_wrong_root(one):
                semitones = round(one.cents / 100)
                findings.append(
                    rules.WRONG_ROOT.finding(
                        one.path,
                        severity=None if tuning.pure else Severity.WARNS,
                        measured=f"sounds {abs(semitones)} semitone{'s' * (abs(semitones) > 1)} "
                        f"{'above' if semitones > 0 else 'below'} its declared note: "
                        f"{_note(model, one.measured - 1200 * tuning.octaves * tuning.from_names)}, "
                        f"declared {_note(model, one.declared)}",
                    )
                )
    return findings


def limit_of(tuning: Tuning, limit: float) -> float:
    """Return the cents allowed in an instrument: ``limit``, or more where its samples scatter by nature."""
    return max(limit, SCATTERS * tuning.scatter)


def off_pitch(model: SoundModel) -> list[Finding]:
    """Samples further from their note than the limit (default 20 cents), when steady and clear enough to tell.

    Five to ten cents are what trained listeners notice between successive tones (Moore, "An Introduction to the
    Psychology of Hearing", chapter 6); twice that leaves room for players and instruments that breathe. Instruments
    whose samples scatter by nature are given two and a half times their own median distance. An instrument that is
    tuned away from A = 440 Hz as a whole is told once.
    """
    limit = model.facts.limits.pitch_cents or PITCH_CENTS
    findings = []
    for tuning in model.tunings:
        if abs(tuning.cents) > limit:
            findings.append(_whole(model, tuning, limit))
        most = limit_of(tuning, limit)
        findings += [
            rules.OFF_PITCH.finding(one.path, measured=f"{_signed(one.cents)} cents", limit=f"within {most:.0f} cents")
            for one in tuning.members
            if one.firm and most < abs(one.cents) and not _is_wrong_root(one) and abs(one.cents) < 100
        ]
    return findings


def _whole(model: SoundModel, tuning: Tuning, limit: float) -> Finding:
    return rules.OFF_PITCH.finding(
        measured=f"all of “{visible(tuning.layer)}” lies {_signed(tuning.cents)} cents from its notes",
        limit=f"within {limit:g} cents",
        mend="If the tuning is meant, say so in the readme and waive this; else tune the patch as a whole.",
    )


def _signed(cents: float) -> str:
    return f"{cents:+.0f}".replace("-", "−")


PITCH_CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (wrong_root, off_pitch)
