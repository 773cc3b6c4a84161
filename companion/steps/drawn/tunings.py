"""How far each sample of an instrument lies from its note: for findings about all of it, and for the whole."""

from __future__ import annotations

from companion.core.findings import Finding
from companion.core.units import note_name
from companion.drawing.shapes import Axis, Bound, Dots, Drawing, Figure, Plot
from companion.sound.checks.model import SoundModel
from companion.sound.zones.tuning import Tuning
from companion.steps.drawn.common import figures_of, short_layer, title_of


def tuned_together(model: SoundModel, limit: float, finding: Finding | None = None) -> Drawing:
    """Return the picture of the instrument a finding is about, else of all whose pitch can be judged."""
    others = finding.at.others if finding else ()
    chosen = [one for one in model.tunings if not others or {member.path for member in one.members} & set(others)]
    convention = model.facts.naming.middle_c or "C4"
    note = "" if chosen else "Of no instrument here the pitch can be judged: it takes three steady samples that agree."
    return Drawing(
        kind="pitch",
        title=title_of(finding, "Pitch of each sample, away from its note"),
        rule=finding.rule if finding else "",
        panes=tuple(_plot(one, limit, convention) for one in chosen),
        figures=(*figures_of(finding), *(_figure(one) for one in chosen)),
        note=note,
    )


def _plot(tuning: Tuning, limit: float, convention: str) -> Plot:
    """Return the cents of each sample from its declared note, octaves that all share taken off."""
    xs = tuple(one.declared / 100 for one in tuning.members)
    ys = tuple(max(-1200.0, min(1200.0, one.cents + tuning.cents)) for one in tuning.members)
    reach = max(1.5 * limit, *(1.15 * abs(value) for value in ys))
    keys = sorted({round(x) for x in xs})
    return Plot(
        title=f"“{short_layer(tuning.layer)}”",
        x=Axis(
            low=min(xs) - 0.5,
            high=max(xs) + 0.5,
            ticks=tuple((float(key), note_name(max(0, min(127, key)), convention)) for key in keys),
        ),
        y=Axis(low=-reach, high=reach, unit="cents"),
        dots=(Dots(xs=xs, ys=ys, name="samples"),),
        bounds=(
            Bound(value=tuning.cents, text=f"what they share, {tuning.cents:+.0f} cents".replace("-", "−"), ink="good"),
            Bound(value=limit, text=f"limit ±{limit:.0f} cents"),
            Bound(value=-limit),
        ),
    )


def _figure(tuning: Tuning) -> Figure:
    octaves = f", {tuning.octaves:+d} octaves from the declared notes" if tuning.octaves else ""
    return Figure("Tuning", f"“{tuning.layer}”: {tuning.cents:+.0f} cents{octaves}".replace("-", "−"))
