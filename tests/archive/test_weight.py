from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from companion.archive.plan import Plan
from companion.archive.weight import weight


def test_what_weighs_most_and_what_could_be_saved(tmp_path: Path, planned: Callable[..., Plan]) -> None:
    made = planned(tmp_path, {"a": b"a" * 10, "b": b"b" * 60, "c": b"b" * 60, "d": b"d" * 70})
    told = weight(
        made, {"lossless packing": {"b": 20, "d": 30, "gone": 99, "a": -5}, "shorter tails": {"d": 9}}, most=3
    )
    assert told.bytes == 200
    assert [(heavy.path, heavy.bytes, heavy.share) for heavy in told.heaviest] == [
        ("d", 70, 0.35),
        ("b", 60, 0.3),
        ("c", 60, 0.3),
    ]
    assert told.heaviest[0].savings == {"lossless packing": 30, "shorter tails": 9}
    assert told.heaviest[2].savings == {}
    assert told.savings == {"lossless packing": 50, "shorter tails": 9}
    assert told.twins == 60
    assert told.enough(10) == {"lossless packing": True, "shorter tails": False}


def test_nothing_measured_saves_nothing(tmp_path: Path, planned: Callable[..., Plan]) -> None:
    told = weight(planned(tmp_path, {"a": b"", "b": b""}))
    assert (told.bytes, told.savings, told.twins) == (0, {}, 0)
    assert [heavy.share for heavy in told.heaviest] == [0.0, 0.0]
