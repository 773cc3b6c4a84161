"""A field for a folder's name: typed, pasted or dropped, and completed with Tab."""

from __future__ import annotations

import os
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from typing import ClassVar, Final

from textual.binding import Binding, BindingType
from textual.message import Message

from companion.core.errors import CompanionError
from companion.core.folder import FACTS_FILE
from companion.core.pasted import place_of
from companion.core.text import visible
from companion.tui.parts.form import LineInput

_MOST: Final = 2000
"""Entries of a folder that are looked through for one to complete."""


class PlaceInput(LineInput):
    """One line for a folder."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "submit", "Open it"),
        Binding("tab", "complete", "Complete"),
        Binding("shift+tab", "app.focus_previous", "Back", show=False),
    ]

    @dataclass
    class Completing(Message):
        """Tab was pressed behind this text."""

        text: str

    def action_complete(self) -> None:
        """Ask for what may follow; with nothing typed, go on to the next field."""
        if self.value.strip():
            self.post_message(self.Completing(self.value))
        else:
            self.app.action_focus_next()


def folder_meant(text: str) -> Path:
    """Return the folder a person means: that of the name, or the one a dropped file lies in.

    Of a file it is the nearest folder above that has facts, else the one it lies in. Raises :class:`CompanionError`
    where there is neither.
    """
    plain = Path(text.strip())
    try:
        path = plain if plain.is_dir() else place_of(text) or plain
        path = path.absolute()
        if path.is_file():
            return next((one for one in path.parents if (one / FACTS_FILE).is_file()), path.parent)
        if path.is_dir():
            return path
    except (OSError, RuntimeError, ValueError):  # “~name” of nobody, a name that no disk takes
        pass
    raise CompanionError("There is no such folder", text.strip(), "check the name, or drop the folder here")


def completed(text: str) -> tuple[str, tuple[str, ...]]:
    """Return the text as far as it can be completed, and the folders it may still mean, by name.

    Folders whose names cannot be typed are passed over, hidden ones unless their dot is typed. Nothing raises.
    """
    cut = max(text.rfind(mark) for mark in {"/", os.sep, os.altsep or os.sep}) + 1
    head, tail = text[:cut], text[cut:]
    try:
        base = Path(head or ".").expanduser()
        with os.scandir(base) as entries:
            names = [
                entry.name
                for entry, _ in zip(entries, range(_MOST), strict=False)
                if entry.name.casefold().startswith(tail.casefold())
                and (tail.startswith(".") or not entry.name.startswith("."))
                and visible(entry.name) == entry.name
                and entry.is_dir()
            ]
    except (OSError, RuntimeError, ValueError):
        return text, ()
    names = sorted([name for name in names if name.startswith(tail)] or names)
    if len(names) == 1:
        return f"{head}{names[0]}{os.sep}", ()
    alike = [same[0] for same in takewhile(lambda letters: len(set(letters)) == 1, zip(*names, strict=False))]
    return (f"{head}{''.join(alike)}" if len(alike) >= len(tail) else text), tuple(names)
