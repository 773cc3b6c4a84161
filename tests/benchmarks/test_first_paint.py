"""The first paint against an empty app with as many widgets, and what the app holds of a large folder.

Run: pytest tests/benchmarks/test_first_paint.py -m benchmark -n 0 -s.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.benchmark

OURS = """
import os, sys
from pathlib import Path
from companion.tui.app import CompanionApp
class First(CompanionApp):
    def open_folder(self):
        if len(sys.argv) > 2:
            print(len(list(self.screen.walk_children())))
            sys.stdout.flush()
        os._exit(0)
First(Path(sys.argv[1])).run(headless=True, size=(80, 24))
"""
EMPTY = """
import os, sys
from textual.app import App
from textual.widgets import Static
class Empty(App):
    ENABLE_COMMAND_PALETTE = False
    def compose(self):
        for _ in range(int(sys.argv[1])):
            yield Static("")
    def on_mount(self):
        self.call_after_refresh(os._exit, 0)
Empty().run(headless=True, size=(80, 24))
"""


def seconds(*command: str) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", *command], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def test_first_paint_is_near_an_empty_app(demo_folder: Path) -> None:
    count = subprocess.run(
        [sys.executable, "-c", OURS, str(demo_folder), "count"], check=True, capture_output=True, text=True
    ).stdout.strip()
    seconds(OURS, str(demo_folder)), seconds(EMPTY, count)
    ratio = statistics.median(seconds(OURS, str(demo_folder)) / seconds(EMPTY, count) for _ in range(15))
    print(f"\nfirst paint / an empty app with {count} widgets: {ratio:.2f} (at most 1.2)")
    assert ratio <= 1.2


HELD = """
import asyncio, os, resource, sys
from pathlib import Path
from companion.tui.app import CompanionApp
async def look():
    app = CompanionApp(Path(sys.argv[1]))
    async with app.run_test(size=(80, 24)) as pilot:
        for key in ("", "2", "3", "4"):
            if key:
                await pilot.press(key)
            for _ in range(10):
                await app.workers.wait_for_complete()
                await pilot.pause(0.1)
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024))
        sys.stdout.flush()
        os._exit(0)
asyncio.run(look())
"""


@pytest.mark.skipif(os.name == "nt", reason="the peak of a process is not told there in this way")
def test_memory_on_20_000_files(tmp_path: Path) -> None:
    """The folder opened, and Contents, Paths and Sound looked at in turn, in the app as it runs."""
    for part in range(200):
        (tmp_path / "Samples" / f"{part:03}").mkdir(parents=True)
        for index in range(100):
            (tmp_path / "Samples" / f"{part:03}" / f"Slate_{index:03}.wav").write_bytes(b"%d %d" % (part, index))
    (tmp_path / "Slate.slab").write_bytes(b"patch")
    (tmp_path / "release.toml").write_text(
        '[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n[contents]\npatches = ["Slate.slab"]\n', "utf-8"
    )
    done = subprocess.run([sys.executable, "-c", HELD, str(tmp_path)], check=True, capture_output=True, text=True)
    peak = int(done.stdout.split()[-1])
    print(f"\nthe app on 20,000 files holds {peak / 1e6:.0f} MB at its peak (at most 200)")
    assert peak <= 200e6
