"""How the app looks: slate, lichen, ochre and brick, quiet by default. Each pane keeps its own rules beside it."""

from typing import Final

from textual.theme import Theme

SLATE: Final = Theme(
    name="slate",
    primary="#86b3a6",
    secondary="#a9a3c9",
    accent="#d8b67a",
    foreground="#d9dcd8",
    background="#191d20",
    surface="#20262a",
    panel="#2a3237",
    success="#8fc08a",
    warning="#dfb45f",
    error="#ee8f7d",
    dark=True,
    variables={
        "foreground-muted": "#9aa5a5",
        # Turned over by "reverse", so that the cursor is seen in 16 colours and in none as well.
        "block-cursor-background": "#f4f6f2",
        "block-cursor-foreground": "#3a5a58",
        "block-cursor-text-style": "bold reverse",
        "block-cursor-blurred-background": "#2d3a3d",
        "block-cursor-blurred-foreground": "#d9dcd8",
        "border": "#86b3a6",
        "border-blurred": "#3a444a",
        "input-selection-background": "#86b3a6 35%",
        "scrollbar": "#3a444a",
        "scrollbar-hover": "#5a6a6e",
        "scrollbar-active": "#86b3a6",
        "scrollbar-background": "#20262a",
    },
)

BASE: Final = """
Screen { background: $background; }
* { scrollbar-size-vertical: 1; scrollbar-size-horizontal: 1; }
Input { scrollbar-size-horizontal: 0; }
OptionList { border: none; padding: 0; background: $background; text-wrap: nowrap; text-overflow: ellipsis; }
OptionList:focus { border: none; background-tint: $foreground 0%; }
Button { height: 1; min-width: 8; border: none; padding: 0 1; margin: 0 2 0 0; background: $panel; }
Button:focus { background: $block-cursor-foreground; color: $block-cursor-background; text-style: bold reverse; }
ModalScreen { align: center middle; background: $background 60%; }
.-wide Rail { width: 28; padding: 1 2; }
.-wide Workspace { padding: 1 2; }
.-wide PartsBar { margin: 0 0 1 0; }
"""
