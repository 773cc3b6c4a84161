"""Install the wheel in an environment of its own, away from the sources, and use it as a newcomer would.

python .github/try_wheel.py DIST
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path


def main(dist: Path) -> None:
    """Raise unless the one wheel in ``dist`` installs, runs, brings the demo and passes the tests of the commands."""
    (wheel,) = dist.resolve().glob("*.whl")
    tests = Path(__file__).resolve().parent.parent / "tests"
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as place:
        venv.create(Path(place) / "venv", with_pip=True)
        programs = Path(place) / "venv" / ("Scripts" if os.name == "nt" else "bin")

        def run(*command: object, code: int = 0) -> str:
            done = subprocess.run(
                list(map(str, command)), check=False, cwd=place, stdout=subprocess.PIPE, text=True, encoding="utf-8"
            )
            assert done.returncode == code, (command, done.returncode, done.stdout)
            return done.stdout

        python = next(programs.glob("python*"))
        run(python, "-m", "pip", "install", "-q", f"{wheel}[test]")
        assert run(programs / "companion", "--version").strip() in wheel.name
        assert "site-packages" in run(python, "-c", "import companion; print(companion.__file__)")
        assert run(
            python, "-c", "from importlib.resources import files; print((files('companion') / 'py.typed').is_file())"
        )
        run(programs / "companion", "demo", "slate")
        found = json.loads(run(programs / "companion", "check", "slate", "--json", code=1))["findings"]
        assert {"clipped", "reference-missing", "path-home"} <= {finding["rule"] for finding in found}
        # Not -m pytest: that would put the sources, if one stands in them, before what is installed.
        run(
            programs / "pytest", "-q", "-c", tests.parent / "pyproject.toml", f"--rootdir={tests.parent}", tests / "cli"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
