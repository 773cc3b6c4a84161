"""Players' reports, and what is out, as lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.cli.render.checklist import finding_lines, typed
from companion.core.text import listed, plural, visible, visible_lines
from companion.core.units import both_bytes, decimal_bytes
from companion.trials.reports import first_words

if TYPE_CHECKING:
    from companion.steps.deeds.released import ReleaseOut
    from companion.steps.deeds.reports import Subject, Taken
    from companion.steps.deeds.shelf import Shelved
    from companion.trials.reports import Report

_MOST_FINDINGS: Final = 6


def taken_lines(taken: Taken, folder: Path) -> list[str]:
    """Return what was taken in, what was left out of it, and what it may be about."""
    report = taken.report
    lines = [f"Taken in as {report.id}.", *_about_lines(report)]
    if taken.left_out:
        lines.append(f"Left out of it: {listed(taken.left_out, 9)}. A name among the words is yours to take out.")
    if taken.likely:
        lines.append(f"It seems to be about: {visible(listed(taken.likely, 6))}.")
        words = " ".join(f"--about {typed(visible(what))}" for what in taken.likely[:6])
        lines.append(f"  if so: companion report edit {typed(folder)} {report.id} {words}")
    return lines


def _about_lines(report: Report) -> list[str]:
    known = report.known
    has = [part for part in (known.version and f"version {known.version}", known.system, known.engine) if part]
    lines = [f"  the player has: {visible(', '.join(has))}"] if has else []
    return lines + ([f"  about: {visible(listed(known.about, 9))}"] if known.about else [])


def reports_lines(found: Sequence[Report]) -> list[str]:
    """Return the reports, the open ones first."""
    if not found:
        return ["No player has reported anything yet. Take one in with: companion report add FOLDER FILE"]
    counts = Counter("unread" if one.problem else one.known.state for one in found)
    told = ", ".join(f"{count:,} {state}" for state, count in counts.items())
    lines = [f"{plural(len(found), 'report')}: {told}."]
    order = ("open", "answered", "closed")
    inorder = sorted(found, key=lambda one: (order.index(one.known.state), one.id))
    return lines + [f"  {visible(one.id)}  {_state(one)}  “{first_words(one)}”" for one in inorder]


def _state(report: Report) -> str:
    known = report.known
    if report.problem:
        return f"does not read: {report.problem}"
    if known.state == "answered":
        return visible(f"answered in {known.answered_in}: {known.answer}")
    return visible(f"closed: {known.why}") if known.state == "closed" else "open"


def report_lines(report: Report, subjects: Sequence[Subject]) -> list[str]:
    """Return a report whole, and how what it is about stands now."""
    lines = [f"{visible(report.id)}: {_state(report)}", *_about_lines(report), ""]
    lines += [f"  {line}" for line in visible_lines(report.text).rstrip("\n").split("\n")]
    for one in subjects:
        lines += ["", f"{visible(one.what)}{f': {one.now}' if one.now else ''}"]
        lines += finding_lines(one.findings[:_MOST_FINDINGS]) or ["  nothing is found on it now"]
        if len(one.findings) > _MOST_FINDINGS:
            lines.append(f"  and {len(one.findings) - _MOST_FINDINGS:,} more: companion check FOLDER")
    return lines


def edited_lines(report: Report) -> list[str]:
    """Return what is known of a report now."""
    return [f"Noted of {visible(report.id)}:", *(_about_lines(report) or ["  nothing but its words"])]


def answered_lines(report: Report, folder: Path) -> list[str]:
    """Return what the changelog will say."""
    lines = [f"Answered in {visible(report.known.answered_in)}: {visible(report.known.answer)}"]
    return [*lines, f"The changelog says so with its next draft: companion draft {typed(folder)} changelog --write"]


def closed_lines(report: Report) -> list[str]:
    """Return that it is closed, and why."""
    return [f"Closed: {visible(report.id)} ({visible(report.known.why)})"]


def releases_lines(found: Sequence[ReleaseOut]) -> list[str]:
    """Return what is out, release by release."""
    if not found:
        return ["Nothing is released yet. When nine steps are proven: companion release FOLDER"]
    lines = []
    for one in found:
        beside = f" {one.beside}" if one.standing in ("followed by", "tried before") and one.beside else ""
        base = f", builds on {one.base}" if one.base else ", the first"
        lines.append(visible(f"{one.version}  {one.at}  {one.standing}{beside}{base}"))
        gone = "" if one.here else "  (not in releases/ as it was)"
        lines.append(f"  {visible(one.archive)}, {both_bytes(one.size)}{gone}")
        lines.append(f"  SHA-256 {visible(one.sha256)}; upload {visible(one.upload)}")
        lines += [
            visible(
                f"  update from {update.since}: {update.archive}, {both_bytes(update.size)}; upload {update.upload}"
            )
            for update in one.updates
        ]
        if one.minimum:
            lines.append(visible(f"  needs {one.engine or 'the engine'} {one.minimum} or newer"))
        if one.stay:
            lines.append(visible(f"  {one.stay}"))
    return lines


def known_lines(found: Sequence[Shelved]) -> list[str]:
    """Return the instruments that are known, and what can be opened besides."""
    lines = ["The instruments it knows:", "", *shelf_lines(found, asked=True), ""] if found else []
    return [
        *lines,
        "companion FOLDER         open an instrument, or look at any folder",
        "companion start FOLDER   begin with a folder of yours",
        "companion demo DIR       a copy of the demo instrument, to try things on",
        "companion --help         all there is",
    ]


def shelf_lines(found: Sequence[Shelved], *, asked: bool) -> list[str]:
    """Return how far each instrument is, what is out, where it lies and what is next. asked: not those of the shelf."""
    if not found:
        if asked:
            return ["No instrument with facts lies there."]
        return ["Your shelf is empty. Put an instrument on it with: companion shelf --keep DIR"]
    lines = []
    for one in found:
        if one.problem:
            lines += [f"{visible(one.folder)}", f"  {visible(one.problem)}"]
            continue
        out = f"; out: {one.released}" if one.released else "; nothing out yet"
        lines.append(
            visible(f"{one.title or 'Untitled'} {one.version}".strip() + f"  {one.settled} of {one.steps}{out}")
        )
        lines.append(f"  {visible(one.folder)}  {plural(one.files, 'file')}, {decimal_bytes(one.bytes)}")
        todo = [one.next, f"snapshot due: {one.due}" if one.due else ""]
        todo.append(f"{plural(one.reports, 'report')} open" if one.reports else "")
        lines += [f"  next: {visible('; '.join(filter(None, todo)))}"] if any(todo) else []
    return lines
