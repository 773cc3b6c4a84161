"""Rendering with templates that may be a stranger's, in a child with bounds of memory and time."""

from __future__ import annotations

import atexit
from pathlib import Path
from typing import Final

import msgspec

from companion.core import children
from companion.core.errors import CompanionError
from companion.words.sandbox import MOST_SECONDS
from companion.words.story import Story

SECONDS: Final = MOST_SECONDS + 10
"""What a draft may take: the template itself, and the start of the child on a busy computer."""
_MEND: Final = "write it more plainly, or remove it to use the built-in template"

_child = children.Child("companion.words.stranger")
atexit.register(_child.close)


class DraftAsked(msgspec.Struct, frozen=True):
    """A draft that is asked for."""

    what: str
    fmt: str
    story: Story
    templates: str


class DraftTold(msgspec.Struct, frozen=True):
    """The draft, or in ``failure`` what a person is told instead: what, where, do."""

    text: str = ""
    failure: tuple[str, str, str] | None = None


def are_there(templates: Path | None) -> bool:
    """Tell whether a folder of templates holds any."""
    try:
        return templates is not None and any(path.suffix == ".jinja" for path in templates.iterdir())
    except (OSError, ValueError):
        return False


def draft_apart(what: str, fmt: str, story: Story, templates: Path) -> str:
    """Return a draft; see :func:`companion.words.drafts.draft`."""
    body = msgspec.msgpack.encode(DraftAsked(what, fmt, story, str(templates)))
    try:
        answer = _child.ask(body, SECONDS)
    except TimeoutError:
        reason = f"it takes longer than {SECONDS:.0f} s"
        raise CompanionError(f"A template for the {what} was stopped: {reason}", str(templates), _MEND) from None
    if answer is None:
        reason = "it asks for more memory than any text needs"
        raise CompanionError(f"A template for the {what} was stopped: {reason}", str(templates), _MEND)
    told = msgspec.msgpack.decode(answer, type=DraftTold)
    if told.failure:
        raise CompanionError(*told.failure)
    return told.text
