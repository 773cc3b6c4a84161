"""Plain output: values in, lines of text or JSON out. Text from files is made visible-safe here."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion.core.findings import Finding, tally
from companion.core.progress import Progress, Watch
from companion.core.text import plural, shorten, visible
from companion.core.units import both_bytes, decimal_bytes, level

if TYPE_CHECKING:
    from types import FrameType

    from companion.archive.record import ReleaseRecord
    from companion.core.rules import Rule
    from companion.history.model import Restored
    from companion.history.snapshot import Snapshot
    from companion.sound.measures.measured import Measured
    from companion.steps.account.due import Standing
    from companion.steps.checks.needs import Line
    from companion.steps.deeds.update import Updated
    from companion.steps.looks.archive import Packed, StrangerProof
    from companion.steps.looks.controls import AwayView, TrialView
    from companion.steps.looks.words import Draft
    from companion.steps.model import StepStatus

MOST_SHOWN: Final = 5
"""Findings of one rule that are shown one by one in plain output; --json has them all."""


def to_json(data: Any) -> str:
    """Return one JSON object with ``schema`` first. Non-UTF-8 names stand as escaped lone surrogates."""
    import json

    plain = msgspec.to_builtins(data, enc_hook=str)
    return json.dumps({"schema": 1, **plain}, ensure_ascii=True, indent=1)


@contextlib.contextmanager
def terminal_watch(*, quiet: bool) -> Iterator[Watch]:
    """Give a watch that writes one line of progress to a terminal, and that Ctrl+C cancels cleanly.

    A second Ctrl+C interrupts at once.
    """
    shown = not quiet and sys.stderr.isatty()
    watch = Watch(_show_progress if shown else None)

    def stop(number: int, frame: FrameType | None) -> None:
        if watch.cancelled:
            raise KeyboardInterrupt
        watch.cancel()

    try:
        before = signal.signal(signal.SIGINT, stop)
    except ValueError:  # not in the main thread: whoever runs us there handles the signal
        before = None
    try:
        yield watch
    finally:
        if before is not None:
            signal.signal(signal.SIGINT, before)
        if shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def _show_progress(progress: Progress) -> None:
    import shutil  # which brings three compressors along

    width = shutil.get_terminal_size().columns - 1
    sys.stderr.write(f"\r\x1b[K{shorten(visible(progress.line), width)}")
    sys.stderr.flush()


def status_lines(status: Standing, *, has_facts: bool) -> list[str]:
    """Return the checklist: a line a step, then the one next thing to do, then whether a snapshot is due."""
    name = " ".join(part for part in (status.title or "Untitled", status.version) if part)
    lines = [f"{name}: {status.proven} of {len(status.steps)} proven", ""]
    lines += [
        f"  {step.state.mark} {step.title:<9} {step.state.value:<8} {visible(step.because)}".rstrip()
        for step in status.steps
    ]
    if not has_facts:
        lines += ["", "Next: this folder has no release.toml yet. Run: companion start FOLDER"]
    elif step := status.next_step:
        lines += ["", f"Next: {step.title}. {step.next}"]
    if due := status.due:
        since = f" ({due.since[:10]})" if due.since else ""
        lines += [f"Snapshot due: {due.because}{visible(since)}. Take it: companion snapshot FOLDER -m LABEL"]
    return lines


def status_json(status: Standing) -> dict[str, Any]:
    """Return what scripts read of a status: per step id, title, state, because and counts of findings.

    snapshot: whether one is due, why, a label to offer, the newest there is, and counts of what none holds; null where
    that is not known.
    """
    return {
        "title": status.title,
        "version": status.version,
        "proven": status.proven,
        "steps": [
            {
                "id": step.id,
                "title": step.title,
                "state": step.state.value,
                "because": step.because,
                "next": step.next,
                "findings": tally(step.findings),
            }
            for step in status.steps
        ],
        "snapshot": _snapshot_json(status),
    }


def _snapshot_json(status: Standing) -> dict[str, Any] | None:
    if (unkept := status.unkept) is None:
        return None
    moved = unkept.moved
    return {
        "due": status.due is not None,
        "because": status.due.because if status.due else "",
        "label": status.due.label if status.due else "",
        "newest": unkept.snapshot or None,
        "taken": unkept.at,
        "not_kept": {
            "samples": moved.samples.total,
            "patches": moved.patches.total,
            "scripts": moved.scripts.total,
            "facts": moved.facts,
            "others": moved.others,
        },
    }


def findings_json(steps: Sequence[StepStatus]) -> dict[str, Any]:
    """Return the findings of steps, each with the id of its step, and the states."""
    return {
        "steps": [{"id": step.id, "state": step.state.value, "because": step.because} for step in steps],
        "findings": [{"step": step.id, **msgspec.to_builtins(finding)} for step in steps for finding in step.findings],
    }


def findings_lines(steps: Sequence[StepStatus]) -> list[str]:
    """Return each step with its findings grouped by rule: measured beside limit, then why and how to mend."""
    lines: list[str] = []
    for step in steps:
        lines += [f"{step.state.mark} {step.title}: {step.state.value}. {visible(step.because)}"]
        lines += [f"    heard: {visible(line)}" for line in step.details.get("heard", ()) if step.id == "sound"]
        lines += finding_lines(step.findings)
    return lines


def finding_lines(findings: Sequence[Finding]) -> list[str]:
    """Return findings grouped by rule and severity."""
    lines = []
    for (rule, severity, waived), group in groupby(findings, key=lambda f: (f.rule, f.severity.value, f.waived)):
        several = list(group)
        state = f"waived: {visible(waived)}" if waived else severity
        lines += ["", f"    {rule} ({state})" + (f", {len(several):,} of them" if len(several) > 1 else "")]
        own = len({finding.mend for finding in several}) > 1
        for finding in several[:MOST_SHOWN]:
            place = ", ".join(visible(part) for part in (finding.path, finding.where) if part)
            limit = f" (limit: {visible(finding.limit)})" if finding.limit else ""
            what = f"{visible(finding.measured)}{limit}".strip()
            lines.append(f"      {place}: {what}" if place and what else f"      {place or what}")
            lines += [f"        mend: {visible(finding.mend)}"] if own and finding.mend else []
        if len(several) > MOST_SHOWN:
            lines.append(f"      … and {len(several) - MOST_SHOWN:,} more (--json lists them all)")
        lines += [f"      why: {several[0].why}"] if several[0].why else []
        lines += [f"      mend: {visible(several[0].mend)}"] if several[0].mend and not own else []
    return [*lines, ""] if lines else []


_RULE_KEYS: Final = (
    *("id", "step", "severity", "version", "rests_on"),
    *("means", "why", "mend", "limit", "unit", "bound", "source", "unknown"),
)


def rule_data(rule: Rule[Any]) -> dict[str, Any]:
    """Return a rule as plain values for JSON."""
    return {key: getattr(rule, key) for key in _RULE_KEYS if hasattr(rule, key)}


def rule_lines(chosen: Sequence[Rule[Any]], *, full: bool) -> list[str]:
    """Return rules as a list, or one rule in full."""
    if not full:
        return [f"{rule.step:<9} {rule.severity.value:<7} {rule.id:<24} {rule.means}" for rule in chosen]
    lines = []
    for rule in chosen:
        lines += [f"{rule.id}: {rule.means}", f"  step: {rule.step}   severity: {rule.severity.value}"]
        lines += [f"  limit: {rule.limit}"] if rule.limit else []
        lines += [f"  why: {rule.why}", f"  mend: {rule.mend}", f"  source: {rule.source}"]
    return lines


def measures_csv(measured: Sequence[Measured]) -> str:
    """Return measures as CSV (RFC 4180), a line a file; a cell a spreadsheet would run as a formula gets a quote."""
    import csv
    import io

    from companion.sound.measures.measured import FIELDS, to_row

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(FIELDS)
    for one in measured:
        path, *values = map(visible, to_row(one))
        writer.writerow(
            [_inert(path, "=+@-"), *(_inert(value, "=+@") for value in values)]
        )  # a level may be below zero
    return out.getvalue()


def _inert(cell: str, signs: str) -> str:
    return f"'{cell}" if cell and cell[0] in signs else cell


def measure_lines(measured: Sequence[Measured]) -> list[str]:
    """Return a line a file: length, format, peak."""
    lines = []
    for item in measured:
        if item.problem:
            lines.append(f"{visible(item.path)}: {item.problem}: {visible(item.problem_text)}")
        if not item.readable:
            continue
        peak = level(item.peak_dbfs) if item.peak_dbfs is not None else "peak not judged"
        lines.append(
            f"{visible(item.path)}: {item.seconds:.3f} s, {item.rate:,} Hz, {item.channels} ch, {item.subtype}, {peak}"
        )
    return lines


def typed(path: Path) -> str:
    """Return a path as one word of a command line, so that what is offered can be copied and run."""
    import shlex
    import subprocess

    return subprocess.list2cmdline([str(path)]) if os.name == "nt" else shlex.quote(str(path))


def ask_lines(facts: Path, folder: Path) -> list[str]:
    """Return what to say after facts were written."""
    return [f"Written: {facts}", f"Next: companion {typed(folder)}"]


def snapshot_lines(taken: Snapshot) -> list[str]:
    """Return what was kept, what could not be, and what changed while it was read."""
    what = f"{plural(taken.files, 'file')}, {both_bytes(taken.bytes)}"
    lines = [
        f"Snapshot {taken.number} kept: {what}." if taken.new else f"Nothing has changed since snapshot {taken.number}."
    ]
    lines += [f"  changed while it was read: {visible(path)}" for path in taken.changed_while_read]
    lines += [f"  left out: {visible(path)} ({visible(reason)})" for path, reason in taken.left_out]
    return lines


def snapshots_lines(listed: Sequence[Snapshot]) -> list[str]:
    """Return a line a snapshot, newest first."""
    return [
        f"{shot.number:>5}  {shot.at[:16].replace('T', ' ')}  {plural(shot.files, 'file'):>13}  "
        f"{decimal_bytes(shot.bytes):>9}  {visible(shot.label)}"
        f"{f'  [released as {visible(shot.version)}]' if shot.version else ''}"
        for shot in listed
    ] or ["No snapshots yet. Take one with: companion snapshot FOLDER -m LABEL"]


def restored_json(restored: Restored) -> dict[str, Any]:
    """Return what a restore did, for a program."""
    safety = restored.safety and restored.safety.as_dict()
    return {**{name: getattr(restored, name) for name in restored.__struct_fields__}, "safety": safety}


def restored_lines(restored: Restored) -> list[str]:
    """Return what a restore did, and what it could not."""
    lines = [
        f"Restored: {len(restored.written):,} written, {len(restored.removed):,} taken away, "
        f"{restored.unchanged:,} as they were."
    ]
    if restored.safety:
        lines.append(f"What was there before is kept as snapshot {restored.safety.number}.")
    return lines + [f"  not restored: {visible(path)} ({visible(reason)})" for path, reason in restored.failed]


def needs_lines(lines: Sequence[Line]) -> list[str]:
    """Return the requirement, each line with what it rests on."""
    return [
        f"{'✓' if line.proven else '·'} {line.name:<15} {visible(line.value)}  ({visible(line.because)})"
        for line in lines
    ]


def trials_lines(views: Sequence[TrialView]) -> list[str]:
    """Return each trial: id, answer, title, what to do."""
    lines = []
    for view in views:
        answer = view.answer.result if view.answer else "not tried"
        lines += [
            f"{view.trial.id}  {answer:<9}  {visible(view.trial.title)}",
            f"    {visible(view.trial.instruction)}",
        ]
        lines += [f"    expect: {visible(view.trial.expect)}"] if view.trial.expect else []
        lines += [f"    “{visible(view.answer.note)}”"] if view.answer and view.answer.note else []
    return lines or ["No control is declared in release.toml, so there is nothing to try."]


def away_lines(view: AwayView, *, short: bool) -> list[str]:
    """Return the away tests recorded, and how to run each kind."""
    lines = [f"{plural(len(view.here), 'away test')} of this content, {len(view.elsewhere):,} of other content."]
    for test in view.here:
        who = " · ".join(visible(part) for part in (test.who, test.system, test.engine_version, test.edition) if part)
        lines.append(f"  {test.result}: {test.kind}  {who}  {visible(test.notes)}".rstrip())
    if short:
        return lines
    for guide in view.kinds:
        lines += ["", f"{guide.kind}: {guide.shows}", *(f"  {n}. {step}" for n, step in enumerate(guide.steps, 1))]
    return lines


def draft_notes(drafted: Draft) -> list[str]:
    """Return what still stands in the way of a draft."""
    lines = [f"Missing: {visible(name)}" for name in drafted.missing]
    return lines + [f"Yours and the draft differ, yours stands: {visible(text)}" for text in drafted.conflicts]


def packed_lines(packed: Packed) -> list[str]:
    """Return what was built, how it was proven, and whether it may go out."""
    lines = [
        _built(packed.path, kept=packed.kept),
        f"  {both_bytes(packed.size)}, {plural(packed.members, 'file')}",
        f"  SHA-256 {packed.sha256}",
        f"  opened again with: {', '.join(packed.checked_with)}",
    ]
    lines += finding_lines(packed.findings)
    return [*lines, packed.because]


def updated_lines(updated: Updated) -> list[str]:
    """Return what an update holds, against the whole."""
    replaced = plural(len(updated.changed), "file")
    kept = not any(finding.blocks for finding in updated.findings)
    return [
        _built(updated.path, kept=kept),
        f"  {both_bytes(updated.size)}; the whole version unpacks to {both_bytes(updated.full)}",
        f"  SHA-256 {updated.sha256}",
        f"  {replaced} replaced, {len(updated.added):,} new, {len(updated.removed):,} to delete",
        *finding_lines(updated.findings),
        *([] if kept else ["Not fit to publish, and not kept: mend what blocks and build it again."]),
    ]


def _built(path: Path, *, kept: bool) -> str:
    return f"Built: {visible(str(path))}" if kept else f"Built, and not kept: {visible(path.name)}"


def proof_lines(proof: StrangerProof) -> list[str]:
    """Return whether a stranger's archive is whole and portable."""
    whole = not any(finding.blocks for finding in proof.findings)
    lines = [f"{visible(proof.path)}: {plural(proof.members, 'file')}, {both_bytes(proof.bytes)} unpacked"]
    lines.append(f"  SHA-256 {proof.sha256}")
    if proof.checked_with:
        lines.append(f"  opened with: {', '.join(proof.checked_with)}")
    return [*lines, *finding_lines(proof.findings), "Whole and portable." if whole else "Not fit to publish."]


def record_lines(record: ReleaseRecord) -> list[str]:
    """Return what was recorded of a release."""
    kept = f"snapshot {record.snapshot}" if record.snapshot else "no snapshot (no git here)"
    return [
        f"Released: {visible(record.title)} {visible(record.version)}, {kept}",
        f"  {visible(record.archive)}  {both_bytes(record.size)}",
        f"  SHA-256 {record.sha256}",
        "Next: upload it, download your own upload, and run: companion upload FOLDER DOWNLOADED_FILE",
    ]
