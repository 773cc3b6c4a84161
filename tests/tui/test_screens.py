"""The screens as they look, at three sizes, held to pictures in text that somebody looked at.

``COMPANION_WRITE_SCREENS=1`` writes them anew, to be looked at.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

import pytest

from companion.core.findings import Severity
from companion.core.progress import QUIET
from companion.steps.model import State
from companion.steps.table import STEPS
from tests.tui.conftest import Bench, Opened, finding
from tests.tui.test_wording import came

SCREENS: Final = Path(__file__).parent / "screens"
SIZES: Final = ((80, 24), (120, 40), (200, 60))
WALKS: Final = {
    "findings": ("4",),
    "table": ("1", "right", "right", "right", "right", "enter"),
    "texts": ("8",),
}


@pytest.fixture
def shown(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A bench with a finding of each weight, a state of each kind, and a text."""
    states = [*State, *State]
    bench.states = {step.id: states[place] for place, step in enumerate(STEPS)}
    bench.found["sound"] = (
        finding("clipped", "Samples/Struck/struck_C3_v110_rr1.wav"),
        finding("starts-hot", "Samples/Hummed/hummed_E3_v80_rr1.wav", severity=Severity.WARNS),
        finding("noise-builds-up", severity=Severity.WARNS, waived="meant"),
    )
    monkeypatch.setattr(bench, "worded", lambda what, fmt="md", watch=QUIET: came(limit=4000))
    monkeypatch.setattr(bench, "sights", lambda watch=QUIET: pytest.fail("nothing is drawn here"))
    return bench


@pytest.mark.parametrize("name", WALKS)
async def test_a_screen_looks_as_it_was_looked_at(shown: Bench, opened: Opened, name: str) -> None:
    async with opened(shown) as hand:
        await hand.press(*WALKS[name])
        for width, height in SIZES:
            await hand.pilot.resize_terminal(width, height)
            await hand.rest()
            text = f"{hand.text()}\n"
            place = SCREENS / f"{name} {width}x{height}.txt"
            if os.environ.get("COMPANION_WRITE_SCREENS"):
                place.parent.mkdir(exist_ok=True)
                place.write_text(text, encoding="utf-8")
            assert text == place.read_text(encoding="utf-8"), place.name
