"""How true the verdicts on the controls are, on real recordings that no limit was chosen by. Prints the tables.

Which recordings, effects and faults is decided by digests of names (``tests/standin/panel_cases.py``). Hosts C and D
were used for nothing else. ``python -m pytest tests/outside/test_controls_rates.py -m campaign -n 0 -s`` takes some
minutes a host; with ``COMPANION_KEEP=FOLDER`` what was heard is kept there, and counting it again takes seconds.
``COMPANION_PART=tuned`` counts the instruments that limits were set by, ``second`` other notes of other panels.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any, Final

import pytest

from companion.trials.performance.controls_hearing import PanelHeard
from companion.trials.performance.controls_judged import ControlVerdict
from companion.trials.performance.controls_verdicts import judge_controls
from companion.trials.performance.directions import said

FOUND: Final = {"A": 0.95, "B": 0.85, "C": 0.85, "D": 0.85}
"""Of what was judged, the least share of each fault that must be found. What is not judged is counted beside it."""
OTHER: Final = {**{(on, "dead"): 0.98 for on in "ABCD"}, ("A", "unreturned"): 0.9}
"""Where another share is asked for: a control that comes home but for a few milliseconds of attack is not told."""
FALSE: Final = 1 / 300
"""Verdicts on what works that may be wrong; on live controls and said directions none may. One is none too many where
there are fewer than 300."""
FAULTS: Final = ("dead", "reversed", "swapped", "clicking", "jumping", "hysteresis", "unreturned")


class Rates:
    """Counts of outcomes, by what was the case: a fault that was put in, or its absence (“no dead”)."""

    def __init__(self) -> None:
        self.counts: dict[str, Counter[str]] = defaultdict(Counter)
        self.lines: list[str] = []
        self.clean: Counter[str] = Counter()

    def count(self, case: Any, heard: PanelHeard | None, effects: dict[str, str], glides: tuple[str, ...]) -> None:
        """Take in one bounce."""
        if heard is None:
            self.clean["not aligned"] += 1
            return
        told = judge_controls(heard)
        found = {(one.rule, one.control): one for one in told}
        wrong = {one.rule for one in told if one.outcome == "fault"}
        if case.amount < 1:
            for place in range(len(case.effects)):
                self._put(case, "no dead, a fifth", found["control-no-effect", place], place)
            return
        if not case.faults:
            self.clean["clean bounces"] += 1
            self.clean["clean, a finding"] += bool(wrong)
            self.clean["clean, a block"] += bool(wrong & {"control-no-effect", "pair-silences"})
        for place, effect in enumerate(case.effects):
            there = {fault for fault, places in case.faults.items() if place in _flat(places)}
            self._one(case, place, there, found, promised=said(effects[effect]) is not None, glides=effect in glides)

    def _one(
        self,
        case: Any,
        place: int,
        there: set[str],
        found: dict[tuple[str, int], ControlVerdict],
        *,
        promised: bool,
        glides: bool,
    ) -> None:
        effect = found["control-no-effect", place]
        self._put(case, "dead" if "dead" in there else "no dead", effect, place)
        if "dead" in there:
            return
        turned = "reversed" if "reversed" in there else "swapped" if "swapped" in there else "no reversed"
        if promised:
            self._put(case, turned, found.get(("control-wrong-effect", place)), place)
        # What jumps or does not come back also clicks, turns back and strays: each fault is asked for alone.
        alone = {
            "clicking": ("control-clicks", {"jumping", "unreturned", "hysteresis"}),
            "jumping": ("control-jumps", {"swapped", "clicking", "unreturned", "hysteresis"}),
            "hysteresis": ("control-not-steady", {"swapped", "jumping", "unreturned"}),
            "unreturned": ("control-unreturned", {"hysteresis", "jumping", "swapped"}),
        }
        for fault, (rule, others) in alone.items():
            if there & others or (fault == "jumping" and not glides):
                continue
            self._put(case, fault if fault in there else f"no {fault}", found.get((rule, place)), place)

    def _put(self, case: Any, what: str, verdict: ControlVerdict | None, place: int) -> None:
        outcome = verdict.outcome if verdict else "unjudged"
        self.counts[what][outcome] += 1
        if outcome == ("fault" if what.startswith("no ") else "fine"):
            says = f"{verdict.value:.2f} / {verdict.bound:.2f} {verdict.says}" if verdict else ""
            self.lines.append(f"{what}: {case.name} {case.effects[place]} {says}")

    def found(self, fault: str) -> tuple[int, int, int]:
        """Return how many were found, of how many that were judged, and how many were not."""
        counts = self.counts[fault]
        return counts["fault"], counts["fault"] + counts["fine"], counts["unjudged"]

    def wrong(self, what: str) -> tuple[int, int, int]:
        """Return how many of what works were told as a fault, of how many, and how many of these were not judged."""
        counts = self.counts[what]
        return counts["fault"], sum(counts.values()), counts["unjudged"]

    def table(self) -> list[str]:
        """Return the table, a line a fault."""
        rows = []
        for fault in FAULTS:
            right, judged, blind = self.found(fault)
            false, all_of, unsure = self.wrong("no reversed" if fault == "swapped" else f"no {fault}")
            rows.append(f"| {fault} | {right} of {judged} | {blind} | {false} of {all_of} | {unsure} |")
        return [*rows, f"a fifth of the range: {dict(self.counts['no dead, a fifth'])}; {dict(self.clean)}"]


def _flat(places: Any) -> set[int]:
    return {one for place in places for one in ((place,) if isinstance(place, int) else place)}


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("on", ["A", "B", "C", "D"])
def test_rates_of_the_controls(
    on: str,
    recorded_instruments: dict[str, list[Any]],
    panel_cases: Any,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    part = os.environ.get("COMPANION_PART", "frozen")
    if part == "tuned" and on in "CD":
        pytest.skip("hosts C and D judge, and no limit is set by them")
    wanted = panel_cases.part_of(recorded_instruments, on, part)
    keep = Path(os.environ.get("COMPANION_KEEP") or tmp_path)
    rates = Rates()
    for case, heard in zip(wanted, panel_cases.keep_all(wanted, keep), strict=True):
        rates.count(case, heard, panel_cases.host.WORDS, panel_cases.GLIDES)
    with capsys.disabled():
        print(f"\nhost {on}, {part}", *rates.lines, *rates.table(), sep="\n", flush=True)
    assert rates.wrong("no dead")[0] == 0
    assert rates.wrong("no reversed")[0] == 0
    for fault in FAULTS:
        right, judged, _ = rates.found(fault)
        assert judged - right <= max(1, (1 - OTHER.get((on, fault), FOUND[on])) * judged), fault
        false, all_of, _ = rates.wrong("no reversed" if fault == "swapped" else f"no {fault}")
        assert false <= max(1, FALSE * all_of), fault
    assert rates.clean["clean, a block"] == 0
    assert rates.clean["clean, a finding"] <= max(1, rates.clean["clean bounces"] // 10)
