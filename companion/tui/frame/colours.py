"""Light colours or dark ones, as chosen or else as the terminal is; and whether it has sixteen only."""

from typing import Final

_NAME: Final = "colours"


def wants_light() -> bool:
    """Tell whether to begin in the light colours. To be asked before the app takes the terminal."""
    from companion.core.own import choice

    if chosen := choice(_NAME):
        return chosen == "light"
    from companion.tui.frame.terminal import background_is_light

    return bool(background_is_light())


def has_few() -> bool:
    """Tell whether the terminal, as far as its environment says, has sixteen colours or eight."""
    from rich.console import Console

    return Console().color_system in ("standard", "windows")


def keep_colours(*, light: bool) -> None:
    """Keep the choice. Raises :class:`~companion.core.errors.CompanionError` where the disk will not have it."""
    from companion.core.own import keep_choice

    keep_choice(_NAME, "light" if light else "dark")
