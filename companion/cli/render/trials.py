"""Trials of the controls, and away tests."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from companion.core.text import plural, visible

if TYPE_CHECKING:
    from companion.steps.looks.controls import AwayView, TrialView


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
