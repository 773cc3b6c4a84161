"""The demo instrument that comes along, to play with."""

from pathlib import Path
from typing import Final

import companion
from companion.core.errors import CompanionError
from companion.core.files import explain_os_error

DEMO: Final = "Slate Choir"


def demo_place() -> Path:
    """Return where a copy of it is offered: a folder that is not there yet, in the person's home or where they are."""
    try:
        home = Path.home()
        near = home / "Documents" if (home / "Documents").is_dir() else home
    except (OSError, RuntimeError):
        near = Path.cwd()
    names = (f"{DEMO} demo{f' {number}' if number > 1 else ''}" for number in range(1, 100))
    return next((near / name for name in names if not (near / name).exists()), near / f"{DEMO} demo")


def copy_demo(target: Path) -> None:
    """Copy the demo instrument to ``target``, a folder that is not there yet or is empty."""
    import shutil

    package = Path(companion.__file__).resolve().parent  # inside the installed package, or beside it in a checkout
    places = (package / "_demo" / DEMO, package.parent / "demo_project" / DEMO)
    source = next((place for place in places if place.is_dir()), None)
    if source is None:
        raise CompanionError("The demo instrument is not installed", str(package), "install the companion again")
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise CompanionError("There is something there already", str(target), "name a new folder")
    try:
        shutil.copytree(source, target, dirs_exist_ok=True, copy_function=shutil.copyfile)
    except OSError as error:
        raise explain_os_error(error, "copy the demo", target) from error
