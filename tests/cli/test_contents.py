"""``contents``: the list, the answers and both sides of its exit code."""

from __future__ import annotations

import os
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Companion = Callable[..., Any]


def stated(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "release.toml").read_text("utf-8"))["contents"]  # type: ignore[no-any-return]


@pytest.fixture
def strewn(instrument: Path) -> Path:
    """The instrument, with what a maker leaves lying about."""
    facts = instrument / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('documents = ["*.txt"]\n', ""), encoding="utf-8")
    for name in ("todo.txt", "Invoice 1.pdf", "Invoice 2.pdf", "Me/studio.svg", "Me/mood.doc"):
        (instrument / name).parent.mkdir(exist_ok=True)
        (instrument / name).write_bytes(b"x" * 10)
    return instrument


def test_what_nobody_accounts_for_is_asked_about_until_it_is_answered(companion: Companion, strewn: Path) -> None:
    asked = companion("contents", strewn)
    assert asked.code == 1
    assert "Asked about, 3 groups: does it ship, or does it stay?" in asked.out
    assert "  ? *.pdf  2 files, 20 B: Invoice 1.pdf and Invoice 2.pdf" in asked.out
    assert "  ? Me/  2 files, 20 B: mood.doc and studio.svg" in asked.out
    assert "Ships: 4 files" in asked.out
    assert companion("check", strewn, "contents").code == 1
    half = companion("contents", strewn, "--stay", "*.pdf", "--stay", "todo.txt")
    assert half.code == 1
    assert half.out.startswith("Kept in release.toml: the answer for 3 files.\n")
    done = companion("contents", strewn, "--ship", "Me", "--json")
    assert done.code == 0
    assert done.json["contents"]["groups"] == []
    assert stated(strewn) == {
        "patches": ["Slate.eeng"],
        "include": ["**", "Me/**"],
        "exclude": ["Invoice 1.pdf", "Invoice 2.pdf", "todo.txt"],
    }
    checked = companion("check", strewn, "contents", "--json")
    assert checked.code == 0
    assert checked.json["steps"][0]["because"].endswith("nothing missing, nothing stray")
    why = {file["path"]: (file["fate"], file["why"]) for file in done.json["contents"]["files"]}
    assert why["Me/mood.doc"] == ("ships", "you let it ship: “Me/**”, and what comes there later")
    assert why["todo.txt"] == ("stays", "you left it at home: “todo.txt”")


def test_an_answer_looks_again_where_contents_had_been_looked_at(companion: Companion, strewn: Path) -> None:
    def state() -> str:
        steps = companion("status", strewn, "--json").json["steps"]
        return next(str(step["state"]) for step in steps if step["id"] == "contents")

    companion("contents", strewn, "--stay", "todo.txt")
    assert state() == "open", "nobody had looked"
    companion("check", strewn, "contents")
    companion("contents", strewn, "--stay", "*.pdf")
    assert state() == "failing"
    companion("contents", strewn, "--stay", "Me/")
    assert state() == "proven"


def test_it_cannot_be_waived_since_it_can_be_answered(companion: Companion, strewn: Path) -> None:
    refused = companion("waive", strewn, "stray-unasked", "todo.txt", "--reason", "it may")
    assert refused.code == 2
    assert "cannot be waived" in refused.err


def test_a_name_there_is_none_of_is_one_line_and_changes_nothing(companion: Companion, strewn: Path) -> None:
    before = (strewn / "release.toml").read_bytes()
    refused = companion("contents", strewn, "--ship", "nothing.txt", "--stay", "todo.txt")
    assert refused.code == 2
    assert refused.err == ("There is no such file, folder or group (nothing.txt). Companion contents lists them all.\n")
    assert (strewn / "release.toml").read_bytes() == before


def test_what_is_in_the_archive_is_what_was_listed(companion: Companion, strewn: Path) -> None:
    companion("contents", strewn, "--ship", "Me", "--stay", "*.pdf", "--stay", "todo.txt")
    listed = companion("contents", strewn, "--json").json["contents"]
    packed = companion("pack", strewn, "--json").json["archive"]
    with zipfile.ZipFile(packed["path"]) as archive:
        names = {name.partition("/")[2]: archive.getinfo(name).file_size for name in archive.namelist()}
    assert names == {file["path"]: file["bytes"] for file in listed["files"] if file["fate"] == "ships"}
    assert packed["files"] == [file for file in listed["files"] if file["fate"] == "ships"]
    assert packed["holds"] == listed["ships"]
    assert "1 patch, 2 samples, 1 picture, 1 document, 1 other file" in companion("pack", strewn).out


def test_a_folder_without_facts_asks_about_all_but_its_texts(companion: Companion, strewn: Path) -> None:
    (strewn / "release.toml").unlink()
    listed = companion("contents", strewn, "--json")
    assert listed.code == 1
    assert [file["path"] for file in listed.json["contents"]["files"] if file["fate"] == "ships"] == ["LICENCE.txt"]
    assert companion("contents", strewn, "--stay", "todo.txt").code == 2


def test_many_files_are_cut_short_unless_all_are_wanted(companion: Companion, strewn: Path) -> None:
    for number in range(30):
        (strewn / "Me" / f"{number:02}.png").write_bytes(b"x")
    companion("contents", strewn, "--ship", "Me")
    short, whole = companion("contents", strewn).out, companion("contents", strewn, "--all").out
    assert "… and 21 more (--all lists them, --json has them all)" in short
    assert "Me/29.png" in whole
    assert "Me/29.png" not in short
    assert "more (" not in whole


def test_an_answer_that_changes_nothing_says_so(companion: Companion, strewn: Path) -> None:
    given = (("--ship", "Me"), ("--stay", "todo.txt"))
    for answer in given:
        assert companion("contents", strewn, *answer).out.startswith("Kept in release.toml: the answer for ")
    before = (strewn / "release.toml").read_bytes()
    for answer in given:
        assert companion("contents", strewn, *answer).out.startswith("Nothing to keep: it is so already.\n")
    assert (strewn / "release.toml").read_bytes() == before


def test_the_list_reads_on_eighty_columns(companion: Companion, strewn: Path) -> None:
    """Long names are cut in the middle and long reasons go on below; only the command to copy stays whole."""
    far = strewn / "Me" / ("and then one more evening " * 3).strip() / "of brushes and cords"
    far.mkdir(parents=True)
    for name in ("a " * 60 + ".png", "b.png", *(f"an invoice for the hall, number {n}.pdf" for n in range(3))):
        (far / name).write_bytes(b"x" * 2000)
    (strewn / f"{'notes to myself ' * 6}.docx").write_bytes(b"x")
    asked = companion("contents", strewn, "--all").out
    companion("contents", strewn, "--ship", f"{far.relative_to(strewn).as_posix()}/")
    for text in (asked, companion("contents", strewn, "--all").out):
        wide = [line for line in text.splitlines() if len(line) > 80]
        assert [line for line in wide if not line.startswith("  companion contents ")] == []
    # The path and its bytes stand in one line, in one column.
    listed = [line for line in asked.splitlines() if line.startswith("    ✓ ")]
    assert len({len(line) for line in listed}) == 1


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux keeps any bytes as a name")
def test_hostile_names_are_listed_inert_and_answered(companion: Companion, strewn: Path) -> None:
    for name in (b"bad\xff.rtf", b"esc\x1b]0;x\x07.rtf", "bidi\u202efdp.rtf".encode(), b"nl\n.rtf"):
        Path(os.fsdecode(os.fsencode(strewn) + b"/" + name)).write_bytes(b"x")
    listed = companion("contents", strewn, "--all")
    assert all(line.isprintable() for line in listed.out.splitlines())
    assert "bad\\udcff.rtf" in listed.out
    assert companion("contents", strewn, "--json").json
    answered = companion("contents", strewn, "--stay", "*.rtf", "--json")
    fates = {file["path"]: file["fate"] for file in answered.json["contents"]["files"]}
    assert {fate for path, fate in fates.items() if path.endswith(".rtf")} == {"stays"}
