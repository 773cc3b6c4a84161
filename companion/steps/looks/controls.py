"""Controls and Away: what a person judged of exactly this content."""

from collections.abc import Sequence

import msgspec

from companion.core.evidence import Answer, AwayTest
from companion.core.facts import Facts
from companion.core.findings import ordered
from companion.core.rules import findings_of
from companion.core.text import listed, plural, visible
from companion.steps.desk import Desk
from companion.steps.looks.bounces import because_of, bounces, by_ear_trials, measured_trials
from companion.steps.looks.kits_sent import SentKits, sent_kits
from companion.steps.looks.proofs import explained, proofs
from companion.steps.model import Look
from companion.trials import away_rules, control_rules
from companion.trials import plan as trial_plan
from companion.trials.away import KINDS, Guide, passes
from companion.trials.away_filing import WHY, Aside
from companion.trials.away_rules import AwayModel
from companion.trials.control_rules import ControlsModel, verdicts
from companion.trials.plan import Trial


class TrialView(msgspec.Struct, frozen=True, kw_only=True):
    """A trial and the latest answer to it for this content; None while there is none.

    measured: the answer comes from a bounce of the performance, and is not given by hand.
    """

    trial: Trial
    answer: Answer | None = None
    measured: bool = False


class AwayView(msgspec.Struct, frozen=True, kw_only=True):
    """How to run each kind of away test, and those recorded: those that count, and the others with the reason.

    next: which test would settle most, in a sentence; empty where nothing is left to settle. sent: the test kits.
    """

    kinds: tuple[Guide, ...]
    here: tuple[AwayTest, ...]
    elsewhere: tuple[Aside, ...]
    next: str = ""
    sent: SentKits = SentKits()


def planned(facts: Facts) -> tuple[Trial, ...]:
    """Return the trials of the controls that ``facts`` declare; the same facts give the same shuffled order."""
    return trial_plan.planned(facts.controls)


def asked_by_hand(desk: Desk) -> tuple[Trial, ...]:
    """Return every trial a person is asked to make, or has answered: what bounces could not tell, and trials of the
    controls that none has measured.
    """
    plan = planned(desk.facts)
    known, answered = proofs(desk, plan), verdicts(plan, desk.answers)
    asked = (one for one in plan if one.id in answered or not (one.id in known and known[one.id].answer))
    return (*by_ear_trials(desk), *(explained(one, None if one.id in answered else known.get(one.id)) for one in asked))


def answerable(desk: Desk) -> dict[str, Trial]:
    """Return the trials a person may answer, by id: an ear may contradict what was measured of a control."""
    return {trial.id: trial for trial in (*by_ear_trials(desk), *planned(desk.facts))}


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
    if "controls" in desk.facts.instrument.without:
        because = "the facts state that there are no controls" + (f"; {because}" if plan else "")
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
    filed, sent = desk.away_filed, sent_kits(desk)
    return AwayView(kinds=tuple(KINDS.values()), here=filed.here, elsewhere=filed.aside, next=sent.next, sent=sent)


def look_away(desk: Desk) -> Look:
    """Judge the away tests recorded."""
    filed = desk.away_filed
    model = AwayModel(facts=desk.facts, tests=filed.here, others=filed.aside)
    passed = [test for test in model.counting if passes(test)]
    because = f"{plural(len(passed), 'away test')} passed: {_told(passed)}" if model.opened else ""
    return Look(
        findings=findings_of(away_rules.RULES, model),
        details={"because": because or "no away test of this content", "tests": len(filed.here)},
        stale="" if filed.here else _set_aside(filed.aside),
    )


def _told(tests: Sequence[AwayTest]) -> str:
    """Return where and how it was tested, in a few words: kind and system."""
    return listed([visible(f"{test.kind} ({test.system})") for test in tests], 3)


def _set_aside(tests: Sequence[Aside]) -> str:
    """Return why none of the tests there are counts, by the reason that is soonest mended; empty: none is there."""
    for why in ("not all said", "another engine", "other content"):
        if several := [test for test in tests if test.why == why]:
            return f"{plural(len(several), 'away test')} {WHY[why]}"
    return ""
