from __future__ import annotations

import io
from typing import cast

from companion.archive.coders import NOT_WORTH_IT
from companion.archive.layout import DEFLATED, STORED, Header
from companion.archive.writer import Writer


class _Nowhere(io.RawIOBase):
    """A stream of any length that keeps nothing but where it stands, and where it was last cut."""

    at = cut = 0

    def write(self, data: object) -> int:
        self.at += len(cast("bytes", data))
        return len(cast("bytes", data))

    def seek(self, at: int, whence: int = 0) -> int:
        self.at = at
        return at

    def truncate(self, size: int | None = None) -> int:
        self.cut = self.at
        return self.at


def test_what_grows_past_four_gigabytes_by_packing_can_be_taken_back() -> None:
    size = 2**32 - 2  # the most that needs no Zip64; noise packed in pieces takes a few bytes more than it is
    block = bytes(1 << 20)
    stream = _Nowhere()
    writer = Writer(cast("io.BufferedRandom", stream))
    grown = (([block], 5) for _ in range(4096 + 1))
    packed = writer.streamed(Header(b"S/noise.wav", DEFLATED, 0, 0, size), grown, executable=False)
    assert packed == 4097 << 20
    assert packed > NOT_WORTH_IT * size  # so the builder withdraws it
    writer.withdraw()
    assert stream.cut == 0
    stored = (([block], 5) for _ in range(3))
    assert writer.streamed(Header(b"S/noise.wav", STORED, 0, 0, 3 << 20), stored, executable=False) == 3 << 20
    assert stream.at == (3 << 20) + 30 + len("S/noise.wav")
