"""Versions compare as their makers mean them, or are refused; never guessed."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.core.versions import engine_version, instrument_version, read_engine_version

LADDER = [
    "6",
    "6.99 build 9999",
    "7.0.9",
    "7.1a1",
    "7.1a2",
    "7.1b1",
    "7.1rc1",
    "7.1",
    "7.1 build 9",
    "7.1 (build 401)",
    "7.1a",
    "7.1c",
    "7.1c build 2",
    "7.1.1",
    "7.2.dev3",
    "7.2",
    "7.10",
    "2024 R2",
    "2024 R3",
    "2024.1",
]
"""Each is older than the next: PEP 440 orders alpha, beta and candidates; the build is told apart last."""


def test_the_ladder_is_in_order() -> None:
    for older, newer in itertools.combinations(LADDER, 2):
        assert read_engine_version(older) < read_engine_version(newer), (older, newer)
        assert read_engine_version(newer) > read_engine_version(older), (older, newer)
        assert read_engine_version(older) != read_engine_version(newer), (older, newer)


@pytest.mark.parametrize(
    "same",
    [
        ["7.1", "7.1.0", "7.1.0.0", "v7.1", " 7.1 ", "7_1", "7.01", "7.1 build 0"],
        ["7.1 build 401", "7.1 (build 401)", "7.1.0 Build 401", "7.1 rev. 401", "7.1, build #401", "7.1 r401"],
        ["2024 R3", "2024r3", "2024 release 3"],
    ],
)
def test_spellings_of_one_version_are_equal_and_hash_alike(same: list[str]) -> None:
    assert len({read_engine_version(text) for text in same}) == 1
    assert not any(read_engine_version(a) < read_engine_version(b) for a, b in itertools.permutations(same, 2))


def test_a_build_is_newer_than_the_bare_version_and_a_beta_is_older() -> None:
    assert read_engine_version("7.1 build 401") > read_engine_version("7.1")
    assert read_engine_version("7.1b2") < read_engine_version("7.1") < read_engine_version("7.1.post1")
    assert read_engine_version("7.1b2") >= read_engine_version("7.0 build 401")


numbers = st.lists(st.integers(0, 30), min_size=1, max_size=4).map(lambda parts: ".".join(map(str, parts)))
written = st.one_of(
    numbers,
    st.tuples(numbers, st.integers(0, 500)).map(lambda p: f"{p[0]} build {p[1]}"),
    st.tuples(numbers, st.sampled_from(["a1", "b2", "rc1", ".dev4", ".post1"])).map("".join),
)


@settings(max_examples=60)
@given(written, written, written)
def test_the_order_is_total(a: str, b: str, c: str) -> None:
    x, y, z = read_engine_version(a), read_engine_version(b), read_engine_version(c)
    assert (x < y) + (x == y) + (x > y) == 1
    assert (x <= y) == (not x > y)
    if x <= y <= z:
        assert x <= z
    if x == y:
        assert hash(x) == hash(y)


@settings(max_examples=60)
@given(numbers, numbers)
def test_dotted_numbers_compare_as_lists_of_numbers(a: str, b: str) -> None:
    def parts(text: str) -> list[int]:
        return ([int(part) for part in text.split(".")] + [0] * 4)[:4]

    assert (read_engine_version(a) < read_engine_version(b)) == (parts(a) < parts(b))


@pytest.mark.parametrize(
    "text", ["", "latest", "7.x", "seven", "7.1 beta something", "7.1-", "Version 7", "7.1 build", "9" * 5000]
)
def test_what_reads_under_no_scheme_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(CompanionError) as caught:
        read_engine_version(text)
    line = caught.value.line
    assert "does not read as a version" in line
    assert "7.1 build 401" in line, "the line shows a form that would do"
    assert len(line) < 300
    assert text[:20] in line
    assert engine_version(text) is None


@pytest.mark.parametrize("text", ["1.0", "2.1.3", "1.0rc1", "1.0.post1"])
def test_versions_an_instrument_may_carry(text: str) -> None:
    assert str(instrument_version(text)) == text


@pytest.mark.parametrize("text", ["", "one", "1.0 build 4", "1..0", "9" * 5000, "1.0 final", "١.x"])
def test_versions_it_may_not(text: str) -> None:
    assert instrument_version(text) is None


@pytest.mark.parametrize("text", ["\uff17.1", "\u0667.1", "7.1 build \uff14", "7.\u09e7"])
def test_digits_of_other_scripts_are_no_version(text: str) -> None:
    assert engine_version(text) is None
    assert instrument_version(text) is None
