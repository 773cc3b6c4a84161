"""Where a finding was made, as data."""

import msgspec


class At(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The place of a finding: any of these, as far as they are known.

    frames: [start, end) in the file's own frames; rate: frames per second, to turn them into seconds. channel: counted
    from 0. byte: offset from the start of the file. line: counted from 1. key, velocity: MIDI numbers, 0 to 127. take:
    counted from 1. control: its name in the facts. fact: a dotted key of ``release.toml``. others: further paths that
    belong to the finding, relative to the working folder.
    """

    frames: tuple[int, int] | None = None
    rate: int | None = None
    channel: int | None = None
    byte: int | None = None
    line: int | None = None
    key: int | None = None
    velocity: int | None = None
    take: int | None = None
    control: str = ""
    fact: str = ""
    others: tuple[str, ...] = ()


NOWHERE = At()
"""A finding about the whole."""
