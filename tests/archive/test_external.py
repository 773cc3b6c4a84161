from __future__ import annotations

import shutil
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from companion.archive import external
from companion.archive.external import ask
from companion.archive.model import ArchiveModel, Defect, DefectKind, Inspection, Opinion
from companion.archive.whole_rules import archive_differs
from companion.core.errors import Cancelled
from companion.core.findings import Finding, Severity
from companion.core.progress import QUIET, Watch

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the stand-ins are shell scripts")


def disagreements(opinions: list[Opinion]) -> list[Finding]:
    nothing = Inspection(size=0, members=(), defects=(Defect(DefectKind.TOO_MUCH, ""),), zip64=False)
    return archive_differs(ArchiveModel(inspection=nothing, opinions=tuple(opinions)))


def _stand_in(folder: Path, monkeypatch: pytest.MonkeyPatch, script: str, only: str = "unzip") -> None:
    folder.mkdir(exist_ok=True)
    tool = folder / only
    tool.write_text(f"#!/bin/sh\n{script}\n")
    tool.chmod(0o755)
    monkeypatch.setattr(shutil, "which", lambda name: str(tool) if name == only else None)


def test_nobody_is_asked_where_nobody_is(raw_zip: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: None)
    assert ask(raw_zip(), QUIET) == []


@pytest.mark.parametrize(
    ("script", "agrees", "severity"),
    [
        ("exit 0", True, None),
        ("echo 'bad CRC'; exit 2", False, Severity.BLOCKS),
        ("exit 9", False, Severity.BLOCKS),
        ("echo 'only a warning'; exit 1", False, Severity.WARNS),
    ],
)
def test_what_a_tool_says_becomes_a_finding(
    tmp_path: Path,
    raw_zip: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    script: str,
    agrees: bool,
    severity: Severity | None,
) -> None:
    _stand_in(tmp_path / "bin", monkeypatch, script)
    opinions = ask(raw_zip(), QUIET)
    assert [not opinion.complaint for opinion in opinions] == [agrees]
    assert [finding.severity for finding in disagreements(opinions)] == ([severity] if severity else [])


def test_what_a_tool_says_is_made_safe(
    tmp_path: Path, raw_zip: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    _stand_in(tmp_path / "bin", monkeypatch, "printf 'evil \\033[2J %0500d\\n' 1; exit 3")
    (finding,) = disagreements(ask(raw_zip(), QUIET))
    assert "\x1b" not in finding.measured
    assert len(finding.measured) < 250


def test_both_are_asked_at_once(tmp_path: Path, raw_zip: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Each waits for the other to have begun: one after the other would end in a complaint."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for own, other in (("unzip", "7z"), ("7z", "unzip")):
        waits = f"touch {tmp_path}/{own}; n=0; until [ -e {tmp_path}/{other} ]; do sleep 0.05; n=$((n+1)); "
        (folder / own).write_text(f"#!/bin/sh\n{waits}[ $n -lt 400 ] || exit 3; done\n")
        (folder / own).chmod(0o755)
    monkeypatch.setattr(shutil, "which", lambda name: str(folder / name))
    assert ask(raw_zip(), QUIET) == [Opinion(tool="unzip"), Opinion(tool="7z")]


@pytest.mark.timeout(30)  # the tool itself would take a minute
def test_a_tool_that_hangs_is_given_up(
    tmp_path: Path, raw_zip: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    _stand_in(tmp_path / "bin", monkeypatch, "exec sleep 60")
    opinion = external._ask("unzip", [str(tmp_path / "bin" / "unzip")], 0.3, QUIET)
    assert opinion.doubtful
    assert [finding.severity for finding in disagreements([opinion])] == [Severity.WARNS]


def test_stopping_ends_the_tool(tmp_path: Path, raw_zip: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    _stand_in(tmp_path / "bin", monkeypatch, f"echo $$ > {tmp_path}/pid; exec sleep 60")
    watch = Watch()
    threading.Timer(0.5, watch.cancel).start()
    with pytest.raises(Cancelled):
        ask(raw_zip(), watch)
    number = int((tmp_path / "pid").read_text())
    assert not Path(f"/proc/{number}").exists() or sys.platform != "linux"


def test_a_tool_that_cannot_start_only_warns(tmp_path: Path, raw_zip: Callable[..., Path]) -> None:
    opinion = external._ask("unzip", [str(tmp_path / "none")], 5, QUIET)
    assert opinion == Opinion(tool="unzip", complaint=opinion.complaint, doubtful=True)
    assert opinion.complaint.startswith("it could not be started")


@pytest.mark.parametrize(
    "name", ["a[1]b.zip", "star*.zip", "what?.zip", "-option.zip", "@list.zip", "back\\slash.zip", "both\\[1].zip"]
)
def test_the_archive_named_is_the_one_that_is_asked_about(
    tmp_path: Path, raw_zip: Callable[..., Path], installed: Callable[[str, str], str], name: str
) -> None:
    # Both tools take patterns, and one of them lists in files, where a name is meant.
    for program, package in (("unzip", "unzip"), ("7z", "p7zip-full")):
        installed(program, package)
    place = tmp_path / "asked"
    place.mkdir()
    for decoy in ("a1b.zip", "star.zip", "starry.zip", "what1.zip", "list.zip", "backslash.zip"):
        (place / decoy).write_bytes(b"PK broken")
    raw_zip().rename(place / name)
    assert disagreements(ask(place / name, QUIET)) == []
