"""What cannot be judged is told: no sample, no note; and what the facts say of it is held against what is heard."""

from __future__ import annotations

from typing import Any

import pytest

from companion.core.entries import Kind
from companion.core.facts import Facts, Instrument, Naming
from companion.core.findings import Finding
from companion.core.rules import findings_of
from companion.core.text import plural
from companion.sound.checks.model import SoundModel, sound_model
from companion.sound.checks.unjudged import note_unread, sample_none, unpitched_tuned
from companion.sound.measures.measured import Measured
from companion.steps.looks.sound import unjudged

RULES = (sample_none, note_unread, unpitched_tuned)
LOOPS = Facts(naming=Naming(unpitched=("Loops/*",)))


def model(files: dict[str, Measured], facts: Facts | None = None, **kinds: Kind) -> SoundModel:
    return sound_model(files, {f"{name}.wav": kind for name, kind in kinds.items()}, facts or Facts())


def told(*given: Any, **more: Any) -> list[Finding]:
    return list(findings_of(RULES, model(*given, **more)))


def test_no_sample_is_unknown_until_it_is_stated(good: Any) -> None:
    (finding,) = told({})
    assert (finding.rule, finding.unknown, finding.blocks) == ("sample-none", True, False)
    (finding,) = told({"hall.wav": good()}, hall=Kind.IMPULSE)
    assert finding.rule == "sample-none", "an impulse response is none"
    stated = Facts(instrument=Instrument(without=("samples",)))
    assert told({}, stated) == []
    assert unjudged(model({}, stated)) == ["the facts state that there are no samples"]
    assert told({"slate_C3.wav": good()}) == []


def test_a_sample_without_a_note_is_unknown_until_it_is_stated_to_play_none(good: Any) -> None:
    files = {"slate_C3.wav": good(), "Loops/rain.wav": good(), "Loops/wind.wav": good()}
    (finding,) = told(files)
    assert (finding.rule, finding.unknown, finding.value) == ("note-unread", True, 2)
    assert finding.measured == "pitch, levels and takes not judged: no note for 2 of 3 samples"
    assert finding.at.others == ("Loops/rain.wav", "Loops/wind.wav")
    assert told(files, LOOPS) == []
    (other,) = told(files, Facts(naming=Naming(unpitched=("Loops/rain.wav",))))
    assert (other.path, other.value) == ("Loops/wind.wav", 1)
    assert told({"slate_C3.wav": good()}) == []
    assert told({"slate.wav": good(root_note=60)}) == [], "its header tells"


@pytest.mark.parametrize(
    ("name", "unheld"),
    [
        ("Kick", "pitch, levels and takes"),
        ("Kick_v{}", "pitch, levels and takes"),
        ("Kick_rr{}", "pitch and levels beside other notes"),
    ],
)
def test_takes_that_names_number_are_judged_without_a_note_and_not_called_unjudged(
    good: Any, name: str, unheld: str
) -> None:
    files = {f"Kit/{name.format(take)}.wav": good() for take in (1, 2)}
    (finding,) = told(files)
    assert finding.measured == f"{unheld} not judged: no note for {len(files)} of {plural(len(files), 'sample')}"
    assert f"{unheld} of {len(files)} not judged: no note" in unjudged(model(files))


@pytest.mark.parametrize(
    ("facts", "line"),
    [
        (Facts(), ["pitch, levels and takes of 1 not judged: no note"]),
        (LOOPS, ["1 stated to play no note"]),
    ],
)
def test_the_line_says_what_was_not_judged(good: Any, facts: Facts, line: list[str]) -> None:
    pitch = ["pitch of 1 not judged: not steady enough, or too few alike"]
    assert unjudged(model({"slate_C3.wav": good(), "Loops/rain.wav": good()}, facts)) == [*line, *pitch]


def tuned(good: Any, *notes: tuple[str, float]) -> dict[str, Measured]:
    return {
        f"Loops/slate_{name}.wav": good(pitch_cents=cents, pitch_trust=0.99, pitch_spread=1.0) for name, cents in notes
    }


def test_what_is_stated_to_play_no_note_and_plays_the_one_it_says_is_told(good: Any) -> None:
    files = tuned(good, ("C4", 6000.0), ("E4", 6400.0), ("G4", 6700.0))
    (finding,) = told(files, LOOPS)
    assert (finding.rule, finding.value, finding.unknown) == ("unpitched-tuned", 3, False)
    assert told(files) == []
    noise = tuned(good, ("C4", 6011.0), ("E4", 7150.0), ("G4", 5280.0))
    assert told(noise, LOOPS) == [], "a kit is mapped by notes that it does not sound"
