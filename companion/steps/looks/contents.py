"""Contents and Paths: what the two steps look at, put together from the folder and from what the audio headers tell."""

from __future__ import annotations

import getpass
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from companion.core.entries import Kind
from companion.core.rules import findings_of
from companion.core.text import plural
from companion.core.units import both_bytes
from companion.steps.claims import ALL_RELATIVE, NOTHING_MISSING, NOTHING_STRAY, said
from companion.steps.desk import Desk
from companion.steps.model import Look

if TYPE_CHECKING:
    from companion.contents.ships import ShipList


def look_contents(desk: Desk) -> Look:
    """Judge what ships against what the patches refer to, and every name against every system."""
    from companion.archive.plan import top_folder
    from companion.contents.model import AudioProblem, ContentsModel
    from companion.contents.rules import check_contents
    from companion.sound.measures.batch import audio_problems

    look = desk.look
    problems = {path: {"kind": kind, "text": text} for path, (kind, text) in audio_problems(desk.probes).items()}
    model = ContentsModel(
        entries=look.inventory.entries,
        selection=look.selection,
        facts=desk.facts,
        references=look.references,
        account=desk.account,
        scans=look.scans,
        pictures=look.pictures,
        audio_problems=msgspec.convert(problems, dict[str, AudioProblem]),
        top=top_folder(desk.facts.instrument.title) if desk.facts.instrument.title.strip() else "",
    )
    findings = tuple(check_contents(model))
    kinds = {kind.value: sum(entry.kind is kind for entry in desk.ships) for kind in Kind}
    size = sum(entry.size for entry in desk.ships)
    done = [plural(len(desk.ships), "file"), both_bytes(size)]
    return Look(
        findings=findings,
        details={
            "because": ", ".join([*done, *said(findings, NOTHING_MISSING, NOTHING_STRAY)]),
            "kinds": {kind: count for kind, count in kinds.items() if count},
            "bytes": size,
            "left_out": [[stray.entry.path, stray.reason] for stray in look.selection.left_out],
        },
    )


def ships_of(desk: Desk) -> ShipList:
    """Return the list of what ships, what stays and what is asked about."""
    from companion.contents.ships import ship_list

    return ship_list(desk.inventory, desk.look.selection, desk.account, desk.facts.contents)


def look_paths(desk: Desk) -> Look:
    """Judge every path written in patches and scripts, and what metadata gives away."""
    from companion.contents.model import PathsModel
    from companion.contents.rules import PATHS

    home, user = _who()
    look = desk.look
    model = PathsModel(
        selection=look.selection,
        references=look.references,
        scans=look.scans,
        pictures=look.pictures,
        scripts=look.scripts,
        metadata={path: one.texts for path, one in desk.probes.items() if one.texts},
        home=home,
        user=user,
    )
    names = sum(scan.names for scan in look.scans.values())
    how = f"{plural(names, 'path')} read in {plural(len(look.scans), 'file')}"
    if len(look.scans) == 1:
        (how,) = (scan.reading for scan in look.scans.values())
    findings = findings_of(PATHS, model)
    joined = "; " if ";" in how else ", "
    details: dict[str, Any] = {
        "because": joined.join([how, *said(findings, ALL_RELATIVE)]),
        "scanned": {path: scan.names for path, scan in look.scans.items()},
        "read": {path: scan.reading for path, scan in look.scans.items() if not scan.problem},
    }
    return Look(findings=findings, details=details)


def _who() -> tuple[str, str]:
    """Return the home folder and user name to look for; empty where the system tells neither."""
    home = user = ""
    with suppress(RuntimeError):
        home = str(Path.home())
    with suppress(OSError, KeyError, ImportError):
        user = getpass.getuser()
    return home, user
