"""The first paint against an empty app with as many widgets. Run: pytest tests/benchmarks -m benchmark -n 0 -s."""

from __future__ import annotations

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
    print(f"\nfirst paint / an empty app with {count} widgets: {ratio:.2f} (at most 1.5)")
    assert ratio <= 1.5
