"""An instrument of real recordings: that it is one, and holds what the bank holds."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from companion.core.facts import facts_from_toml
from companion.core.units import read_note


def test_it_holds_real_recordings_bit_for_bit(real_instrument: Path, recorded_bank: list[Any]) -> None:
    there = Counter(np.rint(one.samples * 32768).astype(np.int16).tobytes() for one in recorded_bank)
    files = sorted(real_instrument.glob("Samples/*/*.wav"))
    assert 60 <= len(files) <= 120
    for path in files:
        frames, rate = soundfile.read(path, dtype="int16")
        assert rate == 22_050
        assert there[frames.tobytes()] > 0, path.name
    roots = [read_note(path.stem.split("_")[1])[0] for path in files]
    assert None not in roots
    assert len(set(roots)) > 20


def test_its_facts_are_complete_and_its_patch_names_every_sample(real_instrument: Path) -> None:
    facts = facts_from_toml((real_instrument / "release.toml").read_text("utf-8"))
    assert facts.engine.minimum == facts.engine.saved_with
    patch = (real_instrument / facts.contents.patches[0]).read_bytes()
    for path in real_instrument.glob("Samples/*/*.wav"):
        assert path.relative_to(real_instrument).as_posix().encode() + b"\0" in patch
