"""A bounce of half an hour at 96 kHz is read as it goes by: its memory stays small, and judging it can be stopped."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from companion.core.errors import Cancelled
from companion.core.progress import Watch
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import Playable, plan_keys
from tests.trials.test_judging_stopped import MOST_READS, Stopping

RATE = 96_000
MINUTES = 30
PLAYED = Playable(keys=tuple(range(21, 109)), velocities=(20, 50, 80, 110), takes=4)
JUDGE = """
import resource, sys, time
from pathlib import Path
from tests.awkward.test_performance_long import PLAYED
from companion.trials.performance.bounce import Bounce
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import plan_keys
with Bounce(Path(sys.argv[1])) as sound:
    began = time.process_time()
    judged = judge(sound, [plan_keys(PLAYED)])
    spent = time.process_time() - began
most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
print(judged.score is not None, most, round(sound.seconds / spent))
"""


def bounced(path: Path) -> None:
    """Write the performance, each note a few partials that die away, and silence behind it."""
    notes = plan_keys(PLAYED).notes
    with soundfile.SoundFile(str(path), "w", RATE, 2, "PCM_16") as out:
        for second in range(0, 60 * MINUTES, 10):
            block = np.zeros(10 * RATE, np.float32)
            for note in notes:
                if note.off / 1000 > second - 1 and note.on / 1000 < second + 10:
                    first = round((note.on / 1000 - second) * RATE)
                    time = np.arange(max(0, first), min(len(block), first + (note.off - note.on + 400) * RATE // 1000))
                    since = ((time - first) / RATE).astype(np.float32)
                    hertz = 440 * 2 ** ((note.key - 69) / 12)
                    tone = sum(np.sin(2 * np.pi * hertz * n * since) / n for n in (1, 2, 3, 4))
                    block[time] += 0.002 * note.velocity / 127 * tone * np.exp(-since * 6)
            out.write(np.stack([block, block * 0.8], axis=1))


@pytest.mark.slow
@pytest.mark.timeout(1800)
@pytest.mark.skipif(sys.platform == "win32", reason="memory is counted otherwise there")
def test_half_an_hour_is_judged_in_little_memory_and_can_be_stopped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "long.wav"
    bounced(path)
    run = subprocess.run([sys.executable, "-c", JUDGE, str(path)], capture_output=True, text=True, check=True)
    found, megabytes, speed = run.stdout.split()
    with capsys.disabled():
        print(f"\n{MINUTES} min at {RATE} Hz: {megabytes} MiB, {speed} × real time in one process")
    assert found == "True"
    assert int(megabytes) <= 400
    # Stopped while it listens, while it finds the performance, and while it judges note by note.
    for at in (50, 1_400, 2_000):
        watch = Watch()
        with Stopping(path, watch, at) as sound, pytest.raises(Cancelled):
            judge(sound, [plan_keys(PLAYED)], watch)
        assert sound.reads - at == len(sound.after) <= MOST_READS
        assert sum(sound.after) <= 4 * RATE
