from __future__ import annotations

import hashlib
import os
import zlib
from collections.abc import Callable
from importlib.metadata import version

import deflate
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.archive.coders import (
    CHUNK,
    Bytes,
    packed,
    packed_better,
    packed_piece,
    packs_well,
    probes,
    seems_packable,
    shares,
)


def _inflated(parts: list[Bytes]) -> bytes:
    coder = zlib.decompressobj(-15)
    out = coder.decompress(b"".join(parts))
    assert coder.eof
    assert not coder.unused_data
    return out


@given(st.one_of(st.binary(max_size=2000), st.binary(max_size=20).map(lambda part: part * 500)))
def test_packed_content_comes_back(data: bytes) -> None:
    method, out = packed(data)
    assert (b"".join(out) if method == 0 else _inflated(out)) == data
    assert sum(map(len, out)) <= len(data)


@given(st.lists(st.binary(min_size=1, max_size=3000), min_size=1, max_size=6))
def test_pieces_laid_end_to_end_are_one_stream(parts: list[bytes]) -> None:
    stream = [out for index, part in enumerate(parts) for out in packed_piece(part, index == len(parts) - 1)]
    assert _inflated(stream) == b"".join(parts)


def test_audio_is_deflated_noise_stored_and_empty_stored(audio: Callable[..., bytes]) -> None:
    assert packed(audio(100_000))[0] == 8
    noise = os.urandom(100_000)
    assert packed(noise) == (0, [noise])
    assert packed(b"") == (0, [])


def test_what_packs_well_gets_the_better_coder(audio: Callable[..., bytes]) -> None:
    from isal import isal_zlib

    dual, plain = audio(300_000, dual=True), audio(300_000)
    first = len(isal_zlib.compress(dual, 1, -15))
    assert sum(map(len, packed(dual)[1])) < 0.9 * first
    assert packed(plain)[1] == packed_piece(plain, True)


def test_packed_bytes_are_those_of_every_other_machine() -> None:
    # Sums taken on an AMD processor, and under qemu as Nehalem, Haswell, Skylake and EPYC: all from SSE 4.2 (2008) on
    # give the same, older ones do not. Another version of a coder may give other bytes: the sums are one pair's.
    versions = (version("isal"), version("deflate"))
    if versions != ("1.9.1", "0.9.0"):
        pytest.skip(f"no sums are known for isal and deflate {versions}")
    text = b"".join(b"slate %d struck softly\n" % (n * n) for n in range(4000))
    pieces = (packed(text)[1], packed_piece(text, False), packed_piece(text, True))
    assert [hashlib.sha256(b"".join(piece)).hexdigest()[:12] for piece in pieces] == [
        "187dfe85ec21",
        "cf2deedb7d0e",
        "133708779b8a",
    ]


def test_probes_lie_inside_and_reach_both_ends() -> None:
    for size in (1, 1000, CHUNK + 1, 5 << 30):
        places = probes(size)
        assert places[0][0] == 0
        assert all(at >= 0 and at + length <= size for at, length in places)
        assert places[-1][0] + places[-1][1] >= size - 3


def test_one_packable_part_is_enough(audio: Callable[..., bytes]) -> None:
    noise = os.urandom(50_000)
    assert not seems_packable(shares([noise, noise]))
    assert seems_packable(shares([noise, audio(50_000)]))


def test_most_parts_have_to_pack_well_for_the_better_coder(audio: Callable[..., bytes]) -> None:
    dual, plain = audio(200_000, dual=True), audio(200_000)
    assert packs_well(shares([dual, dual, dual, plain]))
    assert not packs_well(shares([plain, plain, plain, dual]))


def test_a_whole_member_that_packs_well_is_near_level_6_of_zlib(audio: Callable[..., bytes]) -> None:
    dual = audio(1_000_000, dual=True)
    method, out = packed_better(dual, 0.5)
    assert method == 8
    assert _inflated(out) == dual
    assert sum(map(len, out)) < 1.01 * len(zlib.compress(dual, 6))
    noise = os.urandom(100_000)
    assert packed_better(noise, 0.5) == (0, [noise])


def test_the_level_is_the_one_that_packs_smaller_at_that_share(audio: Callable[..., bytes]) -> None:
    """Of one channel recorded twice, and of noise that fills eleven of 24 bits."""
    noise = np.random.default_rng(1).normal(0, 2**10, 100_000).astype("<i4")
    quiet = noise.view("u1").reshape(-1, 4)[:, :3].tobytes()
    for data, share in ((audio(300_000, dual=True), 0.5), (quiet, shares([quiet])[0])):
        levels = [len(deflate.deflate_compress(data, level)) for level in (1, 2)]
        _, out = packed_better(data, share)
        assert sum(map(len, out)) == min(levels)
    assert 0.65 < share < 0.75
