"""How loud samples are over the keys, by dynamic, and how loud layers are against each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from itertools import cycle
from typing import Final

from companion.core.findings import Finding
from companion.core.units import level, note_name
from companion.drawing.shapes import Axis, Bar, Bars, Bound, Dots, Drawing, Figure, Plot, Sign
from companion.sound.checks.levels import (
    LAYER_DROP_DB,
    expected_levels,
    layer_levels,
    loudness_of,
    median_levels,
    place_levels,
)
from companion.sound.checks.model import SoundModel
from companion.sound.zones.zones import Zone
from companion.steps.drawn.common import figures_of, short_layer, title_of

_SIGNS: Final[tuple[Sign, ...]] = ("dot", "ring", "square", "up", "cross")
_LEAST_DB: Final = 12.0


def levels(model: SoundModel, finding: Finding | None = None) -> Drawing:
    """Return the picture: of the layer a finding is about, or of all."""
    about = model.zones.get(finding.path) if finding and finding.path else None
    chosen = [about.layer] if about else [] if finding else list(model.layers)
    plots = [pane for layer in chosen if (pane := _layer(model, layer, model.layers[layer], finding, about))]
    beside = _layers(model) if not about else None
    figures = [*figures_of(finding), *(_expected_figures(model, about, finding) if about else ())]
    note = "" if plots or beside else "No sample has both a note and a loudness, so that there is nothing to compare."
    return Drawing(
        kind="levels",
        title=title_of(finding, "Levels"),
        path=finding.path if finding else "",
        rule=finding.rule if finding else "",
        panes=(*([beside] if beside else []), *plots),
        figures=tuple(figures),
        note=note,
    )


def _layer(
    model: SoundModel, layer: str, zones: Sequence[Zone], finding: Finding | None, about: Zone | None
) -> Plot | None:
    """Return the loudness of every sample of a layer over its key; None where none has both."""
    found = place_levels(model, zones)
    if not found:
        return None
    keys = sorted({key for key, _ in found})
    values = [value for takes in found.values() for value, _ in takes]
    bounds, expected = _bounds(found, finding, about)
    spread = [*values, *(bound.value for bound in bounds)]
    middle = (max(spread) + min(spread)) / 2
    reach = max(_LEAST_DB, max(spread) - min(spread) + 2) / 2
    convention = model.facts.naming.middle_c or "C4"
    return Plot(
        title=f"“{short_layer(layer)}”: how loud each sample is",
        x=Axis(low=keys[0] - 0.5, high=keys[-1] + 0.5, ticks=tuple((float(k), note_name(k, convention)) for k in keys)),
        y=Axis(low=middle - reach, high=middle + reach, unit="LUFS"),
        dots=(*_dots(found, about), *expected),
        bounds=bounds,
    )


def _dots(found: Mapping[tuple[int, int], list[tuple[float, Zone]]], about: Zone | None) -> list[Dots]:
    by_dynamic: dict[int, list[tuple[float, float]]] = defaultdict(list)
    wrong: list[tuple[float, float]] = []
    for (key, velocity), takes in sorted(found.items()):
        for value, zone in takes:
            (wrong if about and zone.path == about.path else by_dynamic[velocity]).append((float(key), value))
    drawn = [
        Dots(
            xs=tuple(x for x, _ in points),
            ys=tuple(y for _, y in points),
            sign=sign,
            name="samples" if velocity < 0 else f"v{velocity}",
            ink="wave" if number % 2 == 0 else "second",
        )
        for number, ((velocity, points), sign) in enumerate(
            zip(sorted(by_dynamic.items()), cycle(_SIGNS), strict=False)
        )
        if points
    ]
    if wrong:
        drawn.append(Dots(xs=(wrong[0][0],), ys=(wrong[0][1],), sign="cross", name="this sample", ink="mark"))
    return drawn


def _bounds(
    found: Mapping[tuple[int, int], list[tuple[float, Zone]]], finding: Finding | None, about: Zone | None
) -> tuple[tuple[Bound, ...], tuple[Dots, ...]]:
    """Return what a step in level is held against: what its neighbours lead to expect, and how far it may be off."""
    if not (about and finding and finding.rule == "level-step" and finding.bound is not None and about.key is not None):
        return (), ()
    usual = _usual(found, about)
    if usual is None:
        return (), ()
    text = f"allowed there: {level(usual - finding.bound, 'LUFS')} to {level(usual + finding.bound, 'LUFS')}"
    bounds = (Bound(value=usual + finding.bound, text=text), Bound(value=usual - finding.bound))
    expected = Dots(xs=(float(about.key),), ys=(usual,), sign="diamond", name="expected by its neighbours", ink="good")
    return bounds, (expected,)


def _usual(found: Mapping[tuple[int, int], list[tuple[float, Zone]]], about: Zone) -> float | None:
    velocity = -1 if about.velocity is None else about.velocity
    return expected_levels(median_levels(found)).get((about.key or 0, velocity))


def _expected_figures(model: SoundModel, about: Zone, finding: Finding | None) -> list[Figure]:
    found = place_levels(model, model.layers[about.layer])
    loudness = loudness_of(model, model.layers[about.layer])
    value = loudness.get(about.path)
    figures = [Figure("This one", level(value, "LUFS"))] if value is not None else []
    usual = _usual(found, about) if finding and finding.rule == "level-step" else None
    if usual is not None:
        figures.append(Figure("Expected", f"{level(usual, 'LUFS')}, by its neighbours on the keyboard"))
    if finding and finding.rule == "dynamics-inverted" and finding.at.others:
        other = loudness.get(finding.at.others[0])
        if other is not None:
            figures.append(Figure("Next", f"{level(other, 'LUFS')}: {finding.at.others[0]}"))
    return figures


def _layers(model: SoundModel) -> Bars | None:
    """Return how far each of the maker's layers drops when it plays alone; None where there are under two."""
    found = layer_levels(model)
    if len(found) < 2:
        return None
    limit = model.facts.limits.layer_drop_db or LAYER_DROP_DB
    return Bars(
        title="What is lost when a layer plays alone",
        bars=tuple(
            Bar(
                name=layer,
                value=drop,
                text=f"{level(drop, 'dB')} down, {level(loudness, 'LUFS')}",
                ink="mark" if drop > limit else "wave",
            )
            for layer, (loudness, drop) in found.items()
        ),
        limit=limit,
        limit_text=f"limit {level(limit, 'dB')}",
    )
