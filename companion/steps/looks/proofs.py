"""Which trials of the controls need no hand any more, since a bounce of this content was measured."""

from __future__ import annotations

import msgspec

from companion.core.evidence import Answer, Evidence
from companion.core.facts import Facts
from companion.core.text import listed, visible
from companion.steps.desk import Desk
from companion.steps.looks.bounces import MEASURED, bounces, details_of, is_whole
from companion.steps.looks.judging import BounceDetails, ControlTold
from companion.trials.plan import ORDERS, Trial


class TrialProof(msgspec.Struct, frozen=True, kw_only=True):
    """What bounces say of a trial. answer: what was measured; None where they could not tell; ``reason`` says why."""

    answer: Answer | None = None
    reason: str = ""


def proofs(desk: Desk, plan: tuple[Trial, ...]) -> dict[str, TrialProof]:
    """Return what bounces of exactly this content say of the trials in ``plan``, by id; those they say nothing of are
    left out.
    """
    found: dict[str, TrialProof] = {}
    for one in bounces(desk):
        held = details_of(one)
        if held.part == "controls":
            said = {trial.id: _said_of(trial, held, desk.facts) for trial in plan}
            found |= {key: _proof(key, one, told) for key, told in said.items() if told}
    return found


def explained(trial: Trial, proof: TrialProof | None) -> Trial:
    """Return a trial that says why it is still asked by hand, or that it was measured."""
    if proof is None:
        return trial
    if proof.answer:
        return msgspec.structs.replace(trial, instruction=MEASURED, expect="")
    return msgspec.structs.replace(
        trial, instruction=f"{trial.instruction} (The bounce could not tell: {proof.reason}.)"
    )


def _said_of(trial: Trial, held: BounceDetails, facts: Facts) -> list[ControlTold]:
    """Return what a bounce told that bears on a trial; what could not be told among it keeps the trial by hand."""
    if trial.kind == "alone":
        name = trial.steps[0].control
        rules = ("control-no-effect", "control-wrong-effect")
        return [told for told in held.told if told.control == name and told.rule in rules]
    rule = "order-matters" if trial.kind in ORDERS else "pair-silences"
    said = [told for told in held.told if told.rule == rule]
    missing = [control.name for control in facts.controls if control.name not in held.moved]
    if said and missing:
        return [_untold(rule, f"it does not move {listed([f'“{visible(name)}”' for name in missing], 4)}")]
    # How a control moves that may do nothing at all was not judged.
    unsure = [told for told in held.told if told.rule == "control-no-effect" and told.outcome == "unjudged"]
    if said and unsure and rule == "order-matters":
        name = visible(unsure[0].control)
        return [*said, _untold(rule, f"what “{name}” does was not clear")]
    return said


def _untold(rule: str, reason: str) -> ControlTold:
    return ControlTold(rule=rule, outcome="unjudged", reason=reason)


def _proof(trial: str, one: Evidence, told: list[ControlTold]) -> TrialProof:
    outcomes = {each.outcome for each in told}
    if "fault" in outcomes:
        wrong = listed(list(dict.fromkeys(each.rule for each in told if each.outcome == "fault")))
        return TrialProof(answer=Answer(subject=trial, result="fail", note=wrong, at=one.taken))
    if not is_whole(one):
        return TrialProof(reason="it is not all there")
    if "unjudged" in outcomes:
        return TrialProof(reason=next(each.reason for each in told if each.outcome == "unjudged"))
    return TrialProof(answer=Answer(subject=trial, result="pass", at=one.taken))
