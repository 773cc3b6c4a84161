"""What a bounce of the controls' performance says of this content. Pure: verdicts in, findings out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from companion.core.findings import BLOCKS, NOWHERE, WARNS, At, Finding, ordered
from companion.core.rules import Rule, rule
from companion.core.text import listed, visible
from companion.trials.performance.controls_judged import CONTROLS_HEARING, SILENT, ControlVerdict, MeasuredControls


def check_measured(measured: MeasuredControls) -> tuple[Finding, ...]:
    """Return every finding of a bounce of the controls, in the order they are shown."""
    return ordered(finding for rule in RULES for finding in rule(measured))


def _faults(measured: MeasuredControls, wanted: Rule[MeasuredControls]) -> Iterator[ControlVerdict]:
    return (one for one in measured.verdicts if one.rule == wanted.id and one.outcome == "fault")


def _at(measured: MeasuredControls, verdict: ControlVerdict) -> At:
    return At(control=measured.panel.knobs[verdict.control].name) if verdict.control >= 0 else NOWHERE


def _names(measured: MeasuredControls, verdict: ControlVerdict) -> str:
    return listed([f"“{visible(measured.panel.knobs[place].name)}”" for place in verdict.others])


@rule(
    "control-no-effect",
    BLOCKS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="Moved from end to end, a control changes nothing that can be heard, alone or with the others half way.",
    why="Players move every control in the first minute; one that does nothing makes them doubt all the others.",
    mend="See whether the patch listens to the controller that the facts name, and whether it reaches what it should "
    "change.",
    limit="more than the sound of one state differs from itself",
    source="distance in 31 numbers against the repeats in the same bounce",
)
def control_no_effect(measured: MeasuredControls) -> Iterator[Finding]:
    """Both ends sound alike, as alike as one state played twice."""
    for one in _faults(measured, control_no_effect):
        says = f"{one.value:.1f} just noticeable steps between its ends, where {one.bound:.1f} would be heard"
        yield control_no_effect.finding(at=_at(measured, one), value=round(one.value, 2), unit="", says=says)


@rule(
    "control-wrong-effect",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="A control does something else than the facts say it does.",
    why="A player who turns up “bright” and hears it grow darker trusts no other word on the panel.",
    mend="Turn the controller’s range round, wire it to what it should move, or say in the facts what it does.",
    limit="what its effect says",
    source="the maker’s own words, read by a table of eleven directions of sound",
)
def control_wrong_effect(measured: MeasuredControls) -> Iterator[Finding]:
    """From its low end to its high end the sound surely goes another way than the words do."""
    for one in _faults(measured, control_wrong_effect):
        effect = visible(measured.panel.knobs[one.control].effect)
        yield control_wrong_effect.finding(
            at=_at(measured, one),
            value=round(one.value, 2),
            unit="",
            says=f"turned up, it becomes {one.says}",
            limit=f"as said: “{effect}”",
        )


@rule(
    "control-not-steady",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="On its way from end to end a control turns back, or its middle sounds otherwise from above than from below.",
    why="A sound once found cannot be found again by ear.",
    mend="Look at the curve or table between the controller and what it moves, and at what remembers its last place.",
    limit="one way from end to end, and one sound at each place",
)
def control_not_steady(measured: MeasuredControls) -> Iterator[Finding]:
    """Between its ends the control goes back on itself, or remembers where it came from."""
    for one in _faults(measured, control_not_steady):
        yield control_not_steady.finding(at=_at(measured, one), value=round(one.value, 2), unit="", says=one.says)


@rule(
    "control-clicks",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="A control clicks when it is moved while a note sounds.",
    why="Each turn of it is heard as crackle in the recording.",
    mend="Let the engine glide from value to value over 5 to 20 ms.",
    limit="no more than the note clicks by itself",
    source="residual of linear prediction, against stretches in which nothing moves",
)
def control_clicks(measured: MeasuredControls) -> Iterator[Finding]:
    """Where the control moves, samples stand far off what those before them lead to expect."""
    for one in _faults(measured, control_clicks):
        says = f"clicks {one.value:.0f} times as large as what is around them; {one.bound:.0f} where nothing moves"
        yield control_clicks.finding(at=_at(measured, one), value=round(one.value, 1), unit="", says=says)


@rule(
    "control-jumps",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="A control moves the sound in steps where it should glide.",
    why="A slow turn is heard as a staircase.",
    mend="Let the patch follow every value of the controller, or declare the control a switch or a menu.",
    limit="no more than {bound} of its way within 40 ms of a glide of 0.8 s",
    unit="%",
    bound=40,
    version=2,
)
def control_jumps(measured: MeasuredControls) -> Iterator[Finding]:
    """A large part of the whole change comes at once, away from the ends of the way."""
    for one in _faults(measured, control_jumps):
        yield control_jumps.finding(at=_at(measured, one), value=round(one.value), says="{value} of its way at once")


@rule(
    "control-unreturned",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="Back at rest, the instrument does not sound as it did before the control was moved.",
    why="The sound that was shaped yesterday is not there today.",
    mend="See what the patch keeps when the control moves away, and let its rest value set all of it.",
    limit="as before it was moved",
)
def control_unreturned(measured: MeasuredControls) -> Iterator[Finding]:
    """Two probes at rest after the control differ from every one before it."""
    for one in _faults(measured, control_unreturned):
        says = one.says or f"{one.value:.1f} just noticeable steps from before, where {one.bound:.1f} may be chance"
        yield control_unreturned.finding(at=_at(measured, one), value=round(one.value, 2), unit="", says=says)


@rule(
    "order-matters",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="The same settings sound different, depending on the order in which the controls were moved.",
    why="The same settings sound different each evening, and a sound once found cannot be found again.",
    mend="Find the control that writes what another one reads only when it moves.",
    limit="one sound for one setting",
)
def order_matters(measured: MeasuredControls) -> Iterator[Finding]:
    """The passes fall into camps of one sound each."""
    for one in _faults(measured, order_matters):
        says = f"{one.value:.1f} just noticeable steps between orders, where {one.bound:.1f} may be chance"
        yield order_matters.finding(value=round(one.value, 2), unit="", says=says)


@rule(
    "pair-silences",
    BLOCKS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="Controls that are fine alone silence or overload the instrument together.",
    why="A player who meets that setting thinks the instrument broken.",
    mend="Set these controls to those ends together, and follow the sound through the patch.",
    limit="every pair of ends sounds",
    source="covering arrays of strength two: Katona 1973; Kleitman and Spencer 1973",
)
def pair_silences(measured: MeasuredControls) -> Iterator[Finding]:
    """A setting of ends is silent though what each end takes away alone leaves sound, or clips though none does."""
    for one in _faults(measured, pair_silences):
        names = _names(measured, one) or "together"
        yield pair_silences.finding(
            value=round(one.value),
            unit="setting",
            says=f"{one.says} in {{value}}: {names}",
            severity=BLOCKS if one.says == SILENT else WARNS,
        )


@rule(
    "layer-alone-drops",
    WARNS,
    step="controls",
    rests_on=(CONTROLS_HEARING,),
    means="One layer alone is much softer than all layers together.",
    why="Whoever plays that layer by itself has to turn everything else up.",
    mend="Raise the layer’s own level, or make it up in the patch.",
    limit="within {bound}",
    unit="dB",
    bound=12,
)
def layer_alone_drops(measured: MeasuredControls) -> Iterator[Finding]:
    """The layer alone lies further below all of them than two unlike parts of a sum do."""
    for one in _faults(measured, layer_alone_drops):
        yield layer_alone_drops.finding(
            at=_at(measured, one), value=round(one.value, 1), says="{value} below all layers"
        )


# A rule's version rises whenever it may say something else of the same verdicts.
RULES: Final[tuple[Rule[MeasuredControls], ...]] = (
    control_no_effect,
    control_wrong_effect,
    control_not_steady,
    control_clicks,
    control_jumps,
    control_unreturned,
    order_matters,
    pair_silences,
    layer_alone_drops,
)
