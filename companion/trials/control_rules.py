"""What the trials given so far say about the controls of this content. Pure: values in, findings out."""

from collections.abc import Iterable, Iterator
from functools import cached_property, partial
from typing import Final

import msgspec

from companion.core.evidence import Answer
from companion.core.facts import Facts
from companion.core.findings import BLOCKS, NOWHERE, WARNS, At, Finding
from companion.core.rules import Rule, rule
from companion.core.text import listed, plural
from companion.trials.plan import ORDERS, Trial
from companion.trials.quoting import quoted

_controls_rule: Final = partial(rule, step="controls")


def verdicts(trials: Iterable[Trial], answers: Iterable[Answer]) -> dict[str, Answer]:
    """Return the latest pass or fail by trial id; notes decide nothing, and answers to no known trial are left out."""
    known = {trial.id for trial in trials}
    return {answer.subject: answer for answer in answers if answer.subject in known and answer.result != "note"}


class ControlsModel(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """Controls and what was judged of them. trials: the plan for ``facts``. answers: for exactly this content, in
    the order they were given.
    """

    facts: Facts
    trials: tuple[Trial, ...]
    answers: tuple[Answer, ...] = ()

    @cached_property
    def verdicts(self) -> dict[str, Answer]:
        """The latest pass or fail by trial id."""
        return verdicts(self.trials, self.answers)


@_controls_rule(
    "controls-none",
    WARNS,
    version=2,
    means="No control is declared in the facts, and nothing says that there are none.",
    why="If the instrument has controls after all, one that does nothing or breaks the sound goes out unnoticed.",
    mend="Declare each control in the facts. If there are none, say so with: companion fact FOLDER "
    "instrument.without controls.",
    limit="each control declared, or the fact that there are none",
    unknown=True,
)
def controls_none(model: ControlsModel) -> Iterator[Finding]:
    """No control is declared, and an instrument without controls, which is an honest one, is stated to be one."""
    if not model.facts.controls and "controls" not in model.facts.instrument.without:
        yield controls_none.finding(says="no control is declared, and nothing states that there are none")


@_controls_rule(
    "control-untried",
    BLOCKS,
    means="A control has not been tried alone, at both its ends, with this content.",
    why="Players move every control in the first minute; one that does nothing, or does the wrong thing, is what they "
    "remember.",
    mend="Open the trials of this step, follow each, and answer pass or fail. A note alone decides nothing.",
    limit="each control tried at both ends",
    unit="trial",
    bound=0,
)
def control_untried(model: ControlsModel) -> Iterator[Finding]:
    """A control was not judged alone; one finding for all of them, since one sitting mends it."""
    yield from _not_judged(control_untried, model, "alone")


@_controls_rule(
    "order-missing",
    WARNS,
    version=2,
    means="The controls have not been moved together in every order: left to right, right to left, shuffled.",
    why="Where the order of the moves decides, the same settings sound different each evening, and a sound once found "
    "cannot be found again.",
    mend="Make the order trials; the shuffled one is always in the same order, so it can be repeated.",
    limit="each order tried",
    unit="trial",
    bound=0,
)
def order_missing(model: ControlsModel) -> Iterator[Finding]:
    """An order was not tried: that a result depends on the order shows only when orders are compared."""
    yield from _not_judged(order_missing, model, *ORDERS)


@_controls_rule(
    "pairs-missing",
    WARNS,
    means="Some pairs of extreme settings have not been heard together.",
    why="Two controls that are fine alone may together silence the instrument or overload it.",
    mend="Make the trials of extremes together: they are as few as can hold every pair of ends.",
    limit="every pair of ends",
    unit="trial",
    bound=0,
    source="covering arrays of strength two: Katona 1973; Kleitman and Spencer 1973",
)
def pairs_missing(model: ControlsModel) -> Iterator[Finding]:
    """Extremes were not heard together; most faults of combination need two settings, seldom three."""
    yield from _not_judged(pairs_missing, model, "pairs")


def _not_judged(rule: Rule[ControlsModel], model: ControlsModel, *kinds: str) -> Iterator[Finding]:
    trials = [trial for trial in model.trials if trial.kind in kinds]
    missing = [trial.title for trial in trials if trial.id not in model.verdicts]
    if missing:
        text = f"{len(missing):,} of {plural(len(trials), 'trial')} not judged: {listed(missing)}"
        yield rule.finding(value=len(missing), says=text)


MOST_ASKED: Final = 3
"""Questions that are written out in one line; the others are counted."""


@_controls_rule(
    "bounce-unheard",
    BLOCKS,
    version=2,
    means="The bounce of the performance could not tell this, and nobody has listened to it.",
    why="What neither a measure nor an ear has judged goes out unknown.",
    mend="Open the trials of this step, play the notes named, and answer pass or fail.",
    limit="each judged by ear",
    unit="trial",
    bound=0,
)
def bounce_unheard(model: ControlsModel) -> Iterator[Finding]:
    """What a bounce could not tell was not judged by ear; one finding for all of it."""
    asked = [trial for trial in model.trials if trial.kind == "by ear"]
    missing = [trial.title for trial in asked if trial.id not in model.verdicts]
    if missing:
        more = [f"{len(missing) - MOST_ASKED:,} more"] if len(missing) > MOST_ASKED else []
        text = f"{plural(len(missing), 'question')} for your ear: {' · '.join([*missing[:MOST_ASKED], *more])}"
        yield bounce_unheard.finding(value=len(missing), says=text)


@_controls_rule(
    "trial-failed",
    BLOCKS,
    means="A person tried this with exactly this content and judged that it fails. The cause was not measured.",
    why="What one careful player heard, every player may hear.",
    mend="Mend it in the patch and try again: changed content asks for new trials. If it was a slip, make the same "
    "trial once more; the latest answer counts.",
)
def trial_failed(model: ControlsModel) -> Iterator[Finding]:
    """The latest verdict of a trial is fail; what the person noted is repeated."""
    for trial in model.trials:
        verdict = model.verdicts.get(trial.id)
        if verdict and verdict.result == "fail":
            note = quoted(verdict.note)
            yield trial_failed.finding(
                at=At(control=trial.steps[0].control) if trial.kind == "alone" else NOWHERE,
                where=trial.title,
                value=note or None,
                says="failed: “{value}”" if note else "failed",
                limit=trial.expect,
            )


# A rule's version rises whenever it may say something else of the same answers.
RULES: Final[tuple[Rule[ControlsModel], ...]] = (
    controls_none,
    control_untried,
    order_missing,
    pairs_missing,
    bounce_unheard,
    trial_failed,
)
