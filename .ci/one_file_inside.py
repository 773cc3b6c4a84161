"""What goes into the one file, and under which licences: every file in it is traced to whoever it comes from."""

from __future__ import annotations

import platform
import subprocess
import sys
from importlib.metadata import Distribution, distributions
from pathlib import Path
from typing import Any, Final

import msgspec

from companion.core import licences
from companion.core.licences import Part

HIDDEN: Final = ("companion", "isal", "zlib_ng", "deflate", "msgspec", "sounddevice", "_sounddevice")
"""What is imported by name, or from compiled code, where PyInstaller does not see it."""
LEFT_OUT: Final = (
    *("setuptools", "_distutils_hack", "pkg_resources", "distutils", "pip", "tkinter", "test", "unittest", "doctest"),
    *("pydoc", "pydoc_data", "xmlrpc", "lib2to3", "ensurepip", "idlelib", "PIL.ImageTk", "PIL.ImageQt"),
    *("numpy.f2py", "numpy.testing", "numpy.distutils"),
    *("PIL.AvifImagePlugin", "PIL._avif", "PIL.ImageFont", "PIL._imagingft"),  # no pictures that we look at
    *("readline", "curses", "_curses"),  # nothing here reads lines that way, and the first is under the GPL
)
LEXERS: Final = ("pygments.lexers", "pygments.lexers._mapping", "pygments.lexers.python", "pygments.lexers.special")
BOOTLOADER: Final = "pyinstaller"
OF_THE_SYSTEM: Final = ("libmvec.", "libportaudio.", "libasound.", "libjack.", "libdb-", "libdb5.")
"""Libraries that have to be the system's own: of its C library, and of its sound."""
PLAINLY: Final = {
    "libssl": "Apache-2.0",
    "zlib": "Zlib",
    "liblzma": "0BSD",
    "libbz2": "bzip2-1.0.6",
    "libffi": "MIT",
    "libuuid": "BSD-3-Clause",
    "libexpat": "MIT",
    "libsqlite3": "blessing",
    "libstdc++": "GPL-3.0-or-later WITH GCC-exception-3.1",
    "libgcc": "GPL-3.0-or-later WITH GCC-exception-3.1",
    BOOTLOADER: "GPL-2.0-or-later WITH Bootloader-exception",
}
"""What the library itself is under, where a package's terms also tell of its tools and its manuals."""


def left_to_the_system(binaries: Any) -> Any:
    """Return binaries without those that the system has to bring."""
    return [one for one in binaries if not Path(one[0]).name.startswith(OF_THE_SYSTEM) or "site-packages" in one[1]]


def write_list(analysis: Any, target: str) -> str:
    """Write the parts that the files of an analysis come from, and return the file's path.

    Raises ``SystemExit`` for a file whose licence nobody tells.
    """
    owners = {
        str(Path(str(one.locate_file(path))).resolve()): one for one in distributions() for path in one.files or ()
    }
    inside: dict[str, Distribution] = {}
    system: dict[str, Part] = {}
    unknown = []
    for name, source, _kind in (*analysis.binaries, *analysis.datas, *analysis.pure):
        path = Path(source).resolve()
        if (one := owners.get(str(path))) is not None:
            inside[one.name] = one
        elif _is_python(path) or not path.is_file():
            continue
        elif part := _of_the_system(Path(source)):
            system[part.name] = part
        elif name != "base_library.zip":  # which PyInstaller has just made, of Python's own modules
            unknown.append(f"{name}: {source}")
    if unknown:
        raise SystemExit("Nobody tells under which licence these are:\n" + "\n".join(unknown))
    loader = next(one for one in distributions() if one.name.lower() == BOOTLOADER)
    ours = inside.pop(licences.PACKAGE)
    others = [inside[name] for name in sorted(inside, key=str.lower)]
    besides = [*licences.parts_of([loader]), *system.values()]
    plainly = [msgspec.structs.replace(part, licence=_plainly(part)) for part in besides]
    found = [*licences.parts_of([ours, *others]), _python(), *plainly]
    silent = [part.name for part in found if not part.licence or (not part.texts and part.name != ours.name)]
    if silent:
        print(f"No licence text comes with: {', '.join(silent)}", file=sys.stderr)
    Path(target).write_bytes(licences.listed(tuple(found)))
    return target


def _plainly(part: Part) -> str:
    return next((said for name, said in PLAINLY.items() if part.name.startswith(name)), part.licence)


def _is_python(path: Path) -> bool:
    return path.is_relative_to(Path(sys.base_prefix).resolve())


def _python() -> Part:
    places = (Path(sys.base_prefix) / "LICENSE.txt", *Path(sys.base_prefix).glob("lib/python3*/LICENSE.txt"))
    texts = [place.read_text("utf-8", "replace") for place in places if place.is_file()][:1]
    return Part(name="Python", version=platform.python_version(), licence="PSF-2.0", texts=tuple(texts))


def _of_the_system(library: Path) -> Part | None:
    """Return the package of the system (Debian's and its kin) that a library comes from."""
    for place in (library, library.resolve()):
        try:
            asked = subprocess.run(["dpkg", "-S", place], capture_output=True, text=True, check=False)
        except OSError:
            return _with_terms_near(library.resolve())
        name = asked.stdout.partition(":")[0]
        terms = Path("/usr/share/doc") / name / "copyright"
        if name and asked.returncode == 0 and terms.is_file():
            return Part(name=name, licence="see its text", texts=(terms.read_text("utf-8", "replace").strip(),))
    return None


def _with_terms_near(library: Path) -> Part | None:
    """Return what a library is part of where its terms lie in a folder above it, as package managers put them."""
    for folder in library.parents[:4]:
        terms = [path for name in ("LICENSE*", "LICENCE*", "COPYING*") for path in folder.glob(name) if path.is_file()]
        if terms:
            texts = tuple(path.read_text("utf-8", "replace").strip() for path in terms)
            return Part(name=folder.parent.name, version=folder.name, licence="see its text", texts=texts)
    return None
