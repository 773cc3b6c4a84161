"""A test kit at a helper's, as lines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from companion.cli.render.checklist import typed
from companion.core.text import visible
from companion.trials.kit_texts import ASKED

if TYPE_CHECKING:
    from companion.steps.deeds.kit_run import KitAtHelper, OpenedAtHelper


def kit_lines(kit: KitAtHelper) -> list[str]:
    """Return what was sent, and what it takes."""
    needs = f" You need {kit.engine} {kit.minimum} or newer." if kit.minimum else ""
    return [f"{kit.title}: thank you for trying it out. It takes some ten minutes.{needs}"]


def opened_lines(kit: KitAtHelper, opened: OpenedAtHelper) -> list[str]:
    """Return where it lies now, what to open, and what to play."""
    lines = ["The archive is whole, and lies away from everything else:", f"  {visible(str(opened.folder))}"]
    lines += [f"It has a fault, but opens: {visible(one)}." for one in opened.warned[:3]]
    lines += [opened.caution]
    lines += [f"Open in {kit.engine}:"] if opened.patches else []
    lines += [f"  {visible(str(patch))}" for patch in opened.patches]
    lines += [] if opened.patches else [f"Open the patch in {kit.engine}; the readme there says which it is."]
    lines += [
        ASKED,
        "Play the lowest, a middle and the highest key, soft and hard, and move each control from end to end.",
    ]
    if kit.music:
        lines.append("If you have a few minutes more, let it play these, at the tempo they state, and bounce each:")
        lines += [f"  {visible(str(path))}" for path in kit.music]
    return lines


def form_lines(kit: KitAtHelper, file: Path) -> list[str]:
    """Return how the form is filled where nobody can be asked."""
    again = f"companion kit run {typed(visible(str(file)))} --form {typed(visible(str(kit.form)))}"
    return [
        "Then fill in the form, in any text editor:",
        f"  {visible(str(kit.form))}",
        "and make the one file to send back:",
        f"  {again}" + (" --bounce SOUND" if kit.music else ""),
    ]


def sent_lines(answer: Path) -> list[str]:
    """Return what is to be sent back."""
    return ["Send this one file back to whoever sent you the kit:", f"  {visible(str(answer))}"]


def left_lines(kit: KitAtHelper) -> list[str]:
    """Return what may go when all is done."""
    return ["When you have closed the engine, this may be deleted:", f"  {visible(str(kit.place))}"]
