"""The recorded bank itself: that it reads as the other outside checks rely on."""

from __future__ import annotations

from typing import Any


def test_bank_reads(recorded_bank: list[Any], recorded_instruments: dict[str, list[Any]]) -> None:
    assert len(recorded_bank) > 500
    assert sum(len(members) > 3 for members in recorded_instruments.values()) > 40
    looped = [one for one in recorded_bank if one.loop_end]
    assert len(looped) > 400
    for one in recorded_bank:
        assert one.samples.dtype == "float32"
        assert one.samples.ndim == 1
        assert abs(one.samples).max() <= 1.0
        assert 0 <= one.root <= 127
        assert -50 <= one.cents <= 50
        assert 8000 <= one.rate <= 48000
        assert 0 <= one.loop_start <= one.loop_end <= len(one.samples)
