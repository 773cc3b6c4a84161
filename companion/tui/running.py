"""The app from its start to its end: an instrument, another one, and so on until it is quit."""

from pathlib import Path

from companion.tui.app import CompanionApp
from companion.tui.frame.colours import has_few, wants_light
from companion.tui.frame.opening import choose_folder


def run_app(folder: Path | None) -> int:
    """Open the app on a folder, None: on the one that is chosen, and return the exit code.

    It is 0, or 2 when the app itself broke.
    """
    light, few = wants_light(), has_few()
    while True:
        if folder is None:
            folder = choose_folder(light=light, few=few)
            if folder is None:
                return 0
        app = CompanionApp(folder, follow=True, light=light, few=few)
        result = app.run()
        if app.workshop:
            app.workshop.close()
        if not app.goes_elsewhere or app.return_code:
            return 2 if app.return_code else result or 0
        folder, light = None, not app.current_theme.dark
