"""The demo instrument: where it ships, and how a copy of it is made."""

import shutil
from pathlib import Path

from companion.core.errors import CompanionError
from companion.core.files import explained

NAME = "Slate Choir"


def demo_source() -> Path:
    """Return the demo's working folder: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[2]
    for place in (package / "_demo" / NAME, package.parent / "demo_project" / NAME):
        if place.is_dir():
            return place
    raise CompanionError("The demo instrument is not installed", str(package), "install the companion again")


def copy_demo(target: Path) -> None:
    """Copy the demo to ``target``, a folder that is not there yet or is empty."""
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise CompanionError("There is something there already", str(target), "name a new folder")
    with explained("copy the demo", target):
        shutil.copytree(demo_source(), target, dirs_exist_ok=True, copy_function=shutil.copyfile)
