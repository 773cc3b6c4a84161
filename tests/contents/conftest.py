"""A working folder to put faults into, and the way from it to findings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.contents.account import account_for
from companion.contents.folder_scan import FolderScan, scan_folder
from companion.contents.inventory import take_inventory
from companion.contents.model import ContentsModel, PathsModel
from companion.contents.rules import PATHS, check_contents
from companion.core.cache import Cache
from companion.core.facts import Contents, Facts
from companion.core.findings import Finding
from companion.core.progress import QUIET
from companion.core.rules import findings_of

PATCHES = Contents(patches=("*.slab",), samples=("Samples/**",), scripts=("Scripts/**",))


class Desk:
    """A folder with a clean instrument in it: a patch that names its two samples and its picture."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.facts = PATCHES
        self.put("Samples/Slate C3.wav", b"RIFF" + b"\1" * 40)
        self.put("Samples/Slate D3.wav", b"RIFF" + b"\2" * 40)
        self.patch("Samples/Slate C3.wav", "Samples/Slate D3.wav")

    def put(self, path: str, data: bytes | str = b"x") -> Path:
        target = self.folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data.encode() if isinstance(data, str) else data)
        return target

    def patch(self, *paths: str, name: str = "Slate Choir.slab") -> None:
        """Write an opaque patch: a head, then each path behind its length as two bytes."""
        body = b"".join(len(p.encode()).to_bytes(2, "little") + p.encode() + b"\0" for p in paths)
        self.put(name, b"\x7fSLB\x02\x00\x00\x00" + body + bytes(range(256)))

    def scan(self) -> FolderScan:
        with Cache(None) as cache:
            inventory = take_inventory(self.folder, self.facts, cache, QUIET)
            return scan_folder(self.folder, inventory, self.facts, cache, QUIET)

    def contents(self, **more: Any) -> list[Finding]:
        found, facts = self.scan(), Facts(contents=self.facts)
        return check_contents(
            ContentsModel(
                entries=found.inventory.entries,
                selection=found.selection,
                facts=facts,
                references=found.references,
                account=account_for(found.selection, found.references, facts),
                scans=found.scans,
                pictures=found.pictures,
                **more,
            )
        )

    def paths(self, **more: Any) -> list[Finding]:
        found = self.scan()
        return list(
            findings_of(
                PATHS,
                PathsModel(
                    selection=found.selection,
                    references=found.references,
                    scans=found.scans,
                    pictures=found.pictures,
                    scripts=found.scripts,
                    **more,
                ),
            )
        )


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "Slate Choir")


@pytest.fixture
def rules_of() -> Callable[[list[Finding]], list[str]]:
    """Return the function that tells the ids of findings, sorted."""
    return lambda findings: sorted(finding.rule for finding in findings)
