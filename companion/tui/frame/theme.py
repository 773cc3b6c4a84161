"""How the app looks: slate, lichen, ochre and brick, quiet by default. Each pane keeps its own rules beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from textual.theme import Theme

from companion.tui.frame.sixteen import CHALK_FEW, SLATE_FEW

if TYPE_CHECKING:
    from textual.app import App

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
        # A list turns the row of its cursor over (parts/listing.py), so that it is seen in 16 colours and in none as
        # well: its words stand in the "background", each on a ground of its own colour.
        "block-cursor-background": "#14181a",
        "block-cursor-foreground": "#d9dcd8",
        "block-cursor-text-style": "bold",
        "block-cursor-blurred-background": "#2d3a3d",
        "block-cursor-blurred-foreground": "#d9dcd8",
        "border": "#86b3a6",
        "border-blurred": "#3a444a",
        "input-selection-background": "#86b3a6 25%",
        "scrollbar": "#6f7e84",
        "scrollbar-hover": "#8c9a9f",
        "scrollbar-active": "#86b3a6",
        "scrollbar-background": "#20262a",
    },
)

CHALK: Final = Theme(
    name="chalk",
    primary="#1f6053",
    secondary="#554a8c",
    accent="#775108",
    foreground="#263231",
    background="#fbfaf7",
    surface="#f1efe9",
    panel="#e4e1d9",
    success="#2f6332",
    warning="#755100",
    error="#a02f18",
    dark=False,
    variables={
        "foreground-muted": "#536160",
        "block-cursor-background": "#ffffff",
        "block-cursor-foreground": "#263231",
        "block-cursor-text-style": "bold",
        "block-cursor-blurred-background": "#d9e3de",
        "block-cursor-blurred-foreground": "#1b2423",
        "border": "#1f6053",
        "border-blurred": "#c3beb2",
        "input-selection-background": "#1f6053 25%",
        "scrollbar": "#878274",
        "scrollbar-hover": "#6a6558",
        "scrollbar-active": "#1f6053",
        "scrollbar-background": "#f1efe9",
    },
)

THEMES: Final = (SLATE, CHALK, SLATE_FEW, CHALK_FEW)


def theme_of(*, light: bool, few: bool) -> Theme:
    """Return the theme of light or dark colours; few: where there are sixteen of them."""
    return next(one for one in THEMES if one.dark is not light and (one in (SLATE_FEW, CHALK_FEW)) is few)


def dress(app: App[Any], *, light: bool, few: bool) -> None:
    """Give an app its themes, and begin with one of them."""
    for theme in THEMES:
        app.register_theme(theme)
    app.set_class(few, "-few")
    app.theme = theme_of(light=light, few=few).name


BASE: Final = """
Screen { background: $background; }
* { scrollbar-size-vertical: 1; scrollbar-size-horizontal: 1; }
Input { scrollbar-size-horizontal: 0; }
OptionList { border: none; padding: 0; background: $background; text-wrap: nowrap; text-overflow: ellipsis; }
OptionList:focus { border: none; background-tint: $foreground 0%; }
Button { height: 1; min-width: 8; border: none; padding: 0 1; margin: 0 2 0 0; background: $panel; }
CommandList:focus > .option-list--option-highlighted, CommandList > .option-list--option-highlighted {
    background: $block-cursor-blurred-background; color: $block-cursor-blurred-foreground; text-style: bold underline;
}
Button:focus { background: $block-cursor-background; color: $block-cursor-foreground; text-style: bold reverse; }
ModalScreen { align: center middle; background: $background 60%; }
Drawer { align: right middle; }
CommandPalette SearchIcon { display: none; }
.-wide Rail, .-huge Rail { width: 28; padding: 1 2; }
.-wide Workspace, .-huge Workspace { padding: 1 2; }
.-wide PartsBar, .-huge PartsBar { margin: 0 0 1 0; }
.-huge .beside { layout: grid; grid-size: 2; grid-columns: 3fr 2fr; grid-rows: 1fr; }
.-huge .beside.-headed { grid-rows: auto 1fr; }
.-huge .beside .over { column-span: 2; }
.-huge .beside Detail {
    height: 100%; max-height: 100%; border-top: none; border-left: solid $border-blurred; padding: 0 0 0 1;
}
.-huge .beside Detail:focus { border-top: none; border-left: solid $border; }
.-few LineInput, .-few LinesInput, .-few FieldBox Choice, .-few TableInput { border-left: vkey $border-blurred; }
.-few LineInput:focus, .-few LinesInput:focus, .-few FieldBox Choice:focus, .-few TableInput:focus {
    border-left: outer $primary;
}
.-few Input > .input--placeholder { color: $foreground-muted; }
.-few Button { text-style: bold underline; }
.-few Button:focus { text-style: bold reverse; }
"""
