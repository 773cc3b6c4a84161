"""Bounce the demo's performance by the stand-in host of the tests, since no engine opens an invented patch.

    python demo_project/bounce.py FOLDER PERFORMANCE.mid BOUNCE.wav

FOLDER is a copy of the demo (``companion demo FOLDER``), PERFORMANCE.mid what ``companion perform FOLDER`` wrote. The
struck layer is played, with its faults as they stand in the folder.
"""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def bounce(folder: Path, performance: Path, target: Path) -> None:
    """Render ``performance`` with the struck samples of ``folder`` and write ``target``, 24 bits."""
    sys.path.insert(0, str(ROOT / "tests"))
    import soundfile
    from standin.host import render
    from standin.instruments import Folder

    files = list((folder / "Samples" / "Struck").glob("*.wav"))
    instrument = Folder(files)
    soundfile.write(target, render(performance.read_bytes(), instrument), instrument.rate, subtype="PCM_24")


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    bounce(*map(Path, sys.argv[1:]))
