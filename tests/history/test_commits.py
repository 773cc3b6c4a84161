"""What a commit says, there and back, and what is made of one that somebody else wrote."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.history.snapshot import Snapshot
from companion.history.store.commits import clean_label, message, snapshot_of

_names = st.text(st.characters(codec=None), max_size=12)  # lone surrogates too: names that are not UTF-8
_numbers = st.integers(0, 2**53)


@settings(deadline=None, max_examples=150)
@given(
    label=st.text(max_size=20),
    files=_numbers,
    size=_numbers,
    changed=st.lists(_names, max_size=3),
    left=st.lists(st.tuples(_names, _names), max_size=3),
    empty=st.lists(_names, max_size=3),
)
def test_there_and_back(
    label: str, files: int, size: int, changed: list[str], left: list[tuple[str, str]], empty: list[str]
) -> None:
    snapshot = Snapshot(
        number=7,
        id="c" * 40,
        tree="d" * 40,
        label=clean_label(label),
        at="2026-11-26T12:00:00Z",
        kind="release",
        files=files,
        bytes=size,
        version="1.0",
        changed_while_read=tuple(changed),
        left_out=tuple(left),
        empty_folders=tuple(empty),
    )
    assert snapshot_of(7, "c" * 40, "d" * 40, message(snapshot).decode(), "1.0") == snapshot


@pytest.mark.parametrize(
    "body",
    ["", "no line of ours", "[1, 2]", "null", "{", '{"files": ', "[" * 100_000, '{"files": 1e400}'],
    ids=["empty", "words", "a list", "null", "cut", "cut in a value", "deep", "too large"],
)
def test_a_strangers_commit_keeps_its_title(body: str) -> None:
    found = snapshot_of(1, "c" * 40, "d" * 40, f"A title\n\n{body}\n", "")
    assert (found.label, found.files, found.kind, found.left_out) == ("A title", 0, "asked", ())


def test_each_field_of_the_right_kind_is_read_though_others_are_not() -> None:
    said = {"label": 3, "files": "many", "bytes": 12, "left_out": [["a"], ["b", "c"]], "empty_folders": ["x"], "new": 0}
    found = snapshot_of(1, "c" * 40, "d" * 40, f"A title\n\n{json.dumps(said)}\n", "")
    assert (found.label, found.files, found.bytes, found.left_out, found.empty_folders) == (
        "A title",
        0,
        12,
        (),
        ("x",),
    )


def test_what_would_move_the_cursor_is_shown() -> None:
    said = json.dumps({"label": "a\x1b[2Jb", "at": "\x1b]0;x\x07", "kind": "\u202e"})
    found = snapshot_of(1, "c" * 40, "d" * 40, f"t\n\n{said}\n", "")
    assert "\x1b" not in found.label + found.at + found.kind
    assert "\u202e" not in found.kind
