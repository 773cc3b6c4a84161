"""The form of a test kit, asked question by question in a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from companion.cli.base import print_text
from companion.core.errors import CompanionError
from companion.core.pasted import place_of
from companion.core.text import visible
from companion.trials.kits import MAY_STAY_EMPTY, QUESTIONS, Key, is_no, unclear

if TYPE_CHECKING:
    from companion.steps.deeds.kit_run import KitAtHelper

FIRST: Final[tuple[Key, ...]] = ("engine_version", "edition", "system")
"""What is asked before anything is opened: an evening may end there."""
NOT_OPENED: Final[tuple[Key, ...]] = ("keys", "played", "whole")
"""What nobody need answer where the patch did not open."""


def say(lines: Sequence[str]) -> None:
    """Print lines no wider than the terminal; those that begin with a space hold a path, and stay whole."""
    import shutil
    from textwrap import wrap

    width = max(40, shutil.get_terminal_size().columns - 1)
    for line in lines:
        print_text(line if not line or line.startswith(" ") else "\n".join(wrap(line, width)))


def ask(kit: KitAtHelper, keys: Sequence[Key], answers: dict[Key, str], presets: dict[Key, str]) -> None:
    """Ask those of ``keys`` that the kit's form holds, and note the answers one by one.

    presets: what Enter answers. Raises :class:`click.Abort` where the helper leaves; what was answered stays noted.
    """
    for key in keys:
        if key not in kit.asked or (key in NOT_OPENED and is_no(answers.get("opened", ""))):
            continue
        number = f"{list(QUESTIONS).index(key) + 1} of {len(QUESTIONS)}"
        empty = " (Enter where there is nothing to say.)" if key in MAY_STAY_EMPTY else ""
        say(["", f"{number}. {QUESTIONS[key].format(engine=kit.engine)}{empty}"])
        answers[key] = _answer(key, presets.get(key, ""))


def _answer(key: Key, preset: str) -> str:
    while True:
        given = click.prompt("" if not preset else " ", default=preset, show_default=bool(preset), prompt_suffix="> ")
        answer = str(given).strip()
        if not answer and key in MAY_STAY_EMPTY:
            return ""
        if not (wrong := unclear(key, answer)):
            return answer
        say([wrong])


def ask_sounds(kit: KitAtHelper) -> list[Path]:
    """Ask for the bounces of the performance, as long as some are named."""
    from companion.steps.deeds.kit_run import refuse_sounds

    sounds: list[Path] = []
    while kit.music:
        more = "Another one" if sounds else "If you bounced the performance: the sound file (drag it here)"
        say(["", f"{more}, or Enter."])
        given = place_of(str(click.prompt("", default="", show_default=False, prompt_suffix="> ")))
        if given is None:
            break
        try:
            refuse_sounds([*sounds, given])
        except CompanionError as error:
            say([visible(error.line)])
            continue
        sounds.append(given)
    return sounds
