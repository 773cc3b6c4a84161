"""Sound: what the step looks at, and measuring files that belong to no folder."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.files import read_capped
from companion.core.rules import findings_of
from companion.core.text import plural, visible
from companion.core.units import duration
from companion.steps.desk import Desk
from companion.steps.model import Look

if TYPE_CHECKING:
    from companion.sound.checks.model import SoundModel
    from companion.sound.measures.measured import Measured
    from companion.sound.zones.tuning import Tuning


def look_sound(desk: Desk) -> Look:
    """Measure every sample and impulse response that ships and judge them."""
    from companion.contents.checks.broken import file_unreadable
    from companion.sound.checks.levels import layer_levels
    from companion.sound.measures.weight import savings_of
    from companion.sound.rules import RULES
    from companion.sound.zones.telling import names_data

    model = model_of(desk)
    measured, kinds = model.measured, model.kinds
    # What could not be measured is not fit to ship for all anyone knows, whatever Contents says of the file.
    unread = [
        file_unreadable.finding(path, value=one.problem_text) for path, one in measured.items() if not one.readable
    ]
    unread += [file_unreadable.finding(e.path, value=e.problem) for e in desk.ships if e.kind.audible and e.problem]
    findings = (*unread, *findings_of(RULES, model))
    samples = [one for path, one in measured.items() if kinds[path] is Kind.SAMPLE and one.readable]
    seconds = sum(one.seconds for one in samples)
    details: dict[str, Any] = {
        "because": "; ".join(
            [
                f"{plural(len(samples), 'sample')}, {duration(seconds)} of sound measured",
                *read_as(model),
                *unjudged(model),
            ]
        ),
        "samples": len(samples),
        "seconds": round(seconds, 3),
        # Hosts mix in 32-bit floats, so that is what a fully loaded sample takes.
        "memory": sum(one.frames * max(1, one.channels) * 4 for one in measured.values()),
        "rates": sorted({one.rate for one in samples}),
        "bits": sorted({one.bits for one in samples if one.bits}),
        "layers": {
            layer: {"loudness_lufs": round(loudness, 1), "alone_db": round(drop, 1)}
            for layer, (loudness, drop) in layer_levels(model).items()
        },
        "names": names_data(model.names, list(model.zones), desk.facts.naming),
        "heard": [_tuning_line(tuning, model.facts.naming.middle_c) for tuning in model.tunings],
        "savings": msgspec.to_builtins(savings_of(measured.values())),
        "impulses": [_impulse(path, one) for path, one in measured.items() if kinds[path] is Kind.IMPULSE],
    }
    return Look(findings=findings, details=details)


def model_of(desk: Desk) -> SoundModel:
    """Return the measures of every sample and impulse response that ships, taken as far as they are not known."""
    from companion.sound.checks.model import sound_model
    from companion.sound.measures.batch import measure_files

    audio = desk.of_kind(Kind.SAMPLE, Kind.IMPULSE)
    files = [(e.path, desk.folder / e.path, e.sha256) for e in audio]
    measured = measure_files(files, desk.cache, desk.watch, still=desk.still)
    return sound_model(measured, {entry.path: entry.kind for entry in audio}, desk.facts, _zones_table(desk))


def read_as(model: SoundModel) -> list[str]:
    """Return how names are read where no fact says so, and what was settled by ear, for the state's own line."""
    names, naming = model.names, model.facts.naming
    parts = []
    if names.patterns and not (naming.pattern or naming.more):
        others = f" and {plural(len(names.patterns) - 1, 'other way')}" if len(names.patterns) > 1 else ""
        parts.append(f"names read as {names.patterns[0]}{others}")
    return [*parts, *names.why] if names.places else parts


def unjudged(model: SoundModel) -> list[str]:
    """Return what was not judged of the samples and why, each in a few words for the state's own line."""
    stated = sum(zone.key is None for zone in model.zones.values()) - len(model.unread)
    parts = []
    if "samples" in model.facts.instrument.without:
        parts.append("the facts state that there are no samples")
    if model.unread:
        parts.append(f"{model.unheld(model.unread)} of {len(model.unread):,} not judged: no note")
    if stated:
        parts.append(f"{stated:,} stated to play no note")
    if model.untuned:
        parts.append(f"pitch of {len(model.untuned):,} not judged: not steady enough, or too few alike")
    return parts


def _zones_table(desk: Desk) -> str:
    """Return the maker's CSV of zones as text; empty when the facts name none. Raises when it cannot be read."""
    name = desk.facts.naming.zones
    if not name:
        return ""
    if name not in desk.by_path:
        raise CompanionError("The table of zones is not in the folder", name, "mend naming.zones in release.toml")
    return read_capped(desk.folder / name, 16 << 20, "table of zones").decode("utf-8-sig", "replace")


def _tuning_line(tuning: Tuning, stated: str) -> str:
    """Return what the measured pitches say of an instrument's octave convention and tuning; shown, never assumed."""
    name = visible(tuning.layer) or "samples"
    # Where the facts state a convention, names are read by it already, and no octave should be left over.
    convention = {0: stated or "C4", 1: "C3"}.get(tuning.octaves, "") if tuning.from_names else ""
    text = f"middle C is {convention}" if convention else f"{tuning.octaves:+d} octaves from the declared notes"
    return f"{name}: {text if tuning.from_names or tuning.octaves else 'as declared'}, tuned {tuning.cents:+.0f} cents"


def _impulse(path: str, one: Measured) -> str:
    """Return an impulse response as a readme names it: ``hall, 2.3 s`` where its decay was measured."""
    name = path.rpartition("/")[2].rpartition(".")[0]
    decay = one.decay and (one.decay.t30_s or one.decay.t20_s)
    return f"{name}, {decay:.1f} s" if decay else name


def audio_files(paths: Sequence[Path]) -> list[Path]:
    """Return the files named, and the audio files in the folders named. Raises for a path there is none of."""
    from companion.contents.kinds import natural_kind

    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            for place, folders, names in os.walk(path):
                folders.sort()
                found.extend(Path(place, name) for name in sorted(names) if natural_kind(name).audible)
        elif path.is_file():
            found.append(path)
        else:
            raise CompanionError("There is no such file or folder", str(path), "check the name")
    if not found:
        raise CompanionError(
            "There is no audio file there", ", ".join(map(str, paths)), "name files or folders with some"
        )
    return found
