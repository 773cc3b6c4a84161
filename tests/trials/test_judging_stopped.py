"""Judging stops where it is asked to: counted in what is read of the sound after that, not in time."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import soundfile

from companion.core.errors import Cancelled
from companion.core.progress import Watch
from companion.trials.performance.bounce import BLOCK, Bounce
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import Playable, plan_keys
from companion.trials.performance.midi import PLAIN, midi_bytes

RATE = 22_050
MOST_READS = 8
"""Reads that belong to one note or one row of voices, and are done together."""


class Stopping(Bounce):
    """A bounce during whose read number ``at`` the maker stops the work. after: frames of each read behind that."""

    def __init__(self, path: Path, watch: Watch, at: int) -> None:
        super().__init__(path)
        self.watch, self.at, self.reads = watch, at, 0
        self.after: list[int] = []

    def _read(self, count: int) -> Any:
        data = super()._read(count)
        self.reads += 1
        if self.watch.cancelled:
            self.after.append(len(data))
        elif self.reads == self.at:
            self.watch.cancel()
        return data


@pytest.fixture(scope="module")
def bounce(tmp_path_factory: pytest.TempPathFactory, standin: Any) -> tuple[Path, Any]:
    score = plan_keys(Playable(keys=tuple(range(60, 66)), velocities=(40, 100), takes=2, patch="ab"), 0, None)
    instrument = standin.Made("organ", seed=5, rate=RATE, takes=2)
    data = standin.render(midi_bytes(score, "Slate", PLAIN), instrument, host="A", seed=1, faults=standin.Faults())
    path = tmp_path_factory.mktemp("bounce") / "whole.wav"
    soundfile.write(path, data, RATE)
    return path, score


def test_wherever_it_is_stopped_little_more_is_read(bounce: tuple[Path, Any]) -> None:
    path, score = bounce
    with Stopping(path, Watch(), 0) as whole:
        assert judge(whole, [score]).verdicts == ()
    assert whole.reads > 80
    worst: dict[int, int] = {}
    for at in range(1, whole.reads + 1, 7):
        watch = Watch()
        with Stopping(path, watch, at) as sound:
            try:
                judge(sound, [score], watch)
            except Cancelled:
                pass
            else:
                assert at > whole.reads - MOST_READS, (
                    f"stopped at read {at} of {whole.reads}, and it went on to its end"
                )
        worst[at] = len(sound.after)
        assert sum(sound.after) <= BLOCK
    assert max(worst.values()) <= MOST_READS, worst
