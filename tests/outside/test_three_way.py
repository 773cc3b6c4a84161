"""The merge of lists, held against another implementation of it."""

from __future__ import annotations

from itertools import groupby

from hypothesis import given, settings
from hypothesis import strategies as st
from merge3 import Merge3

from companion.words.three_way import Hunk, three_way

LINES = st.lists(st.sampled_from("abcd"), max_size=9)
WHAT = {"unchanged": "same", "same": "same", "a": "own", "b": "other", "conflict": "conflict"}


def joined(pieces: list[tuple[str, list[str]]]) -> list[tuple[str, list[str]]]:
    """Put pieces of one kind that lie beside each other together: how fine they are cut is each one's own."""
    return [
        (what, [line for _, lines in group for line in lines])
        for what, group in groupby(pieces, lambda piece: piece[0])
    ]


@given(LINES, LINES, LINES)
@settings(max_examples=150)
def test_two_implementations_merge_alike(base: list[str], own: list[str], other: list[str]) -> None:
    ours = [(piece.what, [*piece.merged, *piece.other] if piece.what == "conflict" else piece.merged)
            for piece in three_way(base, own, other)]  # fmt: skip
    theirs: list[tuple[str, list[str]]] = []
    for group in Merge3(base, own, other).merge_groups():
        lines = [*group[2], *group[3]] if group[0] == "conflict" else group[1]
        theirs.append((WHAT[group[0]], list(lines)))
    assert joined([piece for piece in ours if piece[1] or piece[0] == "conflict"]) == joined(
        [piece for piece in theirs if piece[1] or piece[0] == "conflict"]
    )


@given(LINES, LINES, LINES)
def test_the_pieces_are_all_there_is(base: list[str], own: list[str], other: list[str]) -> None:
    pieces = list(three_way(base, own, other))
    assert [line for piece in pieces for line in piece.base] == base
    assert [line for piece in pieces for line in piece.own] == own
    assert [line for piece in pieces for line in piece.other] == other


def test_what_each_side_did_is_told_apart() -> None:
    found = list(three_way(["1", "2", "3", "4", "5"], ["1", "mine", "3", "4", "5"], ["1", "2", "3", "new", "5"]))
    assert [piece.what for piece in found] == ["same", "own", "same", "other", "same"]
    assert [line for piece in found for line in piece.merged] == ["1", "mine", "3", "new", "5"]
    assert list(three_way(["1"], ["a"], ["b"])) == [Hunk("conflict", ["1"], ["a"], ["b"])]
    assert list(three_way([], ["a"], [])) == [Hunk("own", [], ["a"], [])]
