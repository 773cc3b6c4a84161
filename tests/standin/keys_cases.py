"""What the figures of the keys rest on: instruments of real recordings, keys and faults, decided by digests of names.

The instruments up to :data:`TUNED` were listened to while limits were set; of no recording of theirs is one of the
others made, which were frozen before any of their bounces was heard. What a bounce was heard as is kept in a folder, so
that verdicts can be changed and counted again in a minute.
"""

from __future__ import annotations

import hashlib
import pickle
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from companion.trials.performance import (
    align,
    bounce,
    gaps,
    hearing,
    hiss,
    keys,
    keys_hearing,
    listening,
    once_verdicts,
    score,
    strength,
    ticks,
    timing,
    voices,
)
from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.clicks import Dry
from companion.trials.performance.keys import Playable, plan_keys, spread
from companion.trials.performance.keys_hearing import KeysHeard
from companion.trials.performance.midi import midi_bytes

from . import host, host_d, instruments, panel_host

KEYS: Final = tuple(range(36, 97))
HEARD: Final = 30
"""So many instruments, the first by digest, were listened to while limits were set,"""
THIRD: Final = 10
"""and so many behind them."""
FROZEN: Final = 10
"""Behind those come as many that were frozen while the limits stood; the rest of the bank is the later ones."""
EACH: Final = 4
"""Keys that each fault is put into."""
SCORE: Final = plan_keys(Playable(keys=KEYS, takes=2))


@dataclass(frozen=True)
class Case:
    """One bounce. faults: as the host takes them. expected: keys that each rule must name."""

    name: str
    recordings: tuple[Any, ...]
    on: str
    faults: dict[str, Any] = field(default_factory=dict)
    expected: dict[str, list[int]] = field(default_factory=dict)
    seed: int = 0

    @property
    def mark(self) -> str:
        faults = sorted(
            (fault, sorted(value) if isinstance(value, frozenset) else value) for fault, value in self.faults.items()
        )
        return f"{self.name}/{self.on}/{faults}" + (f"/{self.seed}" if self.seed else "")


def chosen(instruments: dict[str, list[Any]], part: str) -> list[str]:
    """Return those with recordings at four roots or more, in the order of digests of their names. part: ``tuned``,
    ``frozen`` or ``later``.

    No recording is in two of the frozen, nor in one of the frozen and one that was listened to.
    """
    wide = [name for name, members in instruments.items() if len({one.root for one in members}) >= 4]
    ordered = sorted(wide, key=lambda name: hashlib.sha256(f"performance/{name}".encode()).hexdigest())
    heard = _apart(ordered[:HEARD], instruments, set())
    used = {id(one) for name in ordered[:HEARD] for one in instruments[name]}
    others = _apart(ordered[HEARD:], instruments, used)
    parts = {"tuned": heard + others[:THIRD], "frozen": others[THIRD:][:FROZEN], "later": others[THIRD + FROZEN :]}
    return parts[part]


def _apart(names: Sequence[str], instruments: dict[str, list[Any]], used: set[int]) -> list[str]:
    found, used = [], set(used)
    for name in names:
        own = {id(one) for one in instruments[name]}
        if not own & used:
            found.append(name)
            used |= own
    return found


def cases(instruments: dict[str, list[Any]], on: str, part: str, seed: int = 0) -> list[Case]:
    """Return the bounces by one host: clean; four keys silent, off pitch, louder or softer, upside down; one take only;
    clicks; and of sounds that are held a note that hangs, voices that drop out; and hiss. seed: draws other keys and
    other chances.
    """
    return [case for name in chosen(instruments, part) for case in _cases_of(name, instruments[name], on, seed)]


def _cases_of(name: str, members: Sequence[Any], on: str, seed: int) -> list[Case]:
    draw = random.Random(f"{name}/{seed}" if seed else name)
    drawn, tried = draw.sample(KEYS, 4 * EACH + 1), list(spread(KEYS, 8)[2:6])
    rules = ("note-silent", "note-off-pitch", "note-level-step", "velocity-inverted")
    wrong = {rule: drawn[place * EACH : (place + 1) * EACH] for place, rule in enumerate(rules)}
    mixed: dict[str, Any] = {
        "silent": frozenset(wrong["note-silent"]),
        "transposed": {key: draw.choice([-1, 1]) for key in wrong["note-off-pitch"]},
        "gain": {key: draw.choice([-6, 6]) for key in wrong["note-level-step"]},
        "inverted": frozenset(wrong["velocity-inverted"]),
    }
    torn = draw.sample(KEYS, EACH)
    clicks = {"click_on": frozenset(torn[:2]), "dropped": frozenset(torn[2:])}
    held = host_instrument(members).held
    several: list[tuple[dict[str, Any], dict[str, list[int]]]] = [
        ({}, {}),
        (mixed, wrong),
        ({"one_take": frozenset(tried)}, {"take-repeats": tried}),
        (clicks, {"bounce-click": torn}),
        ({"hiss": -45.0}, {"voices-hiss": [-1]}),
    ]
    if held:
        several += [
            ({"stuck": frozenset(drawn[-1:])}, {"note-stuck": drawn[-1:]}),
            ({"voices": 6}, {"voices-lost": [KEYS[len(KEYS) // 2]]}),
        ]
    return [Case(name, tuple(members), on, faults, expected, seed) for faults, expected in several]


ODD: Final = 6
"""So many of the frozen instruments are played with one key of each of these faults."""
ODD_FAULTS: Final = {
    "an octave up": "note-off-pitch",
    "an octave down": "note-off-pitch",
    "35 cents sharp": "note-off-pitch",
    "from one side": "note-aside",
    "the same on both sides": "note-aside",
    "60 ms late": "note-late",
    "cut short": "note-short",
    "a fifth along with it": "",
    "an octave along with it": "",
}
"""What a key does, and the rule that should tell it; none where there is none."""


def odd_cases(instruments: dict[str, list[Any]], on: str) -> list[tuple[Case, dict[str, int]]]:
    """Return one bounce of each of some instruments, and which key has which fault of :data:`ODD_FAULTS` in it."""
    found = []
    for name in chosen(instruments, "frozen")[:ODD]:
        keys = random.Random(f"{name}/odd").sample(KEYS[4:-4:3], len(ODD_FAULTS))
        key = dict(zip(ODD_FAULTS, keys, strict=True))
        faults: dict[str, Any] = {
            "transposed": {key["an octave up"]: 12, key["an octave down"]: -12, key["35 cents sharp"]: 0.35},
            "aside": frozenset({key["from one side"]}),
            "centred": frozenset({key["the same on both sides"]}),
            "late": {key["60 ms late"]: 0.06},
            "short": frozenset({key["cut short"]}),
            "doubled": {key["a fifth along with it"]: 7, key["an octave along with it"]: 12},
        }
        found.append((Case(name, tuple(instruments[name]), on, faults), key))
    return found


def host_instrument(members: Sequence[Any]) -> instruments.Recorded:
    """Return an instrument as the stand-in host plays it."""
    return instruments.Recorded(members)


def dry_of(case: Case) -> Any:
    """Return what gives the samples a key may play, as the app has them from the folder."""
    played = host_instrument(case.recordings)
    known: dict[int, list[Dry]] = {}
    return lambda key: known.setdefault(key, played.dry(key))


def hear_case(case: Case) -> KeysHeard | None:
    """Render a bounce and return what is heard; None where the performance is not found in it."""
    played = host_instrument(case.recordings)
    seed = int.from_bytes(hashlib.sha256(case.mark.encode()).digest()[:4], "big")
    faults = host.Faults(**case.faults)
    data = host.render(midi_bytes(SCORE, "rates"), played, host=case.on, seed=seed, faults=faults)
    bounced = ArraySound(data, played.rate)
    listened = listening.listen(bounced.blocks(), bounced.rate)
    sound = bounce.centred(bounced, listened.means)
    onsets = [at / 1000 for at in SCORE.onsets]
    place = align.align(listened.onsets, listened.seconds, onsets, SCORE.length / 1000)
    return keys_hearing.hear_keys(sound, SCORE, place) if place else None


def _heard_by() -> str:
    """Return a digest of everything that what is heard depends on."""
    modules = (
        align,
        bounce,
        gaps,
        hearing,
        hiss,
        keys,
        keys_hearing,
        listening,
        once_verdicts,
        score,
        strength,
        ticks,
        timing,
        voices,
    )
    digest = hashlib.sha256(SCORE.mark.encode())
    for module in (*modules, host, host_d, instruments, panel_host):
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()[:16]


def kept(case: Case, folder: Path) -> KeysHeard | None:
    """Return what is heard of a bounce, kept in ``folder`` from the last time if nothing it rests on has changed."""
    path = folder / f"{hashlib.sha256(f'{_heard_by()}/{case.mark}'.encode()).hexdigest()[:24]}.keys"
    if not path.exists():
        heard = hear_case(case)
        folder.mkdir(parents=True, exist_ok=True)
        unready = path.with_suffix(".unready")
        unready.write_bytes(pickle.dumps(heard))
        unready.replace(path)
    found: KeysHeard | None = pickle.loads(path.read_bytes())
    return found


def keep_all(wanted: Sequence[Case], folder: Path, processes: int = 2) -> list[KeysHeard | None]:
    """Return what is heard of each bounce, in their order."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return list(pool.map(kept, wanted, [folder] * len(wanted), chunksize=4))
