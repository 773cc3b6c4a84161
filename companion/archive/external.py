"""Other programs that open archives, asked for their opinion where they are installed."""

import os
import re
import shutil
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from companion.archive.model import Opinion
from companion.core.progress import Watch
from companion.core.text import shorten, visible

_SLOWEST: Final = 2_000_000
"""Bytes a second below which a tool is taken to hang."""


def ask(path: Path, watch: Watch) -> list[Opinion]:
    """Return what ``unzip -t`` and ``7z t``, asked side by side, say of the archive; an empty list where neither is
    installed.
    """
    place = str(path.resolve())
    seconds = 60 + path.stat().st_size / _SLOWEST
    tools = {"unzip": ["-tqq", _as_pattern(place)], "7z": ["t", "-spd", "-bd", "-y", "-p", "--", place]}
    commands = [(tool, [found, *rest]) for tool, rest in tools.items() if (found := shutil.which(tool))]
    if not commands:
        return []
    with ThreadPoolExecutor(len(commands), thread_name_prefix="ask") as pool:
        asked = [pool.submit(_ask, tool, command, seconds, watch) for tool, command in commands]
        return [one.result() for one in asked]


def _as_pattern(place: str) -> str:
    """Return the pattern that means ``place`` and nothing else: unzip takes the name of an archive for one.

    The folders before the name it takes as they are written. 7z does so too, unless it is told not to (``-spd``).
    """
    if os.name == "nt" or not re.search(r"[*?\[]", place):
        return place
    folder, slash, name = place.rpartition("/")
    return folder + slash + re.sub(r"[*?\[]", lambda found: f"[{found[0]}]", name.replace("\\", "\\\\"))


def _ask(tool: str, command: list[str], seconds: float, watch: Watch) -> Opinion:
    deadline = time.monotonic() + seconds
    try:
        with subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        ) as process:
            output = None
            try:
                while output is None:
                    try:
                        output, _ = process.communicate(timeout=0.2)
                    except subprocess.TimeoutExpired:
                        watch.check()
                        if time.monotonic() > deadline:
                            return Opinion(tool=tool, complaint="it did not finish", doubtful=True)
            finally:
                process.kill()  # does nothing where it has ended
    except OSError as error:
        return Opinion(tool=tool, complaint=f"it could not be started: {error.strerror}", doubtful=True)
    if (code := process.returncode) == 0:
        return Opinion(tool=tool)
    lines = [line.strip() for line in output.decode("utf-8", "replace").splitlines() if line.strip()]
    complaint = shorten(visible(" / ".join(lines[:2] if tool == "unzip" else lines[-4:])), 200)
    # Both end with 1 for what they only warn of.
    return Opinion(tool=tool, complaint=complaint or f"exit code {code}", doubtful=code == 1)
