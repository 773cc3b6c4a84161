"""Players' reports of one working folder: taken in, looked at against what they are about, answered and closed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import write_safely
from companion.core.findings import Finding
from companion.core.text import listed, shorten, visible
from companion.trials.away import refuse_name
from companion.trials.report_files import names_in, reports_in, write_known
from companion.trials.reports import (
    MOST_ANSWER,
    MOST_TEXT,
    ChangeKind,
    Known,
    Report,
    id_for,
    likely_about,
    without_person,
)

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.core.folder import Places
    from companion.steps.desk import Desk

CONTROL: Final = "control "


class Taken(msgspec.Struct, frozen=True, kw_only=True):
    """A report that was taken in. left_out: what of its words is not kept. likely: what it may be about besides."""

    report: Report
    left_out: tuple[str, ...] = ()
    likely: tuple[str, ...] = ()


class Edit(msgspec.Struct, frozen=True, kw_only=True):
    """What is to be noted otherwise of a report. about, not_about: subjects put in and taken out. None: left as it is;
    empty: not known any more.
    """

    about: tuple[str, ...] = ()
    not_about: tuple[str, ...] = ()
    version: str | None = None
    system: str | None = None
    engine: str | None = None
    name: str | None = None


class Subject(msgspec.Struct, frozen=True, kw_only=True):
    """One thing a report is about. now: how it stands against the release that the player has. findings: on it now."""

    what: str
    now: str = ""
    findings: tuple[Finding, ...] = ()


def take_in(desk: Desk, words: str, known: Known) -> Taken:
    """Keep a player's words, without what tells who wrote them, and return what they seem to be about.

    Raises :class:`CompanionError` for an empty report, a release that there never was, a name that is more than a first
    name, and a subject that is no file, control or rule.
    """
    text, left_out = without_person(words)
    if not text.strip():
        raise CompanionError("There are no words in the report", "", "give its text, or a file that holds it")
    if len(text.encode()) > MOST_TEXT:
        raise CompanionError("That is more than a report", f"{len(text):,} characters", "keep what it is about")
    if refusal := refuse_name(known.name):
        raise refusal
    record = _record_of(desk, known.version)
    about = tuple(dict.fromkeys(_subject(desk, record, one) for one in known.about))
    report = Report(
        id=id_for(text, names_in(desk.places)), text=text, known=msgspec.structs.replace(known, about=about)
    )
    write_safely(desk.places.reports / report.id, text.encode(), root=desk.places.folder)
    write_known(desk.places, report)
    return Taken(report=report, left_out=left_out, likely=tuple(one for one in _likely(desk, text) if one not in about))


def _likely(desk: Desk, text: str) -> tuple[str, ...]:
    from companion.core.entries import Kind
    from companion.steps.catalogue import RULE_BY_ID

    files = [entry.path for entry in desk.of_kind(Kind.SAMPLE, Kind.IMPULSE, Kind.PATCH)]
    return likely_about(text, files, [control.name for control in desk.facts.controls], RULE_BY_ID)


def _record_of(desk: Desk, version: str) -> ReleaseRecord | None:
    if not version:
        return None
    record = next((one for one in reversed(desk.records) if one.version == version), None)
    if record is None:
        there = [visible(one.version) for one in desk.records]
        advice = f"it was one of {listed(there, 6, 'or')}" if there else "nothing is released yet: leave it out"
        raise CompanionError("There is no such release", version, advice)
    return record


def _subject(desk: Desk, record: ReleaseRecord | None, given: str) -> str:
    """Return what a report is about as it is kept: a file, a control or a rule that there is or was."""
    from companion.steps.catalogue import RULE_BY_ID

    name = given.strip().removeprefix(CONTROL)
    if any(name == control.name for control in desk.facts.controls):
        return f"{CONTROL}{name}"
    shipped = {path for path, _, _ in record.files} if record else set()
    path = given.strip().replace("\\", "/")
    if path in desk.contents or path in shipped or given.strip() in RULE_BY_ID:
        return path if path in desk.contents or path in shipped else given.strip()
    raise CompanionError(
        "That is no file, control or rule of this instrument", given, "name one as contents, facts or explain do"
    )


def find(places: Places, name: str) -> Report:
    """Return a report by its name, with or without its ending. Raises where there is none, or its notes do not read."""
    there = reports_in(places)
    found = [one for one in there if name == one.id] or [one for one in there if name == one.id.rpartition(".")[0]]
    if len(found) != 1:
        names = [visible(one.id) for one in found or there]
        advice = f"there is {listed(names, 6)}" if names else "there is none yet: companion report add"
        what = "Several reports are called that" if found else "There is no such report"
        raise CompanionError(what, name, advice)
    if found[0].problem:
        raise CompanionError(f"What is known of it does not read: {found[0].problem}", found[0].id, "mend that file")
    return found[0]


class ReportView(msgspec.Struct, frozen=True, kw_only=True):
    """A report, and how each thing it is about stands now."""

    report: Report
    subjects: tuple[Subject, ...] = ()


def views(desk: Desk) -> tuple[ReportView, ...]:
    """Return every report, the open ones first, each with what it is about."""
    findings = _findings(desk)
    order = ("open", "answered", "closed")
    there = sorted(reports_in(desk.places), key=lambda one: (order.index(one.known.state), one.id))
    return tuple(ReportView(report=one, subjects=_subjects(desk, one, findings)) for one in there)


def subjects(desk: Desk, report: Report) -> tuple[Subject, ...]:
    """Return what a report is about, and how each stands now: changed since that release, gone, with findings."""
    return _subjects(desk, report, _findings(desk)) if report.known.about else ()


def _findings(desk: Desk) -> list[Finding]:
    looks = [(step, found) for step in desk.steps if (found := desk.found(step))]
    return [one for step, found in looks for one in desk.applied(step, found.findings)]


def _subjects(desk: Desk, report: Report, findings: Sequence[Finding]) -> tuple[Subject, ...]:
    known = report.known
    record = next((one for one in reversed(desk.records) if one.version == known.version), None)
    before = {path: sha for path, _, sha in record.files} if record else {}
    told = []
    for what in known.about:
        on = tuple(
            one
            for one in findings
            if what in (one.path, one.rule) or (one.at.control and what == f"{CONTROL}{one.at.control}")
        )
        told.append(Subject(what=what, now=_now(desk, what, before, known.version), findings=on))
    return tuple(told)


def _now(desk: Desk, what: str, before: dict[str, str], version: str) -> str:
    if what in before or what in desk.contents:
        if what not in desk.contents:
            return f"gone since {version}"
        if what not in before:
            return f"not in {version}" if version else ""
        return f"the same as in {version}" if before[what] == desk.contents[what] else f"changed since {version}"
    return ""


def edit(desk: Desk, name: str, change: Edit) -> Report:
    """Note what a report is about, or who has what, otherwise than before; its words stay as they are.

    Raises :class:`CompanionError` for what :func:`take_in` refuses, and for a subject to be taken out that is none.
    """
    known = find(desk.places, name).known
    plain = {
        key: value for key in ("version", "system", "engine", "name") if (value := getattr(change, key)) is not None
    }
    if not plain and not change.about and not change.not_about:
        raise CompanionError("Nothing is to be noted otherwise", name, "say what: --about WHAT")
    if refusal := refuse_name(plain.get("name", "")):
        raise refusal
    record = _record_of(desk, plain.get("version", known.version))
    out = set()
    for one in change.not_about:
        given = one.strip().replace("\\", "/")
        named = [what for what in known.about if given in (what, what.removeprefix(CONTROL))]
        if not named:
            there = listed([visible(what) for what in known.about], 6)
            raise CompanionError(
                "The report is not about that", one, f"it is about {there}" if there else "it is about nothing yet"
            )
        out.update(named)
    kept = [what for what in known.about if what not in out]
    about = dict.fromkeys([*kept, *(_subject(desk, record, one) for one in change.about)])
    return _become(desk, name, **plain, about=tuple(about))


def answer(desk: Desk, name: str, words: str, kind: ChangeKind) -> Report:
    """Say what became of a report; the next draft of the changelog of this version says it too."""
    line = " ".join(words.split())
    if not line:
        raise CompanionError("An answer has words", name, "say what became of it, as the changelog will")
    if len(line) > MOST_ANSWER:
        raise CompanionError("An answer is one line of the changelog", shorten(line, 40), f"keep to {MOST_ANSWER}")
    find(desk.places, name)
    version = desk.facts.instrument.version.strip()
    if not version:
        raise CompanionError("The version has no name yet", "instrument.version", "state it in the facts first")
    if any(record.version == version for record in desk.records):
        raise CompanionError(
            f"{version} is out already",
            name,
            "state the next version first: companion fact FOLDER instrument.version V",
        )
    return _become(desk, name, state="answered", answer=line, kind=kind, answered_in=version, why="")


def close(desk: Desk, name: str, why: str) -> Report:
    """Close a report without a line in the changelog, for a reason that is kept."""
    if not (reason := " ".join(why.split())):
        raise CompanionError("A report is closed for a reason", name, "say why: --why")
    return _become(desk, name, state="closed", why=reason, answer="", answered_in="")


def _become(desk: Desk, name: str, /, **changes: object) -> Report:
    report = find(desk.places, name)
    known = msgspec.structs.replace(report.known, **changes)
    after = msgspec.structs.replace(report, known=known)
    write_known(desk.places, after)
    return after
