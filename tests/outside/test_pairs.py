"""Pairs of extremes held against allpairspy (MIT), a general-purpose generator of pairwise combinations."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import pytest
from allpairspy import AllPairs

from companion.trials.plan import covering_rows


def uncovered(rows: Sequence[Sequence[bool]], count: int) -> int:
    """Return how many pairs of values of two columns no row holds: counted from the definition, by brute force."""
    return sum(
        not any(bool(row[left]) is x and bool(row[right]) is y for row in rows)
        for left, right in combinations(range(count), 2)
        for x in (False, True)
        for y in (False, True)
    )


@pytest.mark.parametrize("count", [2, 3, 4, 5, 8, 12, 20, 32])
def test_everything_is_covered_in_no_more_rows_than_the_other_generator_takes(count: int) -> None:
    theirs = [list(row) for row in AllPairs([[False, True]] * count)]
    ours = covering_rows(count)
    assert uncovered(theirs, count) == 0
    assert uncovered(ours, count) == 0
    assert uncovered(ours[1:], count) > 0
    assert len(ours) <= len(theirs)
