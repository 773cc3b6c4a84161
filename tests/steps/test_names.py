"""How names are read, as the first look proposes it, the Sound step says it, and a performance takes it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from companion.core.cache import Cache
from companion.core.facts import Facts
from companion.core.progress import QUIET
from companion.sound.checks.model import sound_model
from companion.sound.measures.measured import Measured
from companion.sound.zones.listening import MOST_HEARD, worth_hearing
from companion.sound.zones.naming import Placed
from companion.sound.zones.reading import NameReading, read_names
from companion.steps.deeds.start import propose
from companion.steps.looks.performance import _take_counts
from companion.steps.looks.sound import read_as

NOTES = {"C3": 60, "E3": 64, "G3": 67, "B3": 70, "C4": 72, "B4": 82}


def tone(path: Path, note: float) -> None:
    seconds = np.arange(8_000) / 16_000
    wave = sum(np.sin(2 * np.pi * 440 * 2 ** ((note - 69) / 12) * partial * seconds) / partial for partial in (1, 2, 3))
    soundfile.write(path, 0.3 * wave * np.exp(-3 * seconds), 16_000, subtype="PCM_16")


@pytest.fixture(scope="module")
def rohr(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Names in German, which two notes tell by their sound alone, of a maker whose middle C is C3."""
    folder: Path = tmp_path_factory.mktemp("names") / "Rohr"
    folder.mkdir()
    for name, note in NOTES.items():
        tone(folder / f"Rohr {name}.wav", note)
    return folder


def test_the_first_look_hears_a_few_samples_and_says_what_they_settled(rohr: Path) -> None:
    found = propose(rohr, QUIET, Cache(None))
    naming = found.facts.naming
    assert (naming.pattern, naming.language, naming.middle_c) == ("{layer} {note}", "german", "C3")
    assert "Names are read as {layer} {note}: 6 of 6." in found.lines
    assert "Rohr B3.wav: B3 (MIDI 70), layer Rohr." in found.lines
    assert "The notes are German: B sound so on 2 notes." in found.lines
    assert "Middle C is C3: 6 of 6 notes heard sound so." in found.lines
    assert "naming.middle_c" not in [key for key, _ in found.asks]


def test_a_few_that_lie_apart_are_heard_and_some_of_what_is_asked() -> None:
    paths = [f"{note:03}_{take}.wav" for note in range(20, 110) for take in range(6)]
    asked = read_names(paths, Facts().naming)
    chosen = worth_hearing(paths, asked)
    assert len(chosen) == len(set(chosen)) <= MOST_HEARD
    assert len({path[:3] for path in chosen}) >= 20
    assert worth_hearing(paths[:5], NameReading()) == paths[:5]


def test_the_line_of_the_step_says_how_names_are_read_where_no_fact_does(rohr: Path) -> None:
    sound: dict[str, Any] = {"pitch_trust": 0.99, "pitch_spread": 2.0}
    files = {f"Rohr {name}.wav": Measured(pitch_cents=100.0 * note, **sound) for name, note in NOTES.items()}
    heard = ["the notes are German: B sound so on 2 notes", "middle C is C3: 6 of 6 notes heard sound so"]
    assert read_as(sound_model(files, {}, Facts())) == ["names read as {layer} {note}", *heard]
    stated = Facts(naming=propose(rohr).facts.naming)
    assert read_as(sound_model(files, {}, stated)) == []
    assert read_as(sound_model({"rain.wav": Measured()}, {}, Facts())) == []


def test_positions_and_releases_are_no_takes_of_a_performance() -> None:
    close = {
        f"{take}{place}": Placed(note=60, take=take, microphone=place) for take in "12" for place in ("close", "room")
    }
    assert _take_counts({path: (place, 60) for path, place in close.items()}) == {2}
    let_go = {f"{take} rel": Placed(note=60, take=take, release=True) for take in "12345"}
    assert _take_counts({path: (place, 60) for path, place in (close | let_go).items()}) == {2}
