"""A test kit at a helper's who has the companion: opened and proven, and answered by one file that can be received.

A kit comes from somebody else. What is in it is named by us alone, and looked at before anything is unpacked; its texts
are shown inert, its form is asked in our own words, and nothing in it is run. Only what the form's questions ask is
sent back.
"""

from __future__ import annotations

import contextlib
import platform
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import explained, read_capped, sha256_of, write_safely
from companion.core.progress import Watch
from companion.core.text import plural, shorten, visible
from companion.steps.deeds.kits import FORM, for_editors, put_new
from companion.steps.deeds.receiving import MOST_RETURNED
from companion.trials.away import HUSH
from companion.trials.kit_texts import filled
from companion.trials.kits import MOST_FORM, Key, question_of, read_form, text_of

if TYPE_CHECKING:
    from companion.archive.prove import Proof

MOST_KIT: Final = 64 << 30
"""Bytes of a kit, unpacked: three of the largest instruments."""
_MOST_MIDI: Final = 4 << 20
_MOST_FILES: Final = 40
_HOLDS: Final = {".txt": MOST_FORM, ".mid": _MOST_MIDI, ".zip": MOST_KIT}
"""What a kit holds, by the ends of names, and the most bytes of one."""
_MOST_SOUNDS: Final = 8
_MOST_NAMED: Final = 100_000
_ENGINE: Final = re.compile(r"Which version of (.{1,80}?) do you have\?")
_MINIMUM: Final = re.compile(r"If it is older than (.{1,80}?), stop here")
_PREFIX: Final = "companion-kit-"


class KitAtHelper(msgspec.Struct, frozen=True, kw_only=True):
    """A kit, opened. code: as its form bears it. title: how its form begins; engine: what it calls the engine, minimum:
    the lowest version it asks for, or empty. All of that safe to show. place: where it was opened. form, archive,
    music: files of it there. text: the form's, as it came. asked: the questions it holds.
    """

    code: str
    title: str
    engine: str
    minimum: str
    place: Path
    form: Path
    archive: Path
    music: tuple[Path, ...]
    text: str
    asked: tuple[Key, ...]


class OpenedAtHelper(msgspec.Struct, frozen=True, kw_only=True):
    """The archive of a kit, proven and opened. folder: where; patches: the files to open there, as far as the kit names
    them. seal: the SHA-256 of the archive. warned: what its proof found that does not keep it from being opened.
    """

    folder: Path
    patches: tuple[Path, ...]
    seal: str
    warned: tuple[str, ...] = ()
    caution: str = HUSH


@contextlib.contextmanager
def place_for(to: Path | None) -> Iterator[Path]:
    """Give a folder to open a kit in: ``to``, which must be new or empty, else a new temporary one.

    One that was made here is removed where the block raises. Raises :class:`CompanionError`.
    """
    if to is not None:
        to = to.absolute()
        with explained("make the folder to open the kit in", to):
            if to.exists() and (not to.is_dir() or any(to.iterdir())):
                raise CompanionError("The folder to open the kit in is not empty", str(to), "name a new folder")
    with explained("make a place for the kit", to or Path(tempfile.gettempdir())):
        made = to is None or not to.exists()
        place = Path(tempfile.mkdtemp(prefix=_PREFIX)) if to is None else to
        place.mkdir(parents=True, exist_ok=True)
    try:
        yield place
    except BaseException:
        if made:
            shutil.rmtree(place, ignore_errors=True)
        raise


def open_kit(kit: Path, place: Path, watch: Watch) -> KitAtHelper:
    """Prove a kit and unpack it below ``place``; its archive is not opened yet.

    Raises :class:`CompanionError`, in one line, for what is no kit, and for one that holds what no kit holds.
    """
    from companion.archive.inspect import inspect
    from companion.archive.prove import prove

    if not kit.is_file():
        raise CompanionError("There is no such file", str(kit), "name the kit that was sent to you")
    inspection = inspect(kit)
    files = inspection.files
    if len(files) > _MOST_FILES or inspection.unpacked > MOST_KIT:
        raise CompanionError("This holds far more than a test kit does", str(kit), "check that it is the file you mean")
    for member in files:
        most = _HOLDS.get(Path(member.name).suffix.lower(), -1)
        if member.size > most:
            what = "which is too large for one" if most >= 0 else "which no test kit does"
            raise CompanionError(
                f"This holds “{shorten(visible(member.name), 80)}”, {what}",
                str(kit),
                "check that it is the file you mean, and ask for the kit again",
            )
    proof = prove(kit, into=place / "kit", watch=watch)
    if proof.extracted is None:
        raise _unopened("The kit", proof, kit)
    there = sorted(path for path in proof.extracted.rglob("*") if path.is_file() and not path.is_symlink())
    return _kit_of(there, place, kit)


def _unopened(what: str, proof: Proof, path: Path) -> CompanionError:
    first = next((one for one in proof.findings if one.blocks), next(iter(proof.findings), None))
    why = f" ({first.rule}: {first.measured})" if first else ""
    return CompanionError(f"{what} is not opened{visible(why)}", str(path), "ask for the kit again")


def _kit_of(there: Sequence[Path], place: Path, kit: Path) -> KitAtHelper:
    archives = [path for path in there if path.suffix.lower() == ".zip"]
    forms = []
    for path in there:
        if path.suffix.lower() == ".txt":
            with contextlib.suppress(CompanionError):
                data = read_capped(path, MOST_FORM)
                forms.append((path, read_form(data, path.name), text_of(data, path.name)))
    if len(forms) != 1 or len(archives) != 1:
        what = f"{plural(len(forms), 'form')} and {plural(len(archives), 'archive')}"
        raise CompanionError(
            f"This is no test kit: it holds {what}, where one of each is meant", str(kit), "take the zip you were sent"
        )
    path, form, text = forms[0]
    joined = " ".join(text.split())
    engine, minimum = _ENGINE.search(joined), _MINIMUM.search(joined)
    return KitAtHelper(
        code=form.kit,
        title=shorten(visible(joined.partition(":")[0]), 80),
        engine=visible(engine[1]) if engine else "the engine",
        minimum=visible(minimum[1]) if minimum else "",
        place=place,
        form=path,
        archive=archives[0],
        music=tuple(path for path in there if path.suffix.lower() == ".mid"),
        text=text,
        asked=tuple(dict.fromkeys(key for line in re.split(r"\r\n|\r|\n", text) if (key := question_of(line)))),
    )


def open_archive(kit: KitAtHelper, watch: Watch) -> OpenedAtHelper:
    """Prove the archive of a kit and unpack it beside it. Raises :class:`CompanionError` where it is not whole."""
    from companion.archive.prove import prove

    proof = prove(kit.archive, into=kit.place / "instrument", watch=watch)
    if proof.extracted is None or any(one.rule == "archive-differs" for one in proof.findings):
        raise _unopened("The archive in the kit", proof, Path(kit.archive.name))
    return OpenedAtHelper(
        folder=proof.extracted,
        patches=_named(kit, proof.extracted),
        seal=proof.sha256,
        warned=tuple(f"{one.rule}: {one.measured}" for one in proof.findings if one.blocks),
    )


def _named(kit: KitAtHelper, folder: Path) -> tuple[Path, ...]:
    """Return the files that the kit's texts name in quotes, of those that are there: names are compared, not opened."""
    texts = []
    for path in kit.form.parent.iterdir():
        if path.suffix.lower() == ".txt" and path.is_file():
            with contextlib.suppress(CompanionError):
                texts.append(text_of(read_capped(path, MOST_FORM), path.name))
    said = " ".join(" ".join(texts).split())
    found = []
    for number, path in enumerate(folder.rglob("*")):
        if number >= _MOST_NAMED:
            break
        parts = path.relative_to(folder).parts
        names = {visible("/".join(parts[up:])) for up in range(min(2, len(parts)))}
        if path.is_file() and any(f"“{' '.join(name.split())}”" in said for name in names):
            found.append(path)
    return tuple(sorted(found))


def this_system() -> str:
    """Return what this computer runs, as a form asks for it; empty where it does not say."""
    name, release = platform.system(), platform.release()
    if name == "Darwin":
        return f"macOS {platform.mac_ver()[0]}".strip()
    if name == "Linux":
        with contextlib.suppress(OSError):
            return visible(platform.freedesktop_os_release().get("PRETTY_NAME", "Linux"))[:80]
        return "Linux"
    return f"{name} {release}".strip()


def answer_kit(
    kit: KitAtHelper, answers: Mapping[Key, str], seal: str, sounds: Sequence[Path], out: Path, watch: Watch
) -> Path:
    """Write the one file to send back into the folder ``out``: the form, or a zip of it and the bounces.

    Nothing is written over. seal: as :class:`OpenedAtHelper` has it; empty where the archive was not opened. Raises
    :class:`CompanionError` for a bounce that is no sound or too large, and for what the disk refuses.
    """
    refuse_sounds(sounds)
    data = for_editors(filled(kit.text, answers, seal))
    with explained("look at the place for the answer", out):
        target = _free(out, f"Test answer {kit.code}", ".zip" if sounds else ".txt")
    if not sounds:
        write_safely(target, data)
        return target
    from companion.archive.build import pending_archive
    from companion.archive.plan import plan

    with explained("read the bounce", sounds[0]):
        files = [
            # The helper's own names of files are left out: they may tell who it is.
            (f"Bounce {number}{path.suffix.lower()}", path, path.stat().st_size, sha256_of(path, watch.check))
            for number, path in enumerate(sounds, 1)
        ]
    with pending_archive(plan(f"Test answer {kit.code}", files, {FORM: data}), target, watch) as new:
        put_new(new)
    return target


def refuse_sounds(sounds: Sequence[Path]) -> None:
    """Raise :class:`CompanionError` for what is no sound, is not there, or is more than comes back at once."""
    from companion.contents.kinds import natural_kind

    if len(sounds) > _MOST_SOUNDS:
        raise CompanionError(f"Those are {len(sounds)} bounces", str(sounds[0]), f"send {_MOST_SOUNDS} at most")
    total = 0
    for path in sounds:
        if not path.is_file():
            raise CompanionError("There is no such file", str(path), "name the sound file that your host wrote")
        if not natural_kind(path.name).audible:
            raise CompanionError("That is no sound file", str(path), "bounce to WAV or FLAC, and name that file")
        with explained("look at the bounce", path):
            total += path.stat().st_size
    if total > MOST_RETURNED:
        raise CompanionError("The bounces are far too large", str(sounds[0]), "bounce the performance alone, as FLAC")


def _free(folder: Path, stem: str, ending: str) -> Path:
    for number in range(1, 1000):
        path = folder / f"{stem}{f' {number}' if number > 1 else ''}{ending}"
        if not path.is_symlink() and not path.exists():
            return path
    raise CompanionError("A thousand answers to this kit lie there", str(folder), "send one of them")
