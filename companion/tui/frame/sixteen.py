"""How the app looks where a terminal has sixteen colours: grounds of one colour, and letters that stand out from it.

Each colour here is one of the sixteen, or becomes the one that is meant. A terminal may show them as its owner likes:
what must be told apart is told by marks, bars and underlines as well.
"""

from typing import Final

from textual.theme import Theme

SLATE_FEW: Final = Theme(
    name="slate-few",
    primary="#55ffff",
    secondary="#ff55ff",
    accent="#ffff55",
    foreground="#ffffff",
    background="#000000",
    surface="#000000",
    panel="#000000",
    success="#55ff55",
    warning="#ffff55",
    error="#ff5555",
    dark=True,
    variables={
        "foreground-muted": "#aaaaaa",
        "block-cursor-background": "#010101",  # not the ground's own colour: a list finds the row of its cursor by it
        "block-cursor-foreground": "#ffffff",
        "block-cursor-text-style": "bold",
        "block-cursor-blurred-background": "#000000",
        "block-cursor-blurred-foreground": "#ffffff",
        "block-cursor-blurred-text-style": "underline",
        "border": "#55ffff",
        "border-blurred": "#555555",
        "input-selection-background": "#0000aa",
        "scrollbar": "#555555",
        "scrollbar-hover": "#aaaaaa",
        "scrollbar-active": "#55ffff",
        "scrollbar-background": "#000000",
    },
)

CHALK_FEW: Final = Theme(
    name="chalk-few",
    primary="#0000aa",
    secondary="#aa00aa",
    accent="#aa00aa",
    foreground="#000000",
    background="#ffffff",
    surface="#ffffff",
    panel="#ffffff",
    success="#0000aa",
    warning="#aa00aa",
    error="#aa0000",
    dark=False,
    variables={
        "foreground-muted": "#000000",
        "block-cursor-background": "#fefefe",
        "block-cursor-foreground": "#000000",
        "block-cursor-text-style": "bold",
        "block-cursor-blurred-background": "#ffffff",
        "block-cursor-blurred-foreground": "#000000",
        "block-cursor-blurred-text-style": "underline",
        "border": "#0000aa",
        "border-blurred": "#555555",
        "input-selection-background": "#aaaaaa",
        "scrollbar": "#555555",
        "scrollbar-hover": "#000000",
        "scrollbar-active": "#0000aa",
        "scrollbar-background": "#ffffff",
    },
)
