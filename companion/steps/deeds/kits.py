"""Test kits: one file for a helper who has no companion, and what comes back of it.

A kit is a zip: what to do, a form, the proven archive, and the test performance. What it was made of is noted under
``.companion/kits``, so that a form that comes back weeks later counts for the content and the engine it was sent for,
and for no other. What comes back is a stranger's: sizes are capped, a zip is held to what an archive is, and nothing of
it is written into the working folder but what was understood.
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.files import read_capped, sha256_of, write_safely
from companion.core.folder import Places
from companion.core.progress import Watch
from companion.core.text import listed, plural, visible
from companion.steps.desk import Desk
from companion.steps.grounds import away_marks
from companion.steps.looks.standing import archive_gone
from companion.trials.away import refuse, refuse_name, refuse_too_old, unsaid
from companion.trials.kits import MOST_FORM, away_test_of, form_text, guide_text, read_form, version_in

FORM: Final = "Form.txt"
GUIDE: Final = "Read me first.txt"
MOST_RETURNED: Final = 2 << 30
"""Bytes of all that comes back at once: ten minutes of stereo at the highest rates."""
_MOST_RECORD: Final = 1 << 16
_CODE: Final = re.compile(r"[0-9a-f]{4}(?:-[0-9a-f]{4}){2}")


class KitRecord(msgspec.Struct, frozen=True, kw_only=True):
    """A kit that was made. code: as the form bears it. who: a first name or initials, or empty. content, sounding: what
    the helper's test and the bounce rest on; engine: as the facts called it. music: names of the performance's files.
    outcome: what came of it; empty while nobody has answered.
    """

    code: str
    who: str = ""
    at: str = ""
    version: str = ""
    engine: str = ""
    content: str = ""
    sounding: str = ""
    archive: str = ""
    sha256: str = ""
    music: tuple[str, ...] = ()
    returned: str = ""
    outcome: str = ""


class Kit(msgspec.Struct, frozen=True, kw_only=True):
    """A kit as it lies there to be sent. without: why it holds no performance; empty when it does."""

    path: Path
    code: str
    size: int
    archive: str
    music: tuple[str, ...]
    without: str = ""


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


def make_kit(desk: Desk, who: str, out: Path, at: str) -> Kit:
    """Make a kit of the proven archive of what ships now, in the folder ``out``, and note it.

    Raises :class:`CompanionError` where no archive of this content is proven, and for more than a first name.
    """
    from companion.archive.build import pending_archive
    from companion.archive.plan import plan, top_folder

    if problem := refuse_name(who):
        raise problem
    evidence = desk.found("archive")
    if evidence is None or "archive" not in evidence.details or archive_gone(desk, evidence):
        raise CompanionError(
            "There is no proven archive of this content to send",
            str(desk.places.releases),
            "run: companion pack FOLDER",
        )
    archive = desk.places.releases / str(evidence.details["archive"])
    if sha256_of(archive) != evidence.details["sha256"]:
        raise CompanionError("The archive is not the one that was proven", str(archive), "run: companion pack FOLDER")
    digits = secrets.token_hex(6)
    code = f"{digits[:4]}-{digits[4:8]}-{digits[8:]}"
    with tempfile.TemporaryDirectory(prefix="companion-kit-", ignore_cleanup_errors=True) as place:
        music, without = _performance(desk, Path(place))
        form = form_text(desk.facts, code, music=listed([path.name for path in music], 4))
        guide = guide_text(desk.facts, archive=archive.name, form=FORM, music=listed([path.name for path in music], 4))
        files = [(path.name, path, path.stat().st_size, sha256_of(path)) for path in (*music, archive)]
        made = {FORM: _for_editors(form), GUIDE: _for_editors(guide)}
        target = out / f"{desk.stem} test kit {code}.zip"
        planned = plan(top_folder(f"{desk.facts.instrument.title} test kit"), files, made)
        with pending_archive(planned, target, desk.watch, root=desk.places.root_of(out)) as new:
            record = KitRecord(
                code=code,
                who=who.strip(),
                at=at,
                version=desk.facts.instrument.version,
                engine=desk.facts.engine.name,
                content=away_marks(desk.marks)["another player"],
                sounding=desk.marks.sounding,
                archive=archive.name,
                sha256=str(evidence.details["sha256"]),
                music=tuple(path.name for path in music),
            )
            _keep(desk.places, record)
            new.accept()
    return Kit(path=target, code=code, size=new.size, archive=archive.name, music=record.music, without=without)


def _for_editors(text: str) -> bytes:
    """Return a text as every editor opens it: line ends of Windows, and a mark that it is UTF-8."""
    return b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()


def _performance(desk: Desk, place: Path) -> tuple[list[Path], str]:
    from companion.steps.looks.performance import write_performance
    from companion.trials.performance.midi import PLAIN

    try:
        return [Path(file.file) for file in write_performance(desk, PLAIN, place).files], ""
    except CompanionError as error:
        return [], error.line


def kits(places: Places) -> tuple[KitRecord, ...]:
    """Return the kits that were made here, the latest last; what does not read is passed over."""
    found = (_read(path) for path in places.kits.glob("*.json")) if places.kits.is_dir() else ()
    return tuple(sorted((one for one in found if one), key=lambda one: (one.at, one.code)))


def _read(path: Path) -> KitRecord | None:
    with contextlib.suppress(CompanionError, ValueError, RecursionError, msgspec.ValidationError):
        return msgspec.convert(json.loads(read_capped(path, _MOST_RECORD)), KitRecord)
    return None


def _keep(places: Places, record: KitRecord) -> None:
    text = json.dumps({"schema": 1, **msgspec.to_builtins(record)}, ensure_ascii=True, indent=1)
    write_safely(places.kits / f"{record.code}.json", text.encode("ascii") + b"\n", root=places.folder)


def note_returned(places: Places, code: str, at: str, outcome: str) -> None:
    """Note what came of a kit."""
    if record := _read(places.kits / f"{code}.json"):
        _keep(places, msgspec.structs.replace(record, returned=at, outcome=outcome))


def receive(desk: Desk, file: Path, watch: Watch) -> tuple[Received, AwayTest | None]:
    """Read what a helper sent back: the form, or a zip of the form and the bounce; return it and the test it makes.

    Raises :class:`CompanionError`, in one line, for what is no form of a kit of this folder, for more than is taken in,
    and for a form that leaves out what a test rests on.
    """
    with _opened(file, watch) as (form_file, sounds):
        form = read_form(read_capped(form_file, MOST_FORM, "form"), form_file.name)
        record = _read(desk.places.kits / f"{form.kit}.json")
        if record is None or record.code != form.kit:
            raise CompanionError(
                f"No kit {form.kit} was made in this folder", str(file), "receive it in the folder it was made in"
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
    return f"{title}: {value:+.0f} {_SAYS[what]}".replace("-", "−")


@contextlib.contextmanager
def _opened(file: Path, watch: Watch) -> Iterator[tuple[Path, list[Path]]]:
    """Give the form in what came back and the sounds beside it, in a place of their own where it was a zip."""
    from companion.archive.prove import prove
    from companion.contents.kinds import natural_kind

    if not file.is_file():
        raise CompanionError("There is no such file", str(file), "name the form, or a zip of it and the bounce")
    with file.open("rb") as stream:
        zipped = stream.read(4) == b"PK\x03\x04"
    if not zipped:
        yield file, []
        return
    if file.stat().st_size > MOST_RETURNED:
        raise CompanionError("The zip is far too large for a form and a bounce", str(file), "check that it is the one")
    from companion.archive.inspect import inspect

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
        yield forms[0], [path for path in there if natural_kind(path.name).audible]
