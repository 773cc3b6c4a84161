"""Bounce the demo's performance by the stand-in hosts of the tests, since no engine opens an invented patch.

    python demo_project/bounce.py FOLDER PERFORMANCE.mid BOUNCE.wav

FOLDER is a copy of the demo (``companion demo FOLDER``), PERFORMANCE.mid a file that ``companion perform FOLDER``
wrote: of the keys, or of the controls. Samples are played as they lie in the folder, with their faults. It needs what
the tests need (``pip install -e '.[test]'``).
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
CONTROLS = {"lowpass": 70, "layer": 1, "other": 80, "reverb": 91}
"""What the controls of the demo move in the stand-in host, and their controllers: Body, Air, Brush, Cave."""
RESTS = {"lowpass": 64, "reverb": 25}


def bounce(folder: Path, performance: Path, target: Path) -> None:
    """Render ``performance`` with the samples of ``folder`` and write ``target``, 24 bits."""
    sys.path.insert(0, str(ROOT / "tests"))
    try:
        sound, rate = _rendered(folder / "Samples", performance.read_bytes())
    finally:
        sys.path.remove(str(ROOT / "tests"))
    import soundfile

    soundfile.write(target, sound, rate, subtype="PCM_24")


def _rendered(samples: Path, midi: bytes) -> tuple[Any, int]:
    from standin import host, instruments

    if b"performance; controls;" in midi:
        from standin import panel_host

        key = next(on[2] for on in panel_host.read_events(midi)[0])
        wires = [panel_host.Wire(cc, effect, rest=RESTS.get(effect, 0)) for effect, cc in CONTROLS.items()]
        source = _source(samples, key, panel_host)
        return panel_host.render(midi, source, wires), source.rate
    instrument = instruments.Folder(list((samples / "Struck").glob("*.wav")))
    return host.render(midi, instrument), instrument.rate


def _source(samples: Path, key: int, panel_host: Any) -> Any:
    """Return what the panel plays: struck by turns, brushed in its place, hummed beside it."""
    struck = _read(samples / "Struck", key, "v110")
    brushed, hummed = _read(samples / "Brushed", key, "v80")[-1], _read(samples / "Hummed", key, "v80")[0]
    again = -(-6 * 22_050 // len(hummed))
    return panel_host.Source(
        takes=tuple(struck), second=_joined(hummed, again), key=key, rate=22_050, second_speed=1.0, other=brushed
    )


def _read(folder: Path, key: int, touch: str) -> list[Any]:
    """Return the takes of the note nearest to ``key`` as stereo at 22.05 kHz, each as long as three seconds or more."""
    import numpy as np
    import soundfile
    from standin.instruments import _played

    by_note: dict[int, list[Any]] = {}
    for path in sorted(folder.glob(f"[a-z]*_{touch}_rr*.wav")):
        match = re.fullmatch(r".*_([A-G])(\d)_v\d+_rr\d+", path.stem)
        if match:
            note = 12 * (int(match[2]) + 2) + "C D EF G A B".index(match[1])
            data, rate = soundfile.read(path, dtype="float32", always_2d=True)
            by_note.setdefault(note, []).append((data, rate))
    note = min(by_note, key=lambda one: abs(one - key))
    found = []
    for data, rate in by_note[note]:
        ratio = 2 ** ((key - note) / 12) * rate / 22_050
        mono = _played(data[:, 0], ratio, int(len(data) / ratio), None)
        whole = np.zeros((max(len(mono), 3 * 22_050), 2), np.float32)
        whole[: len(mono)] = mono[:, None] * np.float32(0.5)
        found.append(whole)
    return found


def _joined(data: Any, times: int) -> Any:
    """Return a sound over and over, each crossing over 0.2 s into the next: it lasts as long as a key may be held."""
    import numpy as np

    over = 22_050 // 5
    whole = np.zeros(((len(data) - over) * times + over, 2), np.float32)
    fade = np.linspace(0, 1, over, dtype=np.float32)[:, None]
    shaped = data.copy()
    shaped[:over] *= fade
    shaped[-over:] *= 1 - fade
    for time in range(times):
        first = time * (len(data) - over)
        whole[first : first + len(data)] += shaped
    return whole


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    bounce(*map(Path, sys.argv[1:]))
