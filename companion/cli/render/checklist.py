"""The checklist, what its steps found, what a player must have, and what a person judged."""

from __future__ import annotations

import os
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion.core.findings import Finding, tally
from companion.core.text import listed, visible

if TYPE_CHECKING:
    from companion.steps.account.due import Standing
    from companion.steps.checks.needs import Line
    from companion.steps.looks.controls import TrialView
    from companion.steps.model import StepStatus

MOST_SHOWN: Final = 5
"""Findings of one rule that are shown one by one in plain output; --json has them all."""


def status_lines(status: Standing, *, has_facts: bool) -> list[str]:
    """Return the checklist: a line a step, then the one next thing to do, then whether a snapshot is due."""
    name = " ".join(part for part in (status.title or "Untitled", status.version) if part)
    lines = [f"{name}: {status.count}", ""]
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
        "waived": status.waived,
        "steps": [
            {key: getattr(step, key) for key in ("id", "title", "state", "because", "next")}
            | {"findings": tally(step.findings)}
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
        "steps": [
            {
                "id": step.id,
                "state": step.state,
                "because": step.because,
                "read": step.details.get("read", {}),
                "names": step.details.get("names"),
                "compared": step.details.get("compared", {}),
            }
            for step in steps
        ],
        "findings": [{"step": step.id, **msgspec.to_builtins(finding)} for step in steps for finding in step.findings],
    }


def findings_lines(steps: Sequence[StepStatus]) -> list[str]:
    """Return each step with its findings grouped by rule: measured beside limit, then why and how to mend."""
    lines: list[str] = []
    for step in steps:
        lines += [f"{step.state.mark} {step.title}: {step.state.value}. {visible(step.because)}"]
        lines += [f"    names: {visible(line)}" for line in (step.details.get("names") or {}).get("told", ())]
        lines += [f"    heard: {visible(line)}" for line in step.details.get("heard", ())]
        read = step.details.get("read", {})
        lines += [f"    read: {visible(path)}: {visible(how)}" for path, how in list(read.items())[:MOST_SHOWN]]
        for path, facts in step.details.get("compared", {}).items():
            told = listed(facts, 20) or "it states no fact"
            lines.append(f"    compared in {visible(path) or 'the download page'}: {told}")
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
            lines += [f"        waived before: {finding.lapsed}"] if finding.lapsed else []
            lines += [f"        mend: {visible(finding.mend)}"] if own and finding.mend else []
        if len(several) > MOST_SHOWN:
            lines.append(f"      … and {len(several) - MOST_SHOWN:,} more (--json lists them all)")
        lines += [f"      why: {several[0].why}"] if several[0].why else []
        lines += [f"      mend: {visible(several[0].mend)}"] if several[0].mend and not own else []
    return [*lines, ""] if lines else []


def needs_lines(lines: Sequence[Line]) -> list[str]:
    """Return the requirement, each line with what it rests on."""
    return [
        f"{'✓' if line.proven else '·'} {line.name:<15} {visible(line.value)}  ({visible(line.because)})"
        for line in lines
    ]


def typed(path: Path | str) -> str:
    """Return a path as one word of a command line, so that what is offered can be copied and run."""
    import shlex
    import subprocess

    return subprocess.list2cmdline([str(path)]) if os.name == "nt" else shlex.quote(str(path))


def trials_lines(views: Sequence[TrialView]) -> list[str]:
    """Return each trial: id, answer, title, what to do."""
    lines = []
    for view in views:
        answer = view.answer.result if view.answer else "not tried"
        proven = "proven by measurement" if answer == "pass" else f"{answer}, measured"
        how = proven if view.measured else f"{answer:<9}"
        lines += [
            f"{view.trial.id}  {how}  {visible(view.trial.title)}",
            f"    {visible(view.trial.instruction)}",
        ]
        lines += [f"    expect: {visible(view.trial.expect)}"] if view.trial.expect else []
        lines += [f"    “{visible(view.answer.note)}”"] if view.answer and view.answer.note else []
    return lines or ["No control is declared in release.toml, so there is nothing to try."]
