"""Run everything the test command holds: format, lint, types, import contracts, tests. Stops at nothing, tells all.

    python tests/run_all.py            what every change must pass
    python tests/run_all.py --quick    the same without the outside checks
    … --durations FILE                 and how long each test took, in FILE (JUnit's XML)

Slow campaigns and benchmarks have their own commands; DEVELOPERS.md names them.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sysconfig.get_path("scripts"))


def _types_for(system: str) -> list[str]:
    """Return what checks the package as it runs on another system, with a cache of its own."""
    return [sys.executable, "-m", "mypy", "--platform", system, "--cache-dir", f".mypy_cache/{system}", "companion"]


def main() -> int:
    """Return 0 when every part passed."""
    quick = "--quick" in sys.argv[1:]
    told = sys.argv[sys.argv.index("--durations") + 1] if "--durations" in sys.argv else ""
    durations = [f"--junitxml={Path(told).resolve()}"] if told else []
    workers = str(2 + max(2, os.cpu_count() or 2))  # two more than there are cores: many tests wait for a disk
    parts: list[tuple[str, list[str]]] = [
        ("format", [str(BIN / "ruff"), "format", "--check", "."]),
        ("lint", [str(BIN / "ruff"), "check", "."]),
        ("types", [sys.executable, "-m", "mypy"]),
        # Tests say themselves where they run; the package has to be right on every system, whichever this one is.
        *(
            (f"types for {system}", _types_for(system))
            for system in ("win32", "darwin", "linux")
            if system != sys.platform
        ),
        ("imports", [str(BIN / "lint-imports")]),
        (
            "tests",
            [sys.executable, "-m", "pytest", "-n", workers, *(["--ignore=tests/outside"] if quick else []), *durations],
        ),
    ]
    failed = []
    for name, command in parts:
        began = time.monotonic()
        print(
            f"== {name}: {' '.join(Path(command[0]).name if i == 0 else part for i, part in enumerate(command))}",
            flush=True,
        )
        code = subprocess.run(command, cwd=ROOT, check=False).returncode
        print(
            f"== {name}: {'passed' if code == 0 else f'FAILED ({code})'} in {time.monotonic() - began:.0f} s",
            flush=True,
        )
        failed += [name] if code else []
    if failed:
        print(f"Failed: {', '.join(failed)}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
