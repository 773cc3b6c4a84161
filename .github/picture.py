"""Make README's pictures from the running app, on the demo instrument, looked through.

python .github/picture.py
"""

from __future__ import annotations

import asyncio
import re
import sys
import tempfile
from pathlib import Path

from companion.tui.app import CompanionApp
from companion.workshop import Workshop, copy_demo

PICTURES = {"checklist.svg": ("2",), "finding.svg": ("4", "enter"), "keys.svg": ("4", "enter", "t", "t", "t")}
"""By file name, the keys to press before the picture is taken."""
SIZE = (96, 26)


async def picture(folder: Path, keys: tuple[str, ...]) -> str:
    """Return the app's screen as SVG, with no font fetched from anywhere."""
    app = CompanionApp(folder)
    try:
        return await _drawn(app, keys)
    finally:
        if app.workshop:
            app.workshop.close()


async def _drawn(app: CompanionApp, keys: tuple[str, ...]) -> str:
    async with app.run_test(size=SIZE) as pilot:
        for key in ("", *keys, ""):
            if key:
                await pilot.press(key)
            for _ in range(
                20
            ):  # a key leads to messages, a screen and only then to work, and what came may ask for more
                await pilot.pause(0.02)
                while not app.jobs.idle or app.status is None:
                    await asyncio.sleep(0.05)
            await pilot.pause()
        drawn = app.export_screenshot(title="companion")
    drawn = re.sub(r"@font-face \{.*?\}\s*", "", drawn, flags=re.DOTALL)
    drawn = re.sub(r"<circle [^>]*/>|<!--.*?-->", "", drawn, flags=re.DOTALL)  # no system's window buttons
    drawn = drawn.replace("<svg ", '<svg xml:space="preserve" ', 1)
    return re.sub(r"Fira Code, monospace|Fira Code", "ui-monospace, Menlo, Consolas, monospace", drawn)


def main() -> int:
    """Write the pictures."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "Slate Choir"
        copy_demo(folder)
        Workshop.open(folder).check(("contents", "paths", "sound"))
        for name, keys in PICTURES.items():
            drawn = asyncio.run(picture(folder, keys))
            Path(__file__).with_name(name).write_text(drawn, encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
