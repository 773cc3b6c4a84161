from __future__ import annotations

import subprocess
import sys


def test_the_rules_are_light_to_import() -> None:
    code = "import sys, companion.contents.rules, companion.contents.folder_scan; print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for heavy in ("PIL", "numpy", "scipy", "soundfile", "git", "textual", "click"):
        assert f"'{heavy}'" not in loaded
