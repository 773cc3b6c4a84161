"""Controls and Away: what a person judged of exactly this content."""

import msgspec

from companion.core.evidence import Answer, AwayTest
from companion.core.facts import Facts
from companion.core.rules import findings_of
from companion.core.text import plural
from companion.steps.desk import Desk
from companion.steps.model import Look
from companion.trials import away_rules, control_rules
from companion.trials.away import KINDS, Guide
from companion.trials.away_rules import AwayModel
from companion.trials.control_rules import ControlsModel, verdicts
from companion.trials.plan import Trial, seed_from, trials


class TrialView(msgspec.Struct, frozen=True, kw_only=True):
    """A trial and the latest answer to it for this content; None while there is none."""

    trial: Trial
    answer: Answer | None = None


class AwayView(msgspec.Struct, frozen=True, kw_only=True):
    """How to run each kind of away test, and those recorded: for this content, and for other content."""

    kinds: tuple[Guide, ...]
    here: tuple[AwayTest, ...]
    elsewhere: tuple[AwayTest, ...]


def planned(facts: Facts) -> tuple[Trial, ...]:
    """Return the trials of the controls that ``facts`` declare; the same facts give the same shuffled order."""
    return trials(facts.controls, seed_from(" ".join(control.name for control in facts.controls)))


def trial_views(desk: Desk) -> tuple[TrialView, ...]:
    """Return every trial with its latest answer, a note only where nothing else was said."""
    plan = planned(desk.facts)
    latest = {answer.subject: answer for answer in desk.answers} | verdicts(plan, desk.answers)
    return tuple(TrialView(trial=trial, answer=latest.get(trial.id)) for trial in plan)


def look_controls(desk: Desk) -> Look | None:
    """Judge the answers given to the trials; None without facts: nobody has said then that there are no controls."""
    if not desk.places.facts.is_file():
        return None
    plan = planned(desk.facts)
    done = len(verdicts(plan, desk.answers))
    because = f"{done} of {plural(len(plan), 'trial')} answered" if plan else "no control is declared"
    model = ControlsModel(facts=desk.facts, trials=plan, answers=desk.answers)
    found = findings_of(control_rules.RULES, model)
    return Look(findings=found, details={"because": because, "trials": len(plan), "answered": done})


def away_view(desk: Desk) -> AwayView:
    """Return what is known of away tests."""
    return AwayView(kinds=tuple(KINDS.values()), here=desk.away_here, elsewhere=desk.away_elsewhere)


def look_away(desk: Desk) -> Look:
    """Judge the away tests recorded."""
    model = AwayModel(facts=desk.facts, tests=desk.away_here, others=desk.away_elsewhere)
    passed = [test for test in model.opened if test.result == "pass"]
    because = f"{plural(len(passed), 'away test')} of this content passed" if passed else "no away test of this content"
    found = findings_of(away_rules.RULES, model)
    return Look(findings=found, details={"because": because, "tests": len(desk.away_here)})
