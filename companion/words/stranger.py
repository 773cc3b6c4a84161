"""The inside of the child that renders templates which may be a stranger's; see ``apart.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import msgspec

from companion.core import children
from companion.core.errors import CompanionError
from companion.words.apart import DraftAsked, DraftTold
from companion.words.drafts import draft_here

MOST_MEMORY: Final = 512 << 20


def answer(body: bytes) -> bytes:
    """Return what came of a request, both as MessagePack."""
    asked: Any = msgspec.msgpack.decode(body, type=DraftAsked)
    try:
        told = DraftTold(draft_here(asked.what, asked.fmt, asked.story, Path(asked.templates)))
    except CompanionError as error:
        told = DraftTold(failure=(error.what, error.where, error.do))
    return msgspec.msgpack.encode(told)


def main() -> None:
    """Run the child."""
    children.serve(answer, MOST_MEMORY)
