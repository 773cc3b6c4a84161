"""Make README's picture from the running app: the demo instrument, looked through, with the Contents step open.

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

TARGET = Path(__file__).with_name("checklist.svg")
SIZE = (96, 26)


async def picture(folder: Path) -> str:
    """Return the app's screen as SVG, with no font fetched from anywhere."""
    Workshop.open(folder).check(("contents", "paths", "sound"))
    app = CompanionApp(folder)
    async with app.run_test(size=SIZE) as pilot:
        for key in ("", "2", ""):
            if key:
                await pilot.press(key)
            while not app.jobs.idle:
                await asyncio.sleep(0.05)
            await pilot.pause()
        drawn = app.export_screenshot(title="companion")
    drawn = re.sub(r"@font-face \{.*?\}\s*", "", drawn, flags=re.DOTALL)
    drawn = re.sub(r"<circle [^>]*/>|<!--.*?-->", "", drawn, flags=re.DOTALL)  # no system's window buttons
    drawn = drawn.replace("<svg ", '<svg xml:space="preserve" ', 1)
    return re.sub(r"Fira Code, monospace|Fira Code", "ui-monospace, Menlo, Consolas, monospace", drawn)


def main() -> int:
    """Write the picture."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "Slate Choir"
        copy_demo(folder)
        TARGET.write_text(asyncio.run(picture(folder)), encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
