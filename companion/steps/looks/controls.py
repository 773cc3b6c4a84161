"""Controls and Away: what a person judged of exactly this content."""

import msgspec

from companion.core.evidence import Answer, AwayTest
from companion.core.facts import Facts
from companion.core.findings import ordered
from companion.core.rules import findings_of
from companion.core.text import plural
from companion.steps.desk import Desk
from companion.steps.looks.bounces import because_of, bounces, by_ear_trials, measured_trials
from companion.steps.looks.proofs import explained, proofs
from companion.steps.model import Look
from companion.trials import away_rules, control_rules
from companion.trials.away import KINDS, Guide
from companion.trials.away_rules import AwayModel
from companion.trials.control_rules import ControlsModel, verdicts
from companion.trials.plan import Trial, seed_from, trials


class TrialView(msgspec.Struct, frozen=True, kw_only=True):
    """A trial and the latest answer to it for this content; None while there is none.

    measured: the answer comes from a bounce of the performance, and is not given by hand.
    """

    trial: Trial
    answer: Answer | None = None
    measured: bool = False


class AwayView(msgspec.Struct, frozen=True, kw_only=True):
    """How to run each kind of away test, and those recorded: for this content, and for other content."""

    kinds: tuple[Guide, ...]
    here: tuple[AwayTest, ...]
    elsewhere: tuple[AwayTest, ...]


def planned(facts: Facts) -> tuple[Trial, ...]:
    """Return the trials of the controls that ``facts`` declare; the same facts give the same shuffled order."""
    return trials(facts.controls, seed_from(" ".join(control.name for control in facts.controls)))


def asked_by_hand(desk: Desk) -> tuple[Trial, ...]:
    """Return every trial a person is asked to make, or has answered: what bounces could not tell, and trials of the
    controls that none has measured.
    """
    plan = planned(desk.facts)
    known, answered = proofs(desk, plan), verdicts(plan, desk.answers)
    asked = (one for one in plan if one.id in answered or not (one.id in known and known[one.id].answer))
    return (*by_ear_trials(desk), *(explained(one, None if one.id in answered else known.get(one.id)) for one in asked))


def answerable(desk: Desk) -> set[str]:
    """Return the ids of trials a person may answer: an ear may contradict what was measured of a control."""
    return {trial.id for trial in (*by_ear_trials(desk), *planned(desk.facts))}


def trial_views(desk: Desk) -> tuple[TrialView, ...]:
    """Return what was measured, then every trial by hand with its latest answer, a note only where nothing else is.

    A trial of a control that was measured stands at its place, as measured; an answer by hand stands over a pass, since
    an ear may hear more.
    """
    plan = (*by_ear_trials(desk), *planned(desk.facts))
    given = verdicts(plan, desk.answers)
    latest = {answer.subject: answer for answer in desk.answers} | given
    known = proofs(desk, planned(desk.facts))
    views = [TrialView(trial=one, answer=answer, measured=True) for one, answer in measured_trials(desk)]
    for trial in plan:
        proof = known.get(trial.id)
        measured = proof.answer if proof else None
        if measured and (measured.result == "fail" or trial.id not in given):
            views.append(TrialView(trial=explained(trial, proof), answer=measured, measured=True))
        else:
            asked = trial if measured else explained(trial, proof)
            views.append(TrialView(trial=asked, answer=latest.get(trial.id)))
    return tuple(views)


def look_controls(desk: Desk) -> Look | None:
    """Judge the answers given to the trials, and take in what bounces told of exactly this content.

    None without facts: nobody has said then that there are no controls.
    """
    if not desk.places.facts.is_file():
        return None
    plan = asked_by_hand(desk)
    done = len(verdicts(plan, desk.answers))
    because = f"{done} of {plural(len(plan), 'trial')} answered" if plan else "no trial is left to the hand"
    if not desk.facts.controls and not plan:
        because = "no control is declared"
    bounced = because_of(desk)
    model = ControlsModel(facts=desk.facts, trials=plan, answers=desk.answers)
    found = findings_of(control_rules.RULES, model)
    heard = tuple(finding for one in bounces(desk) for finding in one.findings)
    return Look(
        findings=ordered((*found, *heard)),
        details={"because": f"{because}; {bounced}" if bounced else because, "trials": len(plan), "answered": done},
    )


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
