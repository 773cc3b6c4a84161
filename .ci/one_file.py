r"""Build the companion as one file that brings its own Python along, out of a wheel and exactly the versions locked.

    python .ci/one_file.py WHEEL OUT     OUT/companion (on Windows OUT/companion.exe)

The lock, one_file.txt, is for all systems; it is renewed by

    uv pip compile --universal -p 3.11 --generate-hashes --no-header --extra play --extra build \
        -o .ci/one_file.txt pyproject.toml
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main(wheel: Path, out: Path) -> Path:
    """Build from ``wheel`` into the folder ``out``; return the file. Raises where anything fails."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        home = Path(place) / "venv"
        venv.create(home, with_pip=True)
        python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
        install = [python, "-I", "-m", "pip", "install", "-q", "--disable-pip-version-check"]
        _run(*install, "--require-hashes", "--only-binary", ":all:", "-r", HERE / "one_file.txt")
        _run(*install, "--no-deps", "--no-index", wheel.resolve())
        _run(
            *(python, "-I", "-m", "PyInstaller", "--noconfirm", "--log-level", "ERROR"),
            *("--workpath", Path(place) / "work", "--distpath", out.resolve(), HERE / "one_file.spec"),
            PYINSTALLER_CONFIG_DIR=str(Path(place) / "config"),
        )
    (built,) = (path for path in out.iterdir() if path.stem == "companion")
    print(f"{built}: {built.stat().st_size / 1e6:.1f} MB")
    return built


def _run(*command: object, **more: str) -> None:
    subprocess.run(list(map(str, command)), check=True, env={**os.environ, **more})


if __name__ == "__main__":
    if len(sys.argv) != 3:
        raise SystemExit(__doc__)
    main(Path(sys.argv[1]), Path(sys.argv[2]))
