"""Where a limit lies: what just passes, and what just does not, of values as they are measured."""

from __future__ import annotations

from typing import Any

import pytest

from companion.core.entries import Kind

LIMITS: list[tuple[str, dict[str, Any], dict[str, Any], Kind]] = [
    ("polarity-inverted", {"correlation": -0.901}, {"correlation": -0.9}, Kind.SAMPLE),
    ("band-empty", {"bandwidth_hz": 4000.0}, {"bandwidth_hz": 3999.9}, Kind.SAMPLE),
    ("band-empty", {"bandwidth_hz": 19_199.9}, {"bandwidth_hz": 19_200.0}, Kind.SAMPLE),
    ("impulse-late", {"onset_s": 0.0201}, {"onset_s": 0.02}, Kind.IMPULSE),
    ("ends-hot", {"end_db": -39.9}, {"end_db": -40.0}, Kind.SAMPLE),
    ("ends-hot", {"end_db": -3.0}, {"end_db": -3.0, "end_faded": True}, Kind.SAMPLE),
    ("ends-hot", {"end_db": -3.0}, {"end_db": -3.0, "peak_dbfs": -60.1}, Kind.SAMPLE),
    ("dc-offset", {"dc": 0.0201}, {"dc": -0.02}, Kind.SAMPLE),
    ("dc-offset", {"dc": 0.1, "seconds": 0.1}, {"dc": 0.1, "seconds": 0.099}, Kind.SAMPLE),
    ("depth-padded", {"effective_bits": 16}, {"effective_bits": 17}, Kind.SAMPLE),
]


@pytest.mark.parametrize(("rule", "over", "under", "kind"), LIMITS)
def test_a_limit_lies_where_it_is_told(
    good: Any, found: Any, rule: str, over: dict[str, Any], under: dict[str, Any], kind: Kind
) -> None:
    kinds = {"one.wav": kind}
    assert rule in found({"one.wav": good(**over)}, kinds=kinds)
    assert rule not in found({"one.wav": good(**under)}, kinds=kinds)
