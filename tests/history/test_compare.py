"""Comparing: what was added, removed, renamed, changed, and the facts on either side."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.history.compare import as_text, difference, unified
from companion.history.history import History
from companion.history.model import KeptFile
from companion.history.store.objects import FILE, PROGRAM


def _kept(content: str, mode: int = FILE) -> KeptFile:
    return KeptFile(f"{hash(content) & (1 << 160) - 1:040x}", len(content), mode)


def test_each_kind_of_difference() -> None:
    found = difference(
        {"a": _kept("a"), "b": _kept("b"), "old": _kept("moved"), "x": _kept("x"), "gone": _kept("g")},
        {"a": _kept("a"), "b": _kept("B"), "new": _kept("moved"), "x": _kept("x", PROGRAM), "come": _kept("come")},
    )
    assert found.added == ("come",)
    assert found.removed == ("gone",)
    assert found.changed == ("b", "x")
    assert found.renamed == (("old", "new"),)
    assert found.sizes["come"] == (None, 4)
    assert "a" not in found.sizes


def test_of_equal_contents_the_same_name_is_the_renamed_one_and_empty_files_never_are() -> None:
    one = _kept("same")
    found = difference({"1/a": one, "1/b": one, "e": _kept("")}, {"2/b": one, "2/a": one, "f": _kept("")})
    assert found.renamed == (("1/a", "2/a"), ("1/b", "2/b"))
    assert (found.added, found.removed) == (("f",), ("e",))


states = st.dictionaries(st.sampled_from("abcdefgh"), st.sampled_from(["", "x", "y", "z"]).map(_kept), max_size=8)


@given(before=states, after=states)
def test_a_difference_adds_up(before: dict[str, KeptFile], after: dict[str, KeptFile]) -> None:
    """Applying what is told turns one state into the other, and every path is told of once."""
    found = difference(before, after)
    told = [*found.added, *found.removed, *found.changed, *(path for pair in found.renamed for path in pair)]
    assert len(told) == len(set(told))
    state = {path: one for path, one in before.items() if path not in found.removed}
    for old, new in found.renamed:
        state[new] = state.pop(old)
    state |= {path: after[path] for path in (*found.added, *found.changed)}
    assert state == after


def test_two_snapshots_and_the_folder_as_it_is(folder: Path, history: History) -> None:
    history.take("first")
    (folder / "release.toml").write_text('[instrument]\ntitle = "Slate Choir"\nversion = "1.1"\n', "utf-8")
    (folder / "Samples/struck/slate_0.wav").rename(folder / "Samples/slate_0.wav")
    history.take("second")
    (folder / "CHANGELOG.md").write_text("# Changelog\n\n\x1b[31m new\n", "utf-8")
    between = history.compare(1, 2)
    assert between.changed == ("release.toml",)
    assert between.renamed == (("Samples/struck/slate_0.wav", "Samples/slate_0.wav"),)
    assert 'version = "1.0"' in between.facts_before
    assert 'version = "1.1"' in between.facts_after
    assert between.text_diff("release.toml").splitlines()[-2:] == ['-version = "1.0"', '+version = "1.1"']
    assert between.text_diff("Samples/slate_0.wav") == ""
    now = history.compare(2)
    assert (now.b, now.changed) == (None, ("CHANGELOG.md",))
    assert now.text_diff("CHANGELOG.md").splitlines()[-1] == "+\\x1b[31m new"
    assert history.compare(2, 2).sizes == {}, "nothing is named, so nothing differs"
    assert len(history.snapshots()) == 2, "comparing takes nothing"


def test_what_is_not_there_is_told(history: History) -> None:
    with pytest.raises(CompanionError, match="no snapshot 7"):
        history.compare(7)
    history.take("first")
    with pytest.raises(CompanionError, match="holds no such file"):
        history.read(1, "nothing")


def test_text_and_what_is_not() -> None:
    assert as_text("é\n".encode("utf-16")) == "é\n"
    assert as_text(b"\xef\xbb\xbfx") == "x"
    assert as_text(b"a\0b") is None
    assert as_text(b"\xff\xfe\xff") is None
    assert as_text(b"x" * ((1 << 20) + 1)) is None
    assert unified("f", b"a\0", b"b") == ""
