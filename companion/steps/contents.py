"""Contents and Paths: what the two steps look at, put together from the folder and from what the audio headers tell."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Any

from companion.core.entries import Kind
from companion.core.text import plural
from companion.core.units import both_bytes
from companion.steps.desk import Desk
from companion.steps.model import Look


def look_contents(desk: Desk) -> Look:
    """Judge what ships against what the patches refer to, and every name against every system."""
    from companion.contents.checks import ContentsModel, check_contents

    model = ContentsModel(
        entries=desk.inventory.entries,
        selection=desk.selection,
        references=desk.references,
        audio_problems=desk.audio_problems,
        facts=desk.facts,
        folder=desk.folder,
    )
    findings = tuple(check_contents(model))
    kinds = {kind.value: sum(entry.kind is kind for entry in desk.ships) for kind in Kind}
    size = sum(entry.size for entry in desk.ships)
    return Look(
        findings=findings,
        details={
            "because": f"{plural(len(desk.ships), 'file')}, {both_bytes(size)}, nothing missing, nothing stray",
            "kinds": {kind: count for kind, count in kinds.items() if count},
            "bytes": size,
            "left_out": [[stray.entry.path, stray.reason] for stray in desk.selection.left_out],
        },
    )


def look_paths(desk: Desk) -> Look:
    """Judge every path written in patches and scripts, and what metadata gives away."""
    from companion.contents.checks import PathsModel, check_paths

    home, user = _who()
    model = PathsModel(
        entries=desk.ships,
        scans=desk.scans,
        references=desk.references,
        metadata=desk.metadata,
        facts=desk.facts,
        folder=desk.folder,
        home=home,
        user=user,
    )
    mentions = sum(len(scan.mentions) for scan in desk.scans.values())
    details: dict[str, Any] = {
        "because": f"{plural(mentions, 'path')} read in {plural(len(desk.scans), 'file')}, all relative",
        "scanned": {path: len(scan.mentions) for path, scan in desk.scans.items()},
    }
    return Look(findings=tuple(check_paths(model)), details=details)


def _who() -> tuple[str, str]:
    """Return the home folder and user name to look for; empty where the system tells neither."""
    try:
        home = str(Path.home())
    except RuntimeError:
        home = ""
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = ""
    return home, user
