"""How often a bounce of the keys is judged right: faults put into stand-in hosts that play real recordings.

Which instruments, keys and faults is decided by digests of names, before any of them was listened to. It prints the
table of DEVELOPERS.md: ``pytest tests/outside/test_performance_rates.py -m campaign -n 0 -s``.
"""

from __future__ import annotations

import hashlib
import random
from collections import defaultdict
from typing import Any, Final

import pytest

from companion.trials.performance.bounce import ArraySound
from companion.trials.performance.judged import Judged
from companion.trials.performance.judging import judge
from companion.trials.performance.keys import Playable, plan_keys, spread
from companion.trials.performance.midi import midi_bytes

KEYS: Final = tuple(range(36, 97))
INSTRUMENTS: Final = 10
HEARD: Final = 30
"""So many instruments before them were listened to already: of no recording of theirs is one of these made."""
EACH: Final = 4
"""Keys that each fault is put into."""


def chosen(instruments: dict[str, list[Any]]) -> list[str]:
    """Those with recordings at four roots or more, in the order of digests of their names, behind those heard before.

    No recording is in two of them.
    """
    wide = [name for name, members in instruments.items() if len({one.root for one in members}) >= 4]
    ordered = sorted(wide, key=lambda name: hashlib.sha256(f"performance/{name}".encode()).hexdigest())
    used = {id(one) for name in ordered[:HEARD] for one in instruments[name]}
    found: list[str] = []
    for name in ordered[HEARD:]:
        own = {id(one) for one in instruments[name]}
        if not own & used and len(found) < INSTRUMENTS:
            found.append(name)
            used |= own
    return found


def cases_of(name: str, *, held: bool) -> list[tuple[dict[str, Any], dict[str, list[int]]]]:
    """Return what to break in bounces of an instrument, and which keys each rule must name; one is clean."""
    draw = random.Random(name)
    keys, tried = draw.sample(KEYS, 4 * EACH + 1), list(spread(KEYS, 8)[2:6])
    rules = ("note-silent", "note-off-pitch", "note-level-step", "velocity-inverted")
    wrong = {rule: keys[place * EACH : (place + 1) * EACH] for place, rule in enumerate(rules)}
    mixed: dict[str, Any] = {
        "silent": frozenset(wrong["note-silent"]),
        "transposed": {key: draw.choice([-1, 1]) for key in wrong["note-off-pitch"]},
        "gain": {key: draw.choice([-6, 6]) for key in wrong["note-level-step"]},
        "inverted": frozenset(wrong["velocity-inverted"]),
    }
    stuck = [({"stuck": frozenset(keys[-1:])}, {"note-stuck": keys[-1:]})] if held else []
    lost = [({"voices": 6}, {"voices-lost": [KEYS[len(KEYS) // 2]]})] if held else []
    hiss: list[Any] = [({"hiss": -45.0}, {"voices-hiss": [-1]})]
    return [(mixed, wrong), ({}, {}), ({"one_take": frozenset(tried)}, {"take-repeats": tried}), *stuck, *lost, *hiss]


class Rates:
    """Counts of what was found and what was told falsely, by host."""

    def __init__(self) -> None:
        self.found: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0, 0])
        self.false: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
        self.lines: list[str] = []

    def count(self, name: str, host: str, judged: Judged, expected: dict[str, list[int]]) -> None:
        """Take in one bounce. What it says it could not judge is counted apart."""
        if judged.score is None:
            self.false[host][3] += 1
            self.lines.append(f"{name} {host}: not aligned")
            return
        got = defaultdict(set)
        for verdict in judged.verdicts:
            if not verdict.reason:
                got[verdict.rule].add(verdict.key)
        blind = {(verdict.rule, verdict.key) for verdict in judged.verdicts if verdict.reason}
        for rule, places in expected.items():
            asked = {key for key in places if (rule, key) not in blind}
            counts = self.found[host, rule]
            counts[0] += len(got[rule] & asked)
            counts[1] += len(asked)
            counts[2] += len(places) - len(asked)
            if missed := sorted(asked - got[rule]):
                self.lines.append(f"{name} {host}: missed {rule} {missed}")
        faulty = {key for places in expected.values() for key in places}
        extra = [(rule, key) for rule, places in got.items() for key in sorted(places) if key not in faulty]
        self.false[host][0] += len(extra)
        self.false[host][1] += sum(slot.kind == "note" for slot in judged.score.slots)
        self.false[host][2] += bool(extra) and not expected
        if extra:
            self.lines.append(f"{name} {host} {sorted(expected)}: false {extra}")

    def table(self) -> list[str]:
        """Return the table, a line a fault and host."""
        rows = [
            f"{host} {rule:<18} {right} of {asked} ({100 * right / max(1, asked):.1f} %), {blind} not judged"
            for (host, rule), (right, asked, blind) in sorted(self.found.items())
        ]
        return rows + [
            f"{host} false {extra} of {slots:,} slots; {clean} clean bounces with a finding; {lost} not aligned"
            for host, (extra, slots, clean, lost) in sorted(self.false.items())
        ]


@pytest.mark.campaign
def test_rates_on_instruments_of_real_recordings(
    recorded_instruments: dict[str, list[Any]], standin: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    score = plan_keys(Playable(keys=KEYS, takes=2))
    midi = midi_bytes(score, "rates")
    rates = Rates()
    for name in chosen(recorded_instruments):
        instrument = standin.Recorded(recorded_instruments[name])
        for host in "AB":
            for faults, expected in cases_of(name, held=instrument.held):
                sound = standin.render(midi, instrument, host=host, faults=standin.Faults(**faults))
                rates.count(name, host, judge(ArraySound(sound, instrument.rate), [score]), expected)
        with capsys.disabled():
            print(f"\n{name}", *rates.lines, sep="\n", flush=True)
        rates.lines.clear()
    with capsys.disabled():
        print(*rates.table(), sep="\n")
    right, asked = (sum(rates.found[host, "note-silent"][place] for host in "AB") for place in (0, 1))
    assert right >= 0.99 * asked
