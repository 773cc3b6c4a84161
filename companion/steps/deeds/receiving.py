"""What a helper sends back of a test kit: the form, and the bounces where there are some.

It is a stranger's: sizes are capped, a zip is held to what an archive is, and nothing of it is written into the working
folder but what was understood.
"""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.files import read_capped
from companion.core.progress import Watch
from companion.core.regular import opened
from companion.core.text import listed, plural, visible
from companion.steps.deeds.kits import GUIDE
from companion.steps.desk import Desk
from companion.steps.grounds import away_marks
from companion.trials.away import refuse, refuse_too_old, unsaid
from companion.trials.kit_files import KitRecord, record_of
from companion.trials.kits import MOST_FORM, away_test_of, read_form, version_in

MOST_RETURNED: Final = 2 << 30
"""Bytes of all that comes back at once: ten minutes of stereo at the highest rates."""


class Received(msgspec.Struct, frozen=True, kw_only=True):
    """What came back. result: pass or fail; empty where it told nothing that is recorded, and ``says`` tells why.

    bounce: what a bounce that came along told, in words.
    """

    code: str
    who: str = ""
    result: str = ""
    recorded: bool = False
    says: tuple[str, ...] = ()
    bounce: tuple[str, ...] = ()


def receive(desk: Desk, files: Sequence[Path], watch: Watch) -> tuple[Received, AwayTest | None]:
    """Read what a helper sent back: the form with the bounces beside it, or a zip of all; return it and its test.

    Raises :class:`CompanionError`, in one line, for what is no form of a kit of this folder, for more than is taken in,
    for a form that leaves out what a test rests on, and for one that tells of another archive than was sent.
    """
    with _opened(files, watch) as (form_file, sounds):
        form = read_form(read_capped(form_file, MOST_FORM, "form"), form_file.name)
        record = record_of(desk.places, form.kit)
        if record is None:
            raise CompanionError(
                f"No kit {form.kit} was made in this folder", str(files[0]), "receive it in the folder it was made in"
            )
        if form.seal and form.seal != record.sha256:
            raise CompanionError(
                "The archive that was tried there is not the one that was sent",
                f"kit {form.kit}",
                "send the kit again: it may have been damaged, or another put in its place",
            )
        stated = AwayTest(
            kind="another player", result="fail", engine_version=version_in(form.answers.get("engine_version", ""))
        )
        if "engine version" not in unsaid(stated) and (old := refuse_too_old(stated, desk.facts)):
            return Received(code=form.kit, who=record.who, says=(f"helper-too-old: {old.what}",)), None
        test = away_test_of(form)
        test = msgspec.structs.replace(test, who=test.who or record.who, engine=record.engine, content=record.content)
        if problem := refuse(test, desk.facts):
            raise problem
        says = []
        if record.content != away_marks(desk.marks)["another player"]:
            made_for = visible(record.version or "another version")
            says.append(f"report-old: it was made for {made_for}, of other content than now, and counts for that alone")
        told, faults = _bounce(desk, record, sounds, watch)
    if faults:
        notes = "; ".join(part for part in (test.notes, f"bounce: {listed(faults, 4)}") if part)
        test = msgspec.structs.replace(test, result="fail", notes=notes)
    received = Received(
        code=form.kit, who=test.who, result=test.result, recorded=True, says=tuple(says), bounce=tuple(told)
    )
    return received, test


def _bounce(desk: Desk, record: KitRecord, sounds: list[Path], watch: Watch) -> tuple[list[str], list[str]]:
    """Return what the bounces that came along tell, and the faults in them that block."""
    from companion.steps.looks.judging import judge_bounce
    from companion.trials.performance.midi import PLAIN

    told: list[str] = []
    faults: list[str] = []
    for sound in sounds:
        name = visible(sound.name)
        if record.sounding != desk.marks.sounding:
            told.append(f"{name}: not judged, since the instrument has changed since the kit was made")
            continue
        try:
            judged, evidence = judge_bounce(desk, sound, PLAIN)
            differs = _against_home(desk, sound, str(evidence.details["mark"]) if evidence else "", watch)
        except CompanionError as error:
            told.append(f"{name}: {error.what}")
            continue
        blocking = [finding for finding in judged.findings if finding.blocks]
        if any(finding.rule == "bounce-other" for finding in blocking):
            told.append(f"{name}: it is no bounce of this performance, or only a part of one")
            continue
        told.append(f"{name}: {plural(judged.judged, 'note')} judged, {plural(len(judged.findings), 'finding')}")
        told += [f"{name}: away-differs: {one}" for one in differs.told]
        told += [f"{name}: {differs.reason}"] if differs.reason else []
        faults += [f"{finding.rule} at {finding.where}" for finding in blocking]
        faults += [f"away-differs: {one}" for one in differs.faults]
    return told, faults


class _Differs(msgspec.Struct, frozen=True):
    """How a bounce differs from the one made at home: all of it, and what of it fails the test; or why nobody knows."""

    told: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    reason: str = ""


_SAYS: Final = {
    "missing": "silent there alone",
    "timing": "begins {:.0f} ms {} there",
    "pitch": "cents off there",
    "level": "dB off there",
    "noise": "dB of noise",
}
_FAILS: Final = frozenset({"missing", "pitch"})
_MOST_HOME: Final = 8
_MOST_TOLD: Final = 20


def _against_home(desk: Desk, sound: Path, mark: str, watch: Watch) -> _Differs:
    """Hold a bounce against the one made at home of the same performance, as far as one is kept."""
    from companion.contents.kinds import natural_kind
    from companion.steps.looks.performance import plans_of
    from companion.trials.performance.bounce import Bounce
    from companion.trials.performance.comparing import compare
    from companion.trials.performance.midi import PLAIN

    score = next((one for one, _ in plans_of(desk, PLAIN) if one.mark == mark and one.part == "keys"), None)
    if score is None:
        return _Differs()
    folder = desk.places.bounces
    kept = [path for path in folder.iterdir() if natural_kind(path.name).audible] if folder.is_dir() else []
    for path in sorted((one for one in kept if one.is_file() and not one.is_symlink()), reverse=True)[:_MOST_HOME]:
        with contextlib.suppress(CompanionError), Bounce(path) as home, Bounce(sound) as away:
            if compared := compare(home, away, score, watch):
                lines = {one: _said(one.what, one.value, score.slots[one.slot].title) for one in compared.differences}
                faults = tuple(line for one, line in lines.items() if one.what in _FAILS)
                told = tuple(lines.values())[:_MOST_TOLD]
                as_here = f"{plural(compared.slots, 'note')} compared with “{visible(path.name)}”, all as there"
                return _Differs(told, faults, "" if told else as_here)
    return _Differs(reason="no bounce made at home is kept to compare it with (companion judge FOLDER BOUNCE --keep)")


def _said(what: str, value: float, title: str) -> str:
    if what == "missing":
        return f"{title}: {_SAYS[what]}"
    if what == "timing":
        return f"{title}: {_SAYS[what].format(abs(value) * 1000, 'later' if value > 0 else 'earlier')}"
    return f"{title}: {value:+.0f} {_SAYS[what]}".replace("-", "−")


@contextlib.contextmanager
def _opened(files: Sequence[Path], watch: Watch) -> Iterator[tuple[Path, list[Path]]]:
    """Give the form in what came back and the sounds with it; a zip is opened in a place of its own."""
    from companion.contents.kinds import natural_kind

    for file in files:
        if not file.is_file():
            raise CompanionError("There is no such file", str(file), "name the form, or a zip of it and the bounce")
    loose = [file for file in files if natural_kind(file.name).audible]
    texts = [file for file in files if file not in loose]
    if len(texts) != 1:
        what = f"There are {plural(len(texts), 'file')} that could be the form" if texts else "There is no form"
        raise CompanionError(what, str((texts or loose)[0]), "name the form first, then the bounces")
    (file,) = texts
    with opened(file) as stream:
        zipped = stream.read(4) == b"PK\x03\x04"
    if sum(one.stat().st_size for one in (*loose, *(texts if zipped else ()))) > MOST_RETURNED:
        raise CompanionError("That is far too large for a form and a bounce", str(file), "check that it is the one")
    if not zipped:
        yield file, loose
        return
    from companion.archive.inspect import inspect
    from companion.archive.prove import prove

    if inspect(file).unpacked > MOST_RETURNED:
        raise CompanionError("The zip holds far more than a form and a bounce", str(file), "check that it is the one")
    with tempfile.TemporaryDirectory(prefix="companion-received-", ignore_cleanup_errors=True) as place:
        proof = prove(file, into=Path(place) / "opened", watch=watch)
        if proof.extracted is None:
            first = next(iter(proof.findings), None)
            why = f" ({first.rule}: {first.measured})" if first else ""
            raise CompanionError(f"The zip is not opened{visible(why)}", str(file), "ask for the form by itself")
        there = sorted(path for path in proof.extracted.rglob("*") if path.is_file())
        forms = [path for path in there if path.suffix.lower() == ".txt" and path.name != GUIDE]
        if len(forms) != 1:
            raise CompanionError(
                f"The zip holds {plural(len(forms), 'text')} where one form is meant",
                str(file),
                "receive the form itself",
            )
        yield forms[0], [*loose, *(path for path in there if natural_kind(path.name).audible)]
