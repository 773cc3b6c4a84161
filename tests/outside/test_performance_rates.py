"""How true the verdicts on the keys are, on real recordings that no limit was chosen by. Prints the tables.

Which instruments, keys and faults is decided by digests of names (``tests/standin/keys_cases.py``). Hosts C and D were
used for nothing else. ``python -m pytest tests/outside/test_performance_rates.py -m campaign -n 0 -s`` takes minutes a
host; with ``COMPANION_KEEP=FOLDER`` what was heard is kept there, and counting it again takes a minute.
``COMPANION_PART=tuned`` counts the instruments that limits were set by, ``later`` the last of the bank;
``COMPANION_SEED=1`` draws other keys and chances.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any, Final

import pytest

from companion.trials.performance.judged import Verdict
from companion.trials.performance.judging import judge_heard
from companion.trials.performance_rules import RULES

GOALS: Final = {
    "note-silent": 0.99,
    "note-off-pitch": 0.99,
    "note-level-step": 0.95,
    "velocity-inverted": 0.95,
    "note-stuck": 0.95,
    "take-repeats": 0.9,
    "voices-lost": 0.95,
}
"""Of what was judged, the least share of each fault that must be found. What is not judged is counted beside it."""
REACHED: Final[dict[tuple[str, str], float]] = {}
"""By host and rule: what is reached where a goal is not."""
FALSE: Final = 1 / 1000
"""Note slots in which a fault may be told where none is."""
BLOCKING: Final = frozenset(rule.id for rule in RULES if rule.severity == "blocks")


class Rates:
    """Counts of what was found and what was told falsely by one host."""

    def __init__(self) -> None:
        self.found: dict[str, Counter[str]] = defaultdict(Counter)
        self.slots = 0
        self.false: list[tuple[str, str, int]] = []
        self.clean: Counter[str] = Counter()
        self.lines: list[str] = []

    def count(self, case: Any, verdicts: tuple[Verdict, ...] | None, slots: int) -> None:
        """Take in one bounce. What it says it could not judge is counted apart."""
        if verdicts is None:
            self.clean["not aligned"] += 1
            return
        told = {(one.rule, one.key) for one in verdicts if not one.reason}
        blind = {(one.rule, one.key) for one in verdicts if one.reason}
        for rule, keys in case.expected.items():
            for key in keys:
                outcome = "found" if (rule, key) in told else "unjudged" if (rule, key) in blind else "missed"
                self.found[rule][outcome] += 1
                if outcome == "missed":
                    self.lines.append(f"{case.mark}: missed {rule} {key}")
        faulty = {key for keys in case.expected.values() for key in keys}
        extra = sorted((rule, key) for rule, key in told if key not in faulty)
        self.slots += slots
        self.false += [(case.name, *one) for one in extra]
        if extra:
            self.lines.append(f"{case.mark}: false {extra}")
        if not case.expected:
            self.clean["clean"] += 1
            self.clean["a finding"] += bool(extra)
            self.clean["a block"] += any(rule in BLOCKING for rule, _ in extra)

    def table(self) -> list[str]:
        """Return the table, a line a fault."""
        rows = [
            f"| {rule} | {counts['found']} of {counts['found'] + counts['missed']} | {counts['unjudged']} |"
            for rule, counts in sorted(self.found.items())
        ]
        return [*rows, f"| false, of {self.slots:,} note slots | {len(self.false)} | |", f"clean: {dict(self.clean)}"]


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("on", ["A", "B", "C", "D"])
def test_rates_of_the_keys(
    on: str,
    recorded_instruments: dict[str, list[Any]],
    keys_cases: Any,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    part = os.environ.get("COMPANION_PART", "frozen")
    if part == "tuned" and on in "CD":
        pytest.skip("hosts C and D judge, and no limit is set by them")
    wanted = keys_cases.cases(recorded_instruments, on, part, int(os.environ.get("COMPANION_SEED", "0")))
    keep = Path(os.environ.get("COMPANION_KEEP") or tmp_path)
    rates, score = Rates(), keys_cases.SCORE
    slots = sum(slot.kind == "note" for slot in score.slots)
    for case, heard in zip(wanted, keys_cases.keep_all(wanted, keep), strict=True):
        rates.count(case, judge_heard(score, heard, dry_of=keys_cases.dry_of(case)) if heard else None, slots)
    with capsys.disabled():
        print(f"\nhost {on}, {part}", *rates.lines, *rates.table(), sep="\n", flush=True)
    for rule, goal in GOALS.items():
        counts = rates.found[rule]
        judged = counts["found"] + counts["missed"]
        assert counts["missed"] <= (1 - REACHED.get((on, rule), goal)) * judged, rule
    assert len(rates.false) <= FALSE * rates.slots
    assert rates.clean["a block"] == 0
    assert rates.clean["a finding"] <= rates.clean["clean"] // 10


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("on", ["A", "B", "C", "D"])
def test_rates_of_other_faults_of_a_key(
    on: str,
    recorded_instruments: dict[str, list[Any]],
    keys_cases: Any,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Nothing is promised of these but that no other key is accused; the table says what is found."""
    wanted = keys_cases.odd_cases(recorded_instruments, on)
    keep = Path(os.environ.get("COMPANION_KEEP") or tmp_path)
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    false = []
    heards = keys_cases.keep_all([case for case, _ in wanted], keep)
    for (case, key_of), heard in zip(wanted, heards, strict=True):
        assert heard is not None
        verdicts = judge_heard(keys_cases.SCORE, heard, dry_of=keys_cases.dry_of(case))
        told = {(one.rule, one.key) for one in verdicts if not one.reason}
        for fault, rule in keys_cases.ODD_FAULTS.items():
            counts[fault][_outcome(verdicts, told, rule, key_of[fault])] += 1
        false += [(case.name, *one) for one in sorted(told) if one[1] not in key_of.values()]
    with capsys.disabled():
        rows = [f"| {fault} | {dict(counts[fault])} |" for fault in keys_cases.ODD_FAULTS]
        print(f"\nhost {on}, one key of each", *rows, f"false: {false}", sep="\n", flush=True)
    assert len(false) <= max(1, FALSE * len(wanted) * sum(slot.kind == "note" for slot in keys_cases.SCORE.slots))


def _outcome(verdicts: tuple[Verdict, ...], told: set[tuple[str, int]], rule: str, key: int) -> str:
    if (rule, key) in told:
        return "found"
    if any(one == key for _, one in told):
        return "as something else"
    asked = any(one.key == key and rule in (one.rule, "") for one in verdicts if one.reason)
    return "by ear" if asked else "silent"
