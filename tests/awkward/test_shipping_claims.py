"""What Archive and Out claim, what each claim rests on, and what makes it false: one row each, and each is tried."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import pytest

from companion.core.progress import Watch
from companion.steps.looks import standing

ARCHIVE: Final = "Slate Choir 1.0.zip"
UPDATE: Final = "Slate Choir 1.0 to 1.1.zip"


class Row(NamedTuple):
    """falsified: what is done to the folder; state: what the step is in then; says: what its line says then."""

    step: str
    claim: str
    rests_on: str
    falsified: Callable[[Path], object]
    state: str
    says: str


def releases(folder: Path) -> Path:
    return folder / "releases"


def flipped(path: Path, *, keep_times: bool = False) -> None:
    status, data = path.stat(), bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    with path.open("r+b") as stream:  # in place: name, size and inode stay
        stream.write(data)
    if keep_times:
        os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def copied_anew(path: Path) -> None:
    """Replace a file by its copy, as a backup that is brought back does."""
    path.with_name("aside").write_bytes(path.read_bytes())
    path.with_name("aside").replace(path)


ROWS: Final = (
    Row(
        "archive", "the archive that was proven lies in its place", "a file of that name",
        lambda folder: (releases(folder) / ARCHIVE).unlink(), "stale", standing.NOT_THERE,
    ),
    Row(
        "archive", "it is the one that was proven", "the checksum noted beside it",
        lambda folder: (releases(folder) / f"{ARCHIVE}.sha256").write_text("0" * 64), "stale", standing.NOT_THERE,
    ),
    Row(
        "archive", "it is the one that was proven", "a checksum beside it at all",
        lambda folder: (releases(folder) / f"{ARCHIVE}.sha256").unlink(), "stale", standing.NOT_THERE,
    ),
    Row(
        "archive", "it is whole", "its size",
        lambda folder: os.truncate(releases(folder) / ARCHIVE, 5000), "stale", standing.NOT_THERE,
    ),
    Row(
        "archive", "every byte of it is the one that was proven", "its SHA-256, read anew once its times are others",
        lambda folder: flipped(releases(folder) / ARCHIVE), "stale", standing.OTHER,
    ),
    Row(
        "archive", "every byte of it is the one that was proven", "the time of its last change, which nobody sets",
        lambda folder: flipped(releases(folder) / ARCHIVE, keep_times=True), "stale", standing.OTHER,
    ),
    Row(
        "archive", "it holds what would ship", "the fingerprint of what ships",
        lambda folder: (folder / "Licence.txt").write_text("Another\n"), "stale", "the content has changed",
    ),
    # The nearest innocent neighbours: nothing about the bytes is false, and nothing is to be done.
    Row(
        "archive", "it is the one that was proven, brought back from a backup", "its SHA-256",
        lambda folder: copied_anew(releases(folder) / ARCHIVE), "proven", "opened again byte for byte; not read since",
    ),
    Row(
        "archive", "it is the one that was proven, with another time", "its SHA-256",
        lambda folder: os.utime(releases(folder) / ARCHIVE, (1, 1)), "proven", "not read since",
    ),
)  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.claim}: {row.rests_on}")
def test_a_claim_falls_with_what_it_rests_on(releasable: Path, companion: Any, row: Row) -> None:
    assert _said(companion, releasable, row.step)[0] == "proven"
    row.falsified(releasable)
    state, says = _said(companion, releasable, row.step)
    assert state == row.state
    assert row.says in says
    if row.state != "proven":
        assert "byte for byte" not in says


def _said(companion: Any, folder: Path, step: str) -> tuple[str, str]:
    steps = companion("status", folder, "--json").json["steps"]
    return next((one["state"], one["because"]) for one in steps if one["id"] == step)


def test_what_no_cheap_look_can_tell_is_said(releasable: Path, companion: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bit that the disk itself loses changes no time and no inode: the line says since when nobody has read it."""
    archive = releases(releasable) / ARCHIVE
    state, says = _said(companion, releasable, "archive")
    assert state == "proven"
    assert re.search(r"; not read since \d{4}-\d\d-\d\d \d\d:\d\d UTC$", says)
    real = standing._key
    before = archive.stat()
    flipped(archive)
    monkeypatch.setattr(standing, "_key", lambda path, status: real(path, before))
    assert _said(companion, releasable, "archive") == (state, says), "said to be read then, not now"
    checked = companion("check", releasable, "archive")
    assert checked.code == 1
    assert "checksum-wrong" in checked.out, "and a look that reads it finds it"


def test_the_archive_is_read_once_and_then_remembered(
    releasable: Path, companion: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from companion.archive import prove

    read: list[Path] = []
    real = prove.checksum_of

    def noted(path: Path, watch: Watch) -> str:
        read.append(path)
        return real(path, watch)

    monkeypatch.setattr(prove, "checksum_of", noted)
    assert _said(companion, releasable, "archive")[0] == "proven"
    assert read == [], "packing has read it"
    copied_anew(releases(releasable) / ARCHIVE)
    for _ in range(3):
        assert _said(companion, releasable, "archive")[0] == "proven"
    assert [path.name for path in read] == [ARCHIVE]


# --- out ------------------------------------------------------------------------------------------------------------


def uploads(companion: Any, folder: Path, copy: Path) -> tuple[int, str]:
    result = companion("upload", folder, copy)
    return result.code, result.out.strip()


def fetched(folder: Path, name: str, damaged: bool = False) -> Path:
    """Return a copy as a browser would name it."""
    copy = folder.parent / name
    data = (releases(folder) / (UPDATE if "to" in re.split(r"\W|_", name) else ARCHIVE)).read_bytes()
    copy.write_bytes(data[:-7] if damaged else data)
    return copy


def test_a_later_damaged_download_takes_verified_back(releasable: Path, companion: Any) -> None:
    assert companion("release", releasable).code == 0
    assert _said(companion, releasable, "out")[1].endswith("; 1 warning")
    good, cut = fetched(releasable, "Slate.Choir.1.0.zip"), fetched(releasable, "Slate Choir 1.0 (2).zip", damaged=True)
    assert uploads(companion, releasable, good) == (0, f"The copy is {ARCHIVE}, byte for byte.")
    state, says = _said(companion, releasable, "out")
    assert state == "proven"
    assert re.search(r"upload verified on \d{4}-\d\d-\d\d$", says)
    assert uploads(companion, releasable, cut)[0] == 1
    state, says = _said(companion, releasable, "out")
    assert state == "failing"
    assert "verified" not in says
    assert "upload-differs" in companion("check", releasable, "out").out
    assert uploads(companion, releasable, good)[0] == 0
    assert _said(companion, releasable, "out")[0] == "proven"


@pytest.fixture
def updated(update_due: Path, companion: Any) -> Path:
    """1.1 released, with an update from 1.0 beside it."""
    told = ("--engine-version", "7.1", "--edition", "any", "--who", "Ada")
    companion("away", update_due, "--kind", "another player", "--result", "pass", *told)
    for text in ("changelog", "readme", "page"):
        companion("draft", update_due, text, "--write")
    companion("check", update_due)
    assert companion("pack", update_due).code == 0
    assert companion("pack", update_due, "--since", "1.0").code == 0
    assert companion("release", update_due).code == 0
    return update_due


def test_an_update_archive_is_recorded_and_verified_like_a_release(updated: Path, companion: Any) -> None:
    whole = Path(shutil.copy(releases(updated) / "Slate Choir 1.1.zip", updated.parent / "whole.zip"))
    assert uploads(companion, updated, whole) == (0, "The copy is Slate Choir 1.1.zip, byte for byte.")
    state, says = _said(companion, updated, "out")
    assert (state, "verified" in says) == ("proven", False), "the update was not fetched yet"
    assert UPDATE in companion("check", updated, "out").out
    copy = fetched(updated, "Slate_Choir_1.0_to_1.1.zip")
    assert uploads(companion, updated, copy) == (0, f"The copy is {UPDATE}, byte for byte.")
    assert "upload verified on" in _said(companion, updated, "out")[1]
    cut = fetched(updated, "Slate.Choir.1.0.to.1.1 (3).zip", damaged=True)
    code, told = uploads(companion, updated, cut)
    assert code == 1
    assert UPDATE in told, "named so, it is held against the update, not against the whole"
    assert _said(companion, updated, "out")[0] == "failing"
    assert uploads(companion, updated, copy)[0] == 0
    assert "upload verified on" in _said(companion, updated, "out")[1]
    assert companion("pack", updated, "--since", "1.0").code == 0
    assert "upload verified on" in _said(companion, updated, "out")[1], (
        "the same bytes built again are no other archive"
    )


def test_the_update_in_the_folder_is_no_copy_of_it(updated: Path, companion: Any, one_line: Any) -> None:
    one_line(companion("upload", updated, releases(updated) / UPDATE), "the archive itself", "Fetch a copy")


def test_a_copy_of_an_older_release_is_known(updated: Path, companion: Any) -> None:
    old = Path(shutil.copy(releases(updated) / ARCHIVE, updated.parent / "old.zip"))
    assert uploads(companion, updated, old) == (0, f"The copy is {ARCHIVE}, byte for byte.")
    assert "verified" not in _said(companion, updated, "out")[1]


@pytest.mark.parametrize(
    "falsified",
    [
        lambda folder: (releases(folder) / f"{UPDATE}.sha256").write_text("0" * 64),
        lambda folder: (releases(folder) / f"{UPDATE}.sha256").unlink(),
        lambda folder: (releases(folder) / UPDATE.replace(".zip", ".update.json")).write_text("{"),
    ],
    ids=["another checksum", "no checksum", "a damaged record"],
)
def test_an_update_that_is_not_the_recorded_one_asks_for_nothing(
    updated: Path, companion: Any, falsified: Callable[[Path], object]
) -> None:
    assert UPDATE in companion("check", updated, "out").out
    falsified(updated)
    assert UPDATE not in companion("check", updated, "out").out


def test_an_update_of_other_content_is_no_part_of_the_release(update_due: Path, companion: Any) -> None:
    assert companion("pack", update_due, "--since", "1.0").code == 0
    (update_due / "Thanks.txt").write_text("To the quarry, and to you.\n", encoding="utf-8")
    assert UPDATE not in companion("check", update_due, "out").out
