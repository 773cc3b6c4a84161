"""Memory that is used again, and never by two at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from companion.core.scratch import Scratch


def test_the_same_memory_is_given_again_and_grows_when_more_is_asked_for() -> None:
    scratch = Scratch()
    first = scratch.take(4)
    first[:] = b"kept"
    assert len(scratch.take(2)) == 2
    assert bytes(scratch.take(4)) == b"kept"
    assert bytes(scratch.take(5)) == bytes(5)
    assert bytes(first) == b"kept"


def test_what_is_given_out_at_least_is_not_left_for_a_larger_one_below_it() -> None:
    scratch = Scratch(10)
    scratch.take(1)[:] = b"a"
    assert bytes(scratch.take(10)) == b"a" + bytes(9)
    assert bytes(scratch.take(11)) == bytes(11)


def test_each_thread_has_its_own_as_large_at_least() -> None:
    scratch = Scratch(10)
    mine = scratch.take(3)
    mine[:] = b"abc"
    with ThreadPoolExecutor(1) as other:
        assert other.submit(lambda: bytes(scratch.take(3))).result() == bytes(3)
        other.submit(lambda: scratch.take(3).__setitem__(slice(None), b"xyz")).result()
        assert other.submit(lambda: bytes(scratch.take(10))).result() == b"xyz" + bytes(7)
    assert bytes(mine) == b"abc"
