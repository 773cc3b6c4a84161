"""How each kind of picture comes by its data."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.progress import Watch
from companion.drawing.shapes import Drawing, Kind, Window
from companion.sound.drawing.values import (
    DecayAsked,
    DecayCurve,
    PitchAsked,
    PitchTrack,
    SeamAsked,
    SeamSides,
    SpectrumAsked,
    SpectrumLine,
    Wave,
    WaveAsked,
)
from companion.steps.drawn.which import Sight

if TYPE_CHECKING:
    from companion.steps.drawn.source import Source

HELP: Final = "companion show --help lists the pictures"


def _sound(source: Source, path: str) -> str:
    """Return the path of a sound file. Raises where it is none."""
    if not path:
        raise CompanionError("This picture is of one sound file", "", "name its path")
    if not source.entry(path).kind.audible:
        raise CompanionError("That is no sound file", path, HELP)
    return path


def _waveform(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.wave import APART, BESIDE, near_window, waveform

    path, finding = _sound(source, sight.place), sight.finding
    apart = bool(finding and finding.rule in APART)
    channel = finding.at.channel if finding and not apart else None

    def wave(start: int = 0, end: int = 0, of: str = path) -> Wave:
        asked = WaveAsked(
            path=source.file(of), start=start, end=end, columns=sight.columns, apart=apart, channel=channel
        )
        return source.viewer.look(asked, Wave, watch)

    whole = wave()
    window = near_window(finding, whole.whole, whole.rate)
    if sight.end > sight.start:
        window = Window(start=max(0, sight.start), end=min(sight.end, whole.whole), whole=max(1, whole.whole))
    is_part = window.end - window.start < whole.whole and window.end > window.start
    waves = (whole, wave(window.start, window.end)) if is_part else (whole,)
    other = None
    if finding and finding.rule in BESIDE and finding.at.others and sight.end <= sight.start:
        beside = finding.at.others[0]
        other = (beside, wave(of=beside))
        waves = (whole,)
    return waveform(path, waves, finding=finding, known=source.known(path), other=other)


def _seam(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.seam import loop_of, seam, seam_window

    path = _sound(source, sight.place)
    known = source.known(path) or source.model.measured.get(path)
    loop = loop_of(known.loops if known else (), sight.finding)
    if known is None or loop is None:
        raise CompanionError("It has no loop", path, "show its waveform instead")
    window = seam_window(loop, known.rate)
    if sight.end > sight.start:
        half = max(window.least // 2, min(window.whole // 2, (sight.end - sight.start) // 2))
        window = Window(start=window.whole // 2 - half, end=window.whole // 2 + half, whole=window.whole, least=16)
    reach = (window.end - window.start) // 2
    asked = SeamAsked(path=source.file(path), start=loop.start, end=loop.end, reach=reach)
    return seam(path, source.viewer.look(asked, SeamSides, watch), loop, window, sight.finding)


def _pitch(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.sound.checks.pitch import PITCH_CENTS, limit_of
    from companion.steps.drawn.pitch import pitch

    path, model = sight.place, source.model
    if not path:
        return pitches(source, sight.finding)
    _sound(source, path)
    track = source.viewer.look(PitchAsked(path=source.file(path)), PitchTrack, watch)
    zone = model.zones.get(path)
    tuning, tuned = next(
        ((tuning, one) for tuning in model.tunings for one in tuning.members if one.path == path), (None, None)
    )
    usual = model.facts.limits.pitch_cents or PITCH_CENTS
    return pitch(
        path,
        track,
        100.0 * zone.key + zone.cents if zone and zone.key is not None else None,
        model.facts.naming.middle_c or "C4",
        tuning=tuning,
        tuned=tuned,
        limit=limit_of(tuning, usual) if tuning else usual,
        finding=sight.finding,
    )


def pitches(source: Source, finding: Finding | None) -> Drawing:
    """Return the picture of how far each sample of an instrument is off: of a finding about all of it."""
    from companion.sound.checks.pitch import PITCH_CENTS
    from companion.steps.drawn.tunings import tuned_together

    model = source.model
    return tuned_together(model, model.facts.limits.pitch_cents or PITCH_CENTS, finding)


def _map(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.keymap import key_map

    return key_map(source.model, source.findings(step="sound"), sight.finding)


def _levels(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.levels import levels

    return levels(source.model, sight.finding)


def _noise(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.noise import noise

    return noise(source.model, sight.finding)


def _decay(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.decay import decay

    path = _sound(source, sight.place)
    asked = DecayAsked(path=source.file(path), columns=sight.columns)
    return decay(path, source.viewer.look(asked, DecayCurve, watch), source.known(path), sight.finding)


def _spectrum(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.spectrum import HUM_TOP_HZ, spectrum

    path, finding = _sound(source, sight.place), sight.finding
    hum = bool(finding and finding.rule == "hum")
    asked = SpectrumAsked(path=source.file(path), columns=sight.columns, top_hz=HUM_TOP_HZ if hum else 0.0, quiet=hum)
    return spectrum(path, source.viewer.look(asked, SpectrumLine, watch), source.known(path), finding)


def _weight(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.weight import weight
    from companion.steps.looks.contents import ships_of

    return weight(ships_of(source.desk), source.desk.facts.limits.upload_bytes, sight.finding)


def _bytes(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.dump import LEAST, MOST, MOST_BEFORE, ROW, bytes_window, dump

    if not sight.place:
        raise CompanionError("This picture is of one file", "", "name its path")
    entry = source.entry(sight.place)
    window = bytes_window(sight.finding, entry.size)
    if sight.end > sight.start:
        start = min(sight.start, max(0, entry.size - 1)) // ROW * ROW
        end = max(start + 1, min(sight.end, start + MOST, entry.size))
        window = Window(start=start, end=end, whole=max(1, entry.size), least=LEAST)
    place = sight.finding.at.byte if sight.finding else None
    behind = source.read(sight.place, place, MOST) if place is not None and 0 <= place < entry.size else b""
    data = source.read(sight.place, window.start, window.end - window.start)
    before = source.read(sight.place, 0, place) if place is not None and 0 <= place <= MOST_BEFORE else None
    return dump(sight.place, data, window, sight.finding, behind, before)


def _history(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.course import course, pairs_of

    shots = source.past.shots()
    moves = source.past.moves(pairs_of(shots), watch)
    return course(shots, moves, source.past.alone(watch), source.past.unkept(watch))


def _bounce(source: Source, sight: Sight, watch: Watch) -> Drawing:
    from companion.steps.drawn.bounce import LEAST, bounce_window, bounced

    bounce, file = source.bounce(sight.place, sight.finding)
    window = bounce_window(bounce, sight.finding)
    if sight.end > sight.start:
        start = min(sight.start, window.whole - 1)
        window = Window(start=start, end=max(start + 1, min(sight.end, window.whole)), whole=window.whole, least=LEAST)
    wave = None
    if file is not None:
        asked = WaveAsked(path=file, start=window.start, end=window.end, columns=sight.columns)
        wave = source.viewer.look(asked, Wave, watch)
    return bounced(bounce, window, wave, sight.finding)


DRAWERS: Final[Mapping[Kind, Callable[[Source, Sight, Watch], Drawing]]] = {
    "waveform": _waveform,
    "seam": _seam,
    "pitch": _pitch,
    "map": _map,
    "levels": _levels,
    "noise": _noise,
    "decay": _decay,
    "spectrum": _spectrum,
    "weight": _weight,
    "bounce": _bounce,
    "history": _history,
    "bytes": _bytes,
}
