"""What the small commands import: their start is most of what they cost, and imports are most of that start.

Counted, not timed: how long an import takes depends on the computer, which modules there are does not. A command that
comes to need more than its bound imports something that another part of the program uses: import it there.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = {
    *("numpy", "scipy", "soundfile", "PIL", "mido", "textual", "rich", "git", "isal", "markdown_it", "jinja2"),
    *("tomlkit", "filelock", "merge3", "asyncio", "multiprocessing", "concurrent.futures", "logging", "ssl", "email"),
    *("http", "xml", "unittest", "zipfile", "tarfile", "importlib.metadata"),
}
"""What none of them needs: it draws, measures, drafts, packs or writes."""
RUN = """
import json, sys
from companion.cli import main
try:
    main()
except SystemExit as left:
    code = left.code or 0
json.dump([code, sorted(sys.modules)], sys.stderr)
"""
FOLDER = "FOLDER"
SMALL = [
    (["--version"], 10),
    (["status", "--help"], 12),
    (["completion", "bash"], 12),
    (["status", FOLDER], 108),
    (["status", FOLDER, "--json"], 108),
    (["snapshots", FOLDER, "--json"], 61),
    (["snapshots", FOLDER, "--size"], 84),
    (["fact", FOLDER, "engine.name"], 58),
    (["needs", FOLDER], 80),
    (["trials", FOLDER], 90),
    (["away", FOLDER], 92),
    (["contents", FOLDER], 122),
    (["explain", "starts-hot"], 148),
    (["explain"], 148),
]
MOST = 330
"""Modules of any kind. Python's own differ a little from one version to the next."""


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo, with a snapshot, that was looked at before."""
    folder = tmp_path_factory.mktemp("imports") / "slate"
    for command in (["demo", folder], ["snapshot", folder, "-m", "first"], ["check", folder, "facts", "paths"]):
        subprocess.run([sys.executable, "-m", "companion", *map(str, command)], capture_output=True, check=False)
    subprocess.run([sys.executable, "-m", "companion", "status", str(folder)], capture_output=True, check=False)
    assert (folder / ".companion" / "cache.sqlite3").is_file()
    return folder


@pytest.mark.parametrize(
    ("command", "most"), SMALL, ids=lambda value: " ".join(value) if isinstance(value, list) else ""
)
def test_a_small_command_imports_what_it_needs(looked_at: Path, command: list[str], most: int) -> None:
    arguments = [str(looked_at) if word == FOLDER else word for word in command]
    done = subprocess.run([sys.executable, "-c", RUN, *arguments], capture_output=True, text=True, check=True)
    code, modules = json.loads(done.stderr.splitlines()[-1])
    assert code in (0, 1)
    assert HEAVY & set(modules) == set()
    own = [name for name in modules if name.partition(".")[0] == "companion"]
    assert len(own) <= most, own
    assert len(modules) <= MOST, modules
