"""Players' reports from the first word to the changelog that answers them, and what is out."""

from __future__ import annotations

import io
import shutil
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Companion


def edit(folder: Path, old: str, new: str) -> None:
    facts = folder / "release.toml"
    text = facts.read_text("utf-8")
    assert old in text
    facts.write_text(text.replace(old, new), encoding="utf-8", newline="\n")


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the released instrument is kept once it has been made."""
    return tmp_path_factory.mktemp("released") / "small"


@pytest.fixture
def released(companion: Companion, instrument: Path, once: Path) -> Path:
    """The small instrument, out as 1.0."""
    if once.exists():
        shutil.rmtree(instrument)
        return shutil.copytree(once, instrument)
    told = ("--who", "Ada", "--engine-version", "7.1", "--system", "Windows 11", "--played", "all keys")
    assert companion("away", instrument, "--kind", "another player", "--result", "pass", *told).code == 0
    for text in ("changelog", "readme", "page"):
        companion("draft", instrument, text, "--write")
    companion("check", instrument)
    companion("pack", instrument)
    assert companion("release", instrument).code == 0
    shutil.copytree(instrument, once)
    return instrument


def notes(companion: Companion, folder: Path) -> list[tuple[str, str]]:
    found = companion("check", folder, "out", "--json").json["findings"]
    return [(one["path"], one["measured"]) for one in found if one["rule"] == "report-open"]


def test_a_report_goes_the_whole_way_to_the_changelog(
    companion: Companion, released: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sample = next(path for path in sorted((released / "Samples").iterdir())).relative_to(released).as_posix()
    letter = released.parent / "letter.txt"
    letter.write_text("From: lu@key.example\n\nHi!\nIt clicks at E3.\n-- \nLu Kay\n", encoding="utf-8")
    came = companion(
        "report", "add", released, letter, "--version", "1.0", "--system", "Windows 11", "--engine", "7.2",
        "--about", sample, "--about", "hum", "--name", "Lu",
    )  # fmt: skip
    assert came.code == 0
    assert "Taken in as it-clicks-at-e3.txt." in came.out
    assert "Left out of it: a mail's head and a signature." in came.out
    assert "It seems to be about: click-inside" in came.out
    assert "  if so: companion report edit " in came.out
    assert came.out.endswith(" it-clicks-at-e3.txt --about click-inside\n")
    kept = (released / ".companion/reports/it-clicks-at-e3.txt").read_text("utf-8")
    assert kept == "\nHi!\nIt clicks at E3.\n".lstrip("\n")
    monkeypatch.setattr("sys.stdin", type("In", (), {"buffer": io.BytesIO(b"\xef\xbb\xbfMore clicks.")})())
    assert companion("report", "add", released, "-", "--version", "1.0").code == 0
    assert notes(companion, released) == [
        (".companion/reports/it-clicks-at-e3.txt", "not answered"),
        (".companion/reports/more-clicks.txt", "not answered"),
    ]

    shown = companion("report", "show", released, "it-clicks-at-e3")
    assert f"{sample}: the same as in 1.0" in shown.out
    (released / sample).write_bytes((released / sample).read_bytes() + b"\0")
    assert f"{sample}: changed since 1.0" in companion("report", "show", released, "it-clicks-at-e3").out
    early = companion("report", "answer", released, "it-clicks-at-e3", "Clicks are gone.")
    assert early.code == 2
    assert "1.0 is out already" in early.err
    edit(released, 'version = "1.0"', 'version = "1.1"')
    for name in ("it-clicks-at-e3", "more-clicks.txt"):
        assert companion("report", "answer", released, name, "Clicks at E3  are gone.").code == 0
    listed = companion("report", "list", released)
    assert "2 reports: 2 answered." in listed.out
    assert "answered in 1.1: Clicks at E3 are gone." in listed.out
    companion("draft", released, "changelog", "--write")
    changelog = (released / "CHANGELOG.md").read_text("utf-8")
    fixed = changelog.partition("### Fixed")[2].partition("\n## ")[0]
    assert "- Clicks at E3 are gone; thanks to Lu and one more player.\n" in fixed
    assert notes(companion, released) == [], "no answer is owed before the release, and afterwards it is said"


def about(companion: Companion, folder: Path, name: str) -> list[str]:
    found = companion("report", "show", folder, name, "--json").json["report"]["known"]["about"]
    assert isinstance(found, list)
    return found


def test_what_a_report_is_about_is_noted_and_taken_back(companion: Companion, released: Path) -> None:
    sample = next(path for path in sorted((released / "Samples").iterdir())).relative_to(released).as_posix()
    companion("report", "add", released, "--text", "It hums.", "--name", "Lu", "--system", "Windows 11")
    edited = companion("report", "edit", released, "it-hums", "--about", sample, "--about", "hum", "--version", "1.0")
    assert edited.code == 0, edited
    assert edited.out.splitlines() == [
        "Noted of it-hums.txt:", "  the player has: version 1.0, Windows 11", f"  about: {sample} and hum",
    ]  # fmt: skip
    assert f"{sample}: the same as in 1.0" in companion("report", "show", released, "it-hums").out
    assert companion("report", "edit", released, "it-hums", "--about", "hum").code == 0
    assert about(companion, released, "it-hums") == [sample, "hum"], "once is enough"
    back = companion("report", "edit", released, "it-hums", "--not-about", sample.replace("/", "\\"), "--name", "")
    assert back.code == 0
    known = companion("report", "show", released, "it-hums", "--json").json["report"]["known"]
    assert (known["about"], known["name"], known["version"], known["state"]) == (["hum"], "", "1.0", "open")
    assert (released / ".companion/reports/it-hums.txt").read_text("utf-8") == "It hums.\n"
    assert (
        companion("report", "edit", released, "it-hums", "--not-about", "hum", "--system", "", "--version", "").code
        == 0
    )
    assert companion("report", "edit", released, "it-hums", "--engine", "").out.endswith("  nothing but its words\n")


def test_a_report_may_be_about_what_its_player_has_and_a_control_by_its_name(
    companion: Companion, released: Path
) -> None:
    gone = next(path for path in sorted((released / "Samples").iterdir()))
    sample = gone.relative_to(released).as_posix()
    companion("report", "add", released, "--text", "It hums.", "--version", "1.0")
    gone.unlink()
    assert companion("report", "edit", released, "it-hums", "--about", sample).code == 0
    assert companion("report", "edit", released, "it-hums", "--version", "", "--about", sample).code == 2
    notes_file = released / ".companion/reports/it-hums.txt.toml"
    notes_file.write_text(f'at = "2026-01-01"\nabout = ["{sample}", "control Tone"]\n', encoding="utf-8")
    assert companion("report", "edit", released, "it-hums", "--not-about", "Tone").code == 0
    assert about(companion, released, "it-hums") == [sample]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "Nothing is to be noted otherwise (it-hums). Say what: --about WHAT"),
        (("--about", "Samples/none.wav"), "no file, control or rule of this instrument (Samples/none.wav)"),
        (("--not-about", "click-inside"), "The report is not about that (click-inside). It is about hum"),
        (("--name", "Lu Kay of Key Lane"), "more about a person"),
        (("--version", "0.9"), "There is no such release (0.9)"),
    ],
)
def test_what_cannot_be_noted_of_a_report_changes_nothing(
    companion: Companion, released: Path, words: tuple[str, ...], says: str
) -> None:
    companion("report", "add", released, "--text", "It hums.", "--about", "hum")
    notes_file = released / ".companion/reports/it-hums.txt.toml"
    before = notes_file.read_bytes()
    came = companion("report", "edit", released, "it-hums", *words)
    assert (came.code, came.out, came.err.count("\n")) == (2, "", 1)
    assert says in came.err
    assert notes_file.read_bytes() == before


def test_a_report_put_there_by_hand_is_read_answered_and_closed(companion: Companion, released: Path) -> None:
    folder = released / ".companion" / "reports"
    folder.mkdir(exist_ok=True)
    (folder / "hum.txt").write_bytes("\ufeffEs brummt \x1b[31m".encode("utf-16-le"))
    (folder / "link.txt").symlink_to(released / "release.toml")
    (folder / ".hidden").write_text("no report", encoding="utf-8")
    listed = companion("report", "list", released)
    assert "1 report: 1 open." in listed.out
    assert "“Es brummt \\x1b[31m”" in listed.out
    assert notes(companion, released) == [(".companion/reports/hum.txt", "not mentioned in the changelog")]
    assert companion("report", "close", released, "hum", "--why", "it is the instrument").code == 0
    assert "closed: it is the instrument" in companion("report", "list", released).out
    assert notes(companion, released) == []
    (folder / "hum.txt.toml").write_text("state = 7\n", encoding="utf-8")
    assert "does not read" in companion("report", "list", released).out
    broken = companion("report", "answer", released, "hum", "No.")
    assert broken.code == 2
    assert "does not read" in broken.err
    assert (folder / "hum.txt.toml").read_text("utf-8") == "state = 7\n", "nothing of the maker's is written over"


def test_what_a_report_is_about_may_have_come_or_gone_since(companion: Companion, released: Path) -> None:
    first = min((released / "Samples").iterdir())
    gone, new = first.relative_to(released).as_posix(), "Samples/new.wav"
    (released / new).write_bytes(first.read_bytes())
    first.unlink()
    words = ("--text", "It hums.", "--version", "1.0", "--about", gone, "--about", new)
    assert companion("report", "add", released, *words).code == 0
    shown = companion("report", "show", released, "it-hums").out
    assert f"{gone}: gone since 1.0\n" in shown
    assert f"{new}: not in 1.0\n" in shown
    later = companion("report", "add", released, "--text", "It ticks.", "--about", gone)
    assert later.code == 2, "without a release nobody knows of a file that is gone"
    companion("report", "add", released, "--text", "It ticks.", "--about", new)
    assert f"\n{new}\n" in companion("report", "show", released, "it-ticks").out


def test_nothing_that_lies_there_is_written_over(companion: Companion, released: Path) -> None:
    folder = released / ".companion" / "reports"
    folder.mkdir(exist_ok=True)
    (folder / "it-hums.txt").symlink_to(released / "release.toml")
    (folder / "it-hums-2.txt.toml").write_text("mine", encoding="utf-8")
    assert "it-hums-3.txt" in companion("report", "add", released, "--text", "It hums.").out
    assert (folder / "it-hums.txt").is_symlink()
    assert (folder / "it-hums-2.txt.toml").read_text("utf-8") == "mine"


def test_a_whole_name_goes_before_one_without_its_ending(companion: Companion, released: Path) -> None:
    folder = released / ".companion" / "reports"
    folder.mkdir(exist_ok=True)
    for name in ("c3", "c3.txt", "c4.txt", "c4.md"):
        (folder / name).write_text(f"This is {name}.", encoding="utf-8")
    assert "This is c3." in companion("report", "show", released, "c3").out
    assert "This is c3.txt." in companion("report", "show", released, "c3.txt").out
    both = companion("report", "show", released, "c4")
    assert both.code == 2
    assert "Several reports are called that" in both.err


def test_a_report_that_is_too_large_is_told_and_left_alone(companion: Companion, released: Path) -> None:
    folder = released / ".companion" / "reports"
    folder.mkdir(exist_ok=True)
    (folder / "long.txt").write_text("a" * 65_536, encoding="utf-8")
    assert companion("report", "list", released, "--json").json["reports"][0]["problem"] == ""
    (folder / "long.txt").write_text("a" * 65_537, encoding="utf-8")
    (one,) = companion("report", "list", released, "--json").json["reports"]
    assert (one["id"], one["text"]) == ("long.txt", "")
    assert one["problem"]
    assert notes(companion, released)[0][1].startswith("it does not read")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--text", "  \n"), "no words in the report"),
        ((), "no words in the report"),
        (("--text", "It hums.", "--version", "0.9"), "There is no such release (0.9). It was one of 1.0"),
        (("--text", "It hums.", "--about", "Samples/none.wav"), "no file, control or rule"),
        (("--text", "It hums.", "--name", "Lu Kay of Key Lane"), "more about a person"),
        (("--text", "a" * 70_000), "more than a report"),
    ],
)
def test_what_is_no_report_is_refused_in_one_line(
    companion: Companion, released: Path, words: tuple[str, ...], says: str
) -> None:
    came = companion("report", "add", released, *words)
    assert (came.code, came.err.count("\n")) == (2, 1)
    assert says in came.err
    assert not list((released / ".companion" / "reports").glob("*")) if words else True


def test_a_report_that_there_is_not(companion: Companion, released: Path) -> None:
    for verb, *more in (("show",), ("answer", "Gone."), ("close", "--why", "x")):
        came = companion("report", verb, released, "none", *more)
        assert came.code == 2
        assert "There is no such report (none). There is none yet" in came.err
    companion("report", "add", released, "--text", "It hums.")
    edit(released, 'version = "1.0"', 'version = "1.1"')
    for text, says in (("  ", "An answer has words"), ("x" * 201, "one line of the changelog")):
        came = companion("report", "answer", released, "it-hums", text)
        assert came.code == 2
        assert says in came.err
    assert companion("report", "close", released, "it-hums", "--why", " ").code == 2


def test_what_is_out_is_listed_with_what_it_needs(companion: Companion, released: Path) -> None:
    found = companion("releases", released, "--json").json["releases"]
    (one,) = found
    archive = released / "releases" / one["archive"]
    expected: dict[str, Any] = {
        "version": "1.0", "standing": "current", "base": "", "here": True, "upload": "not checked",
        "size": archive.stat().st_size, "minimum": "7.1", "updates": [], "stay": "",
    }  # fmt: skip
    assert {key: one[key] for key in expected} == expected
    lines = companion("releases", released).out
    assert "current, the first" in lines
    assert f"SHA-256 {one['sha256']}; upload not checked" in lines
    assert companion("upload", released, archive.rename(released.parent / "downloaded.zip")).code == 0
    lines = companion("releases", released).out
    assert "(not in releases/ as it was)" in lines
    assert "; upload verified " in lines


def test_nothing_is_out_yet(companion: Companion, instrument: Path) -> None:
    assert companion("releases", instrument, "--json").json["releases"] == []
    assert "Nothing is released yet" in companion("releases", instrument).out
