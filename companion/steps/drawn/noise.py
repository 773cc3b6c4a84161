"""The noise of each layer as more and more voices sound at once, against the limit."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Finding
from companion.core.text import plural
from companion.core.units import level
from companion.drawing.shapes import Axis, Bound, Dots, Drawing, Figure, Ink, Mark, Plot, Trace
from companion.sound.checks.formats import NOISE_DBFS, layer_floors, noise_of
from companion.sound.checks.model import SoundModel
from companion.steps.drawn.common import figures_of, short_layer, title_of

_LEAST_VOICES: Final = 64
_POINTS: Final = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 256, 512, 1024)
_MOST_LAYERS: Final = 8


def noise(model: SoundModel, finding: Finding | None = None) -> Drawing:
    """Return the picture; voices and limit are those that the facts state, by which the rule judges."""
    floors = layer_floors(model)
    limits = model.facts.limits
    limit = NOISE_DBFS if limits.noise_dbfs is None else limits.noise_dbfs
    voices = limits.voices
    most = max(_LEAST_VOICES, 2 * (voices or 1))
    xs = [count for count in _POINTS if count < most] + [most]
    shown = dict(sorted(floors.items(), key=lambda item: -item[1][0])[:_MOST_LAYERS])
    inks: tuple[Ink, Ink] = ("wave", "second")
    traces = tuple(
        Trace(
            xs=tuple(map(float, xs)),
            ys=tuple(noise_of(floor, count) for count in xs),
            name=short_layer(layer),
            ink=inks[number % 2],
            dashed=number % 2 == 1,
        )
        for number, (layer, (floor, _, _)) in enumerate(shown.items())
    )
    levels = [y for trace in traces for y in trace.ys] + [limit]
    over = [noise_of(floor, voices) for floor, _, _ in shown.values() if voices and noise_of(floor, voices) > limit]
    plot = Plot(
        title="Noise, by how many voices sound together",
        x=Axis(low=1, high=most, unit="voices", log=True),
        y=Axis(low=min(levels) - 3, high=max(levels) + 3, unit="dBFS"),
        traces=traces,
        dots=(Dots(xs=(float(voices),) * len(over), ys=tuple(over), sign="cross", ink="mark"),)
        if voices and over
        else (),
        marks=(Mark(start=voices, end=voices, text=f"{voices:,} in the facts", ink="second"),) if voices else (),
        bounds=(Bound(value=limit, text=f"limit {level(limit)}"),),
        empty="" if traces else "no sample has a noise floor that stays steady, so that there is nothing to add up",
    )
    figures = [
        Figure(short_layer(layer), _told(floor, count, of, voices)) for layer, (floor, count, of) in shown.items()
    ]
    left = len(floors) - len(shown)
    notes = [f"{plural(left, 'quieter layer')} left out."] if left else []
    notes += [] if voices else ["The facts state no number of voices (limits.voices), so that none is judged."]
    return Drawing(
        kind="noise",
        title=title_of(finding, "Noise against voices"),
        rule=finding.rule if finding else "",
        panes=(plot,),
        figures=(*figures_of(finding), *figures),
        note=" ".join(notes),
    )


def _told(floor: float, count: int, of: int, voices: int | None) -> str:
    added = f", {level(noise_of(floor, voices))} with {plural(voices, 'voice')}" if voices else ""
    return f"{level(floor)} each{added}; median of {count:,} of {plural(of, 'sample')}"
