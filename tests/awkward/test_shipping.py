"""Packing and releasing where something is missing, half done, or not what it was."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.archive.record import read_records
from companion.archive.whole_rules import archive_differs, zip64_needed
from companion.core.errors import Cancelled
from companion.core.progress import Progress, Watch
from companion.core.units import both_bytes
from companion.history.history import History
from companion.history.store import refs
from companion.workshop import Workshop


def _state(companion: Any, folder: Path, step: str) -> str:
    steps = companion("status", folder, "--json").json["steps"]
    return str(next(one for one in steps if one["id"] == step)["state"])


def _released(folder: Path, version: str) -> int:
    with History(folder) as history:
        snapshot = history.release_snapshot(version)
    return snapshot.number if snapshot else 0


def _prove_everything(companion: Any, folder: Path) -> None:
    answers = (
        "--engine-version",
        "7.1",
        "--edition",
        "any",
        "--who",
        "Ada",
        "--system",
        "Linux",
        "--played",
        "all keys",
    )
    companion("away", folder, "--kind", "another player", "--result", "pass", *answers)
    for text in ("changelog", "readme", "page"):
        companion("draft", folder, text, "--write")
    companion("check", folder)
    assert companion("pack", folder).code == 0


def test_a_release_that_lost_its_tag_is_finished_by_the_next(
    releasable: Path, companion: Any, one_line: Callable[..., None]
) -> None:
    assert companion("release", releasable).code == 0
    place = releasable / ".companion" / "history.git"
    whole = refs.read(place)
    refs.write(place, refs.Refs(whole.snapshots))  # as a kill between the record and the tag leaves it
    assert _released(releasable, "1.0") == 0
    again = companion("release", releasable, "--json")
    assert again.code == 0, again.err
    assert again.json["release"]["snapshot"] == _released(releasable, "1.0") == 1
    one_line(companion("release", releasable), "recorded already", "Nothing is left to do")


def test_a_version_is_released_once(releasable: Path, companion: Any, one_line: Callable[..., None]) -> None:
    assert companion("release", releasable).code == 0
    before = read_records(releasable / "releases")
    (releasable / "Licence.txt").write_text("Another\n", encoding="utf-8")
    waiver = ("version-not-raised", "release.toml", "--where", "instrument.version", "-r", "nobody has it yet")
    assert companion("waive", releasable, *waiver).code == 0
    _prove_everything(companion, releasable)
    one_line(companion("release", releasable), "1.0 is released already", "Raise it")
    assert read_records(releasable / "releases") == before, "the record of what players have stands"
    assert _released(releasable, "1.0") == before[0].snapshot


MISSING = (b"Samples/slate_none.wav", "reference-missing")
CLIMBS = (b"../Slate Choir/Samples/slate_C4.wav", "path-climbs")


def _refer_to(folder: Path, path: bytes) -> None:
    """Have the patch refer to one file more, behind its length: it has too few others to teach how it writes names."""
    patch = folder / "Slate.eeng"
    patch.write_bytes(len(path).to_bytes(2, "little") + path + b"\0" + patch.read_bytes())


def _never(*_: object) -> None:
    raise AssertionError("nothing is built before what is cheap has been judged")


@pytest.mark.parametrize("looked", [(), ("contents", "paths"), ("contents",), ("paths",)], ids="+".join)
@pytest.mark.parametrize(("path", "rule"), [MISSING, CLIMBS])
def test_content_that_blocks_is_never_built_whatever_was_looked_at_before(
    releasable: Path, companion: Any, path: bytes, rule: str, looked: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    place = releasable / "releases"
    before = {one.name: one.read_bytes() for one in place.iterdir()}
    _refer_to(releasable, path)
    for step in looked:
        companion("check", releasable, step)
    monkeypatch.setattr("companion.archive.build.pending_archive", _never)
    packed = companion("pack", releasable, "--json")
    told = packed.json["archive"]
    assert (packed.code, packed.rules_of("archive")) == (1, {(rule, "Slate.eeng")})
    assert (told["built"], told["kept"], told["candidate"], told["size"], told["sha256"]) == (False, False, True, 0, "")
    assert {one.name: one.read_bytes() for one in place.iterdir()} == before, "the good one stands"
    assert {_state(companion, releasable, step) for step in ("contents", "paths")} == {"failing", "proven"}
    said = companion("pack", releasable)
    assert said.code == 1
    assert said.out.startswith("Not built: Slate Choir 1.0.zip")
    assert "Built" not in said.out


@pytest.mark.parametrize(("path", "rule"), [MISSING, CLIMBS])
def test_what_is_waived_is_built(releasable: Path, companion: Any, path: bytes, rule: str) -> None:
    _refer_to(releasable, path)
    companion("check", releasable, "contents", "paths")
    assert companion("waive", releasable, rule, "Slate.eeng", "-r", "a player never comes there").code == 0
    for step in ("contents", "paths"):
        packed = companion("pack", releasable, "--json")
        assert (packed.code, packed.json["archive"]["kept"]) == (0, True), packed
        shutil.rmtree(releasable / ".companion" / "evidence" / step)


def test_an_update_of_content_that_blocks_is_not_built_either(
    update_due: Path, companion: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    _refer_to(update_due, MISSING[0])
    monkeypatch.setattr("companion.archive.build.pending_archive", _never)
    refused = companion("pack", update_due, "--since", "1.0", "--json")
    told = refused.json["update"]
    assert (refused.code, refused.rules_of("update")) == (1, {(MISSING[1], "Slate.eeng")})
    assert (told["built"], told["size"], told["sha256"]) == (False, 0, "")
    said = companion("pack", update_due, "--since", "1.0").out
    assert said.startswith("Not built: Slate Choir 1.0 to 1.1.zip"), said


@pytest.mark.parametrize(("path", "rule"), [MISSING, CLIMBS])
def test_what_the_working_folder_lacks_is_told_there_and_not_of_its_archive_too(
    releasable: Path, companion: Any, path: bytes, rule: str
) -> None:
    """Its own question is whether it is whole: the answer is the same whether Contents and Paths were run or not."""
    _refer_to(releasable, path)
    companion("check", releasable, "contents", "paths")
    companion("waive", releasable, rule, "Slate.eeng", "-r", "for now")
    assert companion("pack", releasable).code == 0
    companion("waive", releasable, rule, "Slate.eeng", "--back")
    for step in ("contents", "paths"):
        assert companion("check", releasable, "archive").code == 0
        assert (rule, "Slate.eeng") not in companion("check", releasable, "archive", "--json").rules
        shutil.rmtree(releasable / ".companion" / "evidence" / step)


def test_an_archive_that_is_not_the_proven_one_is_not_released(
    releasable: Path, companion: Any, one_line: Callable[..., None]
) -> None:
    """The checklist reads it anew where its times or its inode are others; a release asks every byte in any case."""
    archive = releasable / "releases" / "Slate Choir 1.0.zip"
    whole = archive.read_bytes()
    middle = len(whole) // 2
    archive.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
    assert _state(companion, releasable, "archive") == "stale"
    one_line(companion("release", releasable), "Not every step is proven", "Archive (stale)")
    with pytest.MonkeyPatch.context() as patch:  # damage of which no time and no inode tells
        patch.setattr("companion.steps.looks.standing.archive_gone", lambda desk, evidence: "")
        one_line(companion("release", releasable), "not the one that was proven", archive, "Build it again")
    assert read_records(archive.parent) == []
    assert _released(releasable, "1.0") == 0
    archive.write_bytes(whole)
    assert companion("release", releasable).code == 0


def test_a_released_archive_is_not_built_over(releasable: Path, companion: Any, one_line: Callable[..., None]) -> None:
    archive = releasable / "releases" / "Slate Choir 1.0.zip"
    released = archive.read_bytes()
    assert companion("release", releasable).code == 0
    assert companion("pack", releasable).code == 0  # of the same content it is the same archive
    licence = releasable / "Licence.txt"
    licence.write_text("Another\n", encoding="utf-8")
    one_line(companion("pack", releasable), "1.0 is released", archive, "Raise instrument.version")
    assert archive.read_bytes() == released
    facts = releasable / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('version = "1.0"', 'version = "1.1"'), encoding="utf-8")
    assert companion("pack", releasable).code == 0
    assert companion("pack", releasable, "--since", "1.0").code == 0
    assert archive.read_bytes() == released


@pytest.mark.skipif(os.name == "nt", reason="no pipes on Windows' disks")
def test_an_update_of_a_file_that_cannot_be_read(
    update_due: Path, companion: Any, one_line: Callable[..., None]
) -> None:
    os.mkfifo(update_due / "Samples" / "slate_more.wav")
    for arguments in ((), ("--since", "1.0")):
        one_line(companion("pack", update_due, *arguments), "cannot be read", "Samples/slate_more.wav", "exclude it")
    assert not list(update_due.glob("releases/*1.1*"))


def test_a_proven_archive_that_is_gone(releasable: Path, companion: Any) -> None:
    assert companion("check", releasable, "archive").code == 0
    assert _state(companion, releasable, "archive") == "proven"
    (releasable / "releases" / "Slate Choir 1.0.zip").unlink()
    checked = companion("check", releasable, "archive", "--json")
    assert ("archive-differs", "releases/Slate Choir 1.0.zip") in checked.rules
    assert _state(companion, releasable, "archive") == "failing"
    assert companion("pack", releasable).code == 0
    assert _state(companion, releasable, "archive") == "proven"


def test_an_archive_that_only_warns_and_is_gone(releasable: Path, companion: Any) -> None:
    facts = releasable / "release.toml"
    facts.write_text(facts.read_text("utf-8") + "\n[limits]\nupload_bytes = 100\n", encoding="utf-8")
    assert "size-over-limit" in companion("pack", releasable).out
    assert _state(companion, releasable, "archive") == "proven"
    (releasable / "releases" / "Slate Choir 1.0.zip").unlink()
    assert _state(companion, releasable, "archive") == "stale"


def test_an_archive_of_other_content_in_its_place(releasable: Path, companion: Any) -> None:
    licence = releasable / "Licence.txt"
    first = licence.read_bytes()
    licence.write_text("Another\n", encoding="utf-8")
    assert companion("pack", releasable).code == 0
    licence.write_bytes(first)
    assert _state(companion, releasable, "archive") == "stale", "what was proven is not what lies there"
    assert companion("pack", releasable).code == 0
    assert _state(companion, releasable, "archive") == "proven"
    (releasable / "releases" / "Slate Choir 1.0.zip").unlink()
    assert _state(companion, releasable, "archive") == "stale"
    assert "the archive that was proven is not in its place" in companion("status", releasable).out


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes among files")
def test_a_checksum_nobody_can_read_to_its_end_keeps_no_status_waiting(releasable: Path, companion: Any) -> None:
    checksum = releasable / "releases" / "Slate Choir 1.0.zip.sha256"
    kept = checksum.read_bytes()
    checksum.unlink()
    os.mkfifo(checksum)
    assert _state(companion, releasable, "archive") == "stale"
    checksum.unlink()
    with checksum.open("wb") as stream:
        stream.truncate(1 << 40)
    assert _state(companion, releasable, "archive") == "stale"
    checksum.unlink()
    checksum.write_bytes(kept)
    assert _state(companion, releasable, "archive") == "proven"


@pytest.mark.parametrize("details", [{"archive": "a\0b"}, {"archive": 3}, {"archive": "Slate Choir 1.0.zip"}])
def test_evidence_that_says_too_little_of_its_archive_is_no_proof(
    releasable: Path, companion: Any, details: dict[str, Any]
) -> None:
    for path in (releasable / ".companion" / "evidence" / "archive").glob("*.json"):
        evidence = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps({**evidence, "details": details}), encoding="utf-8")
    assert _state(companion, releasable, "archive") == "stale"


def test_what_a_killed_proof_opened_is_cleared_wherever_it_lay(
    instrument: Path, companion: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "full").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "full"))
    script = (
        "import os, shutil, sys, tempfile\nfrom pathlib import Path\n"
        "from companion.steps.looks.archive import proof_place\n"
        "tempfile.tempdir = sys.argv[1]\n"
        "free = shutil.disk_usage(sys.argv[2])\n"
        "shutil.disk_usage = lambda base: free._replace(free=0 if str(base) == sys.argv[1] else free.free)\n"
        "with proof_place(Path(sys.argv[2]), 1) as place:\n    (place / 'opened').mkdir()\n    os._exit(9)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, tempfile.gettempdir(), str(instrument)], check=False)
    assert done.returncode == 9
    (left,) = tmp_path.glob("companion-proof-*")
    assert (left / "opened").is_dir()
    assert companion("pack", instrument).code == 0
    assert not left.exists()
    assert list((tmp_path / "full").iterdir()) == []


def test_an_archive_is_opened_where_what_it_unpacks_to_has_room(
    tmp_path: Path, companion: Any, one_line: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A small disk for temporary files, in memory on many systems, takes the archive and not what is in it."""
    (tmp_path / "small").mkdir()
    (tmp_path / "here").mkdir()
    archive = tmp_path / "here" / "silence.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("Slate Choir/silence.wav", bytes(30_000_000))
    free = {tmp_path / "small": 20_000_000, tmp_path / "here": 60_000_000}
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "small"))

    def asked(place: Path) -> Any:
        return usage._replace(free=next(free[base] for base in (place, *place.parents) if base in free))

    monkeypatch.setattr("shutil.disk_usage", asked)
    done = companion("prove", archive)
    assert done.code == 0, done
    assert "opened with: the companion" in done.out
    free[tmp_path / "here"] = 20_000_000
    one_line(companion("prove", archive), "no room to open the archive", "30.0 MB", "TMPDIR")
    assert [path.name for folder in free for path in folder.iterdir()] == ["silence.zip"]


def test_a_folder_is_no_archive(instrument: Path, companion: Any, one_line: Callable[..., None]) -> None:
    one_line(companion("prove", instrument), "a folder, not an archive", "Name the archive itself")


def _update(companion: Any, folder: Path) -> Any:
    return companion("pack", folder, "--since", "1.0", "--json")


def test_a_file_of_the_name_of_the_updates_readme_ships(update_due: Path, companion: Any) -> None:
    (update_due / "update.txt").write_text("the maker's own\n", encoding="utf-8")
    packed = _update(companion, update_due)
    assert packed.code == 0, packed
    with zipfile.ZipFile(packed.json["update"]["path"]) as update:
        assert update.read("Slate Choir/update.txt") == b"the maker's own\n"
        assert b"Update from 1.0 to 1.1" in update.read("Slate Choir/UPDATE 1.txt")


def test_an_old_archive_that_is_not_what_players_have(
    update_due: Path, companion: Any, one_line: Callable[..., None]
) -> None:
    old = update_due / "releases" / "Slate Choir 1.0.zip"
    whole = old.read_bytes()
    with zipfile.ZipFile(old) as read, zipfile.ZipFile(update_due / "other.zip", "w") as other:
        for name in read.namelist():  # the one file that differs is one that the update replaces
            other.writestr(name, b"tampered" if name.endswith("Licence.txt") else read.read(name))
    (update_due / "other.zip").replace(old)
    one_line(companion("pack", update_due, "--since", "1.0"), "not the one that was released", old)
    assert not list(old.parent.glob("* to *"))
    old.write_bytes(whole)
    assert _update(companion, update_due).code == 0


def test_a_record_that_does_not_read_is_named(update_due: Path, companion: Any, one_line: Callable[..., None]) -> None:
    record = update_due / "releases" / "Slate Choir 1.0.release.json"
    record.write_bytes(record.read_bytes()[:99])
    one_line(companion("pack", update_due, "--since", "1.0"), "no release 1.0", record.name, "does not read")


@pytest.mark.parametrize(("version", "code"), [("1.0", 2), ("0.9", 2), ("1.0.0", 2), ("1.0.1", 0)])
def test_an_update_goes_up(update_due: Path, companion: Any, version: str, code: int) -> None:
    facts = update_due / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('version = "1.1"', f'version = "{version}"'), encoding="utf-8")
    done = _update(companion, update_due)
    assert done.code == code, done
    assert code == 0 or "higher version" in done.err


def test_an_update_that_is_not_kept_says_so(update_due: Path, companion: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    missing = archive_differs.finding("Licence.txt", value="in neither the old archive nor the update")
    monkeypatch.setattr("companion.archive.update.prove_update", lambda *_, **__: (missing,))
    done = companion("pack", update_due, "--since", "1.0")
    assert done.code == 1
    assert done.out.startswith("Built, and not kept: Slate Choir 1.0 to 1.1.zip\n")
    assert "not kept" in done.out.splitlines()[-1]
    assert not list((update_due / "releases").glob("* to *"))


def test_what_is_only_noted_of_an_update_is_no_failure(
    update_due: Path, companion: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("companion.archive.update.prove_update", lambda *_, **__: (zip64_needed.finding(),))
    done = companion("pack", update_due, "--since", "1.0")
    assert done.code == 0, done
    assert done.out.startswith(f"Built: {update_due / 'releases' / 'Slate Choir 1.0 to 1.1.zip'}\n")
    assert "zip64-needed" in done.out


def test_options_that_a_variable_left_empty(update_due: Path, companion: Any, one_line: Callable[..., None]) -> None:
    before = sorted((update_due / "releases").iterdir())
    one_line(companion("pack", update_due, "--since", ""), "--since", "empty")
    one_line(
        companion("prove", update_due / "releases" / "Slate Choir 1.0.zip", "--checksum", " "), "--checksum", "empty"
    )
    assert sorted((update_due / "releases").iterdir()) == before


def test_verifying_an_upload_tells_how_far_it_is_and_can_be_stopped(releasable: Path, companion: Any) -> None:
    assert companion("release", releasable).code == 0
    copy = Path(shutil.copy(releasable / "releases" / "Slate Choir 1.0.zip", releasable.parent / "fetched.zip"))
    seen: list[Progress] = []
    assert Workshop.open(releasable).upload(copy, Watch(seen.append, every=0)).findings == ()
    assert (seen[-1].unit, seen[-1].done, seen[-1].total) == ("bytes", copy.stat().st_size, copy.stat().st_size)

    def stop(progress: Progress) -> None:
        if progress.what == "Taking the checksum":
            stopped.cancel()

    stopped = Watch(stop, every=0)
    with pytest.raises(Cancelled):
        Workshop.open(releasable).upload(copy, stopped)


def test_the_released_archive_itself_is_no_copy_of_it(
    releasable: Path, companion: Any, one_line: Callable[..., None]
) -> None:
    assert companion("release", releasable).code == 0
    archive = releasable / "releases" / "Slate Choir 1.0.zip"
    one_line(companion("upload", releasable, archive), "the archive itself", archive, "Fetch a copy")
    assert not read_records(archive.parent)[0].uploads
    copy = Path(shutil.copy(archive, releasable.parent / "fetched.zip"))
    assert companion("upload", releasable, copy).code == 0
    assert read_records(archive.parent)[0].uploads


def test_a_copy_that_is_no_file(releasable: Path, companion: Any, one_line: Callable[..., None]) -> None:
    assert companion("release", releasable).code == 0
    for copy in ("nowhere.zip", "Samples", os.devnull):  # a pipe among them would keep it waiting for ever
        one_line(companion("upload", releasable, releasable / copy), "no such file")


def test_a_checksum_as_people_paste_it(releasable: Path, companion: Any, one_line: Callable[..., None]) -> None:
    archive = releasable / "releases" / "Slate Choir 1.0.zip"
    line = archive.with_name(f"{archive.name}.sha256").read_text("ascii")
    digits = line.split()[0]
    for right in (line, digits.upper(), f"sha256:{digits}", f" {digits} *{archive.name}"):
        assert companion("prove", archive, "--checksum", right).code == 0
    assert companion("prove", archive, "--checksum", line.translate({ord("0"): "1", ord("1"): "0"})).code == 1
    for none in (digits[1:], f"{digits}0", "d41d8cd98f00b204e9800998ecf8427e", "\x1b[31m", "x" * 64):
        one_line(companion("prove", archive, "--checksum", none), "--checksum", "64 digits")


def test_an_upload_limit_counts_to_the_byte(instrument: Path, companion: Any) -> None:
    samples = instrument / "Samples"
    (samples / "slate_D4.wav").write_bytes((samples / "slate_C4.wav").read_bytes())
    facts = instrument / "release.toml"
    plain = facts.read_text("utf-8")

    def packed(limit: int) -> Any:
        facts.write_text(f"{plain}\n[limits]\nupload_bytes = {limit}\n", encoding="utf-8")
        companion("check", instrument, "sound")
        archive = companion("pack", instrument, "--json").json["archive"]
        return archive["size"], [finding for finding in archive["findings"] if finding["rule"] == "size-over-limit"]

    size, found = packed(10**9)
    assert found == []
    assert packed(size) == (size, [])
    _, (over,) = packed(size - 1)
    assert "1 B too much" in over["measured"]
    # What the twin weighs in the folder is exact, and is not passed off as what the archive would shrink by.
    twin = (samples / "slate_C4.wav").stat().st_size
    assert f"there twice would save {twin / 1000:.1f} kB" in over["mend"]
    assert "before packing" in over["mend"]
    assert "shrinks by less" in over["mend"]


def test_the_page_names_the_update_and_is_held_to_it(update_due: Path, companion: Any) -> None:
    """Name, size and checksum of an update stand on the page once it is built, and are judged like the archive's."""

    def words() -> list[str]:
        found = companion("check", update_due, "words", "--json").json["findings"]
        return [f"{one['rule']}: {one['measured']}" for one in found if "page" in one["path"]]

    assert companion("draft", update_due, "changelog", "--write").code == 0
    assert companion("draft", update_due, "readme", "--write").code == 0
    assert companion("draft", update_due, "page", "--write").code == 0
    said = companion("pack", update_due, "--since", "1.0").out
    assert "draft FOLDER page --write" in said
    (page,) = (update_due / "releases").glob("*1.1 page.md")
    update = update_due / "releases" / "Slate Choir 1.0 to 1.1.zip"
    assert update.name not in page.read_text("utf-8")
    assert companion("draft", update_due, "page", "--write").code == 0
    sha256 = hashlib.sha256(update.read_bytes()).hexdigest()
    line = next(one for one in page.read_text("utf-8").splitlines() if update.name in one)
    assert line == f"- To update 1.0: {update.name}, {both_bytes(update.stat().st_size)}. SHA-256: {sha256}"
    assert words() == []
    text = page.read_text("utf-8")
    page.write_text(text.replace(sha256, "0" * 64), "utf-8")
    assert [one.partition(":")[0] for one in words()] == ["words-disagree"]
    page.write_text(text, "utf-8")
    assert words() == []
    update.unlink()
    update.with_name(f"{update.name}.sha256").unlink()  # and what is not there any more is no business of the page's
    assert _state(companion, update_due, "words") == "stale"
    assert [one.partition(":")[0] for one in words()] == ["words-disagree"]
