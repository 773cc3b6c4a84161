"""The shelf: several instruments together, put there and taken off by their maker, and looked at without a change."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from companion.core import shelf
from companion.core.errors import CompanionError
from companion.core.own import HOME
from tests.cli.conftest import Companion


@pytest.fixture(autouse=True)
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "own things"
    monkeypatch.setenv(HOME, str(place))
    return place


@pytest.fixture
def several(instrument: Path) -> Path:
    """A folder that holds two instruments, a folder without facts, and a link."""
    place = instrument.parent / "instruments"
    place.mkdir()
    shutil.copytree(instrument, place / "b")
    shutil.copytree(instrument, place / "a")
    text = (place / "a/release.toml").read_text("utf-8")
    (place / "a/release.toml").write_text(text.replace("Slate", "\\u001bSlate", 1), encoding="utf-8")
    (place / "nothing").mkdir()
    (place / "link").symlink_to(instrument)
    return place


def names(companion: Companion, *words: object) -> list[str]:
    return [Path(one["folder"]).name for one in companion("shelf", *words, "--json").json["shelf"]]


def test_an_empty_shelf_says_how_to_fill_it(companion: Companion, tmp_path: Path, own: Path) -> None:
    came = companion("shelf")
    assert (came.code, came.out) == (
        0,
        "Your shelf is empty. Put an instrument on it with: companion shelf --keep DIR\n",
    )
    assert companion("shelf", tmp_path).out == "No instrument with facts lies there.\n"
    assert not own.exists(), "nothing is kept of who only looks"


def test_what_lies_in_a_folder_is_looked_at_and_not_kept(companion: Companion, several: Path, own: Path) -> None:
    assert names(companion, several) == ["a", "b"]
    assert names(companion, several / "b") == ["b"]
    assert not own.exists()
    lines = companion("shelf", several / "a").out
    assert "\x1b" not in lines
    assert "of 10; nothing out yet" in lines
    assert str(several / "a") in lines


def test_instruments_are_put_on_the_shelf_and_taken_off(companion: Companion, several: Path, own: Path) -> None:
    assert names(companion, several / "b", "--keep") == ["b"]
    assert names(companion, several, "--keep") == ["b", "a"], "each once, in the order they came"
    assert names(companion) == ["b", "a"]
    shutil.rmtree(several / "a")
    gone = companion("shelf").out
    assert "There is no such folder" in gone
    assert names(companion, several / "a", "--off") == ["b"]
    assert (several / "b/release.toml").is_file()
    again = companion("shelf", several / "a", "--off")
    assert again.code == 2
    assert "not on the shelf" in again.err
    assert json.loads((own / "shelf.json").read_text()) == {"schema": 1, "folders": [str(several / "b")]}


@pytest.mark.parametrize(
    "words", [("--keep",), ("--off",), ("DIR", "--keep", "--off"), ("NOTHING", "--keep"), ("NONE",)]
)
def test_what_cannot_be_kept_is_refused_in_one_line(
    companion: Companion, several: Path, words: tuple[str, ...]
) -> None:
    places = {"DIR": several, "NOTHING": several / "nothing", "NONE": several / "none"}
    came = companion("shelf", *[places.get(word, word) for word in words])
    assert (came.code, came.err.count("\n")) == (2, 1)
    assert companion("shelf", "--json").json["shelf"] == []


@pytest.mark.parametrize(
    "kept", [b"", b"{", b"[]", b'{"folders": 7}', b'{"folders": [7, "", "a\\u0000b"]}', b"\xff", b"[" * 9000]
)
def test_a_list_that_does_not_read_is_an_empty_shelf(companion: Companion, own: Path, kept: bytes) -> None:
    own.mkdir()
    (own / "shelf.json").write_bytes(kept)
    assert companion("shelf", "--json").json["shelf"] == []


def test_a_folder_in_which_something_is_unfinished_is_left_alone(companion: Companion, several: Path) -> None:
    (several / "a/.companion").mkdir(exist_ok=True)
    journal = several / "a/.companion/hidden.json"
    journal.write_text("{}", encoding="utf-8")
    first, second = companion("shelf", several, "--json").json["shelf"]
    assert "to be finished there first" in first["problem"]
    assert journal.read_text("utf-8") == "{}"
    assert (second["problem"], second["steps"]) == ("", 10)


def test_what_is_out_due_and_reported_stands_on_it(companion: Companion, instrument: Path) -> None:
    from companion.archive.record import ReleaseRecord, write_record

    assert "snapshot due: " in companion("shelf", instrument).out
    companion("snapshot", instrument, "-m", "one")
    companion("report", "add", instrument, "--text", "It hums.")
    (instrument / "releases").mkdir()
    for version in ("1.0", "0.9"):
        record = ReleaseRecord(
            title="x", version=version, archive=f"{version}.zip", size=1, sha256="0" * 64, top="x", files=(),
            at="2026-01-02T00:00:00Z",
        )  # fmt: skip
        write_record(instrument / "releases", record)
    (one,) = companion("shelf", instrument, "--json").json["shelf"]
    assert (one["released"], one["reports"], one["due"], one["files"]) == ("1.0 2026-01-02", 1, "", 4)
    assert "1 report open" in companion("shelf", instrument).out


def test_the_shelf_is_full_at_its_bound(own: Path) -> None:
    shelf.put(Path(f"/x/{number}") for number in range(shelf.MOST_FOLDERS))
    with pytest.raises(CompanionError, match="The shelf is full"):
        shelf.put([Path("/x/more")])
    assert len(shelf.on_the_shelf()) == shelf.MOST_FOLDERS


def test_a_new_instrument_starts_from_another_ones_facts(
    companion: Companion, instrument: Path, tmp_path: Path
) -> None:
    new = tmp_path / "new"
    new.mkdir()
    (new / "Reed.eeng").write_bytes(b"\0")
    assert companion("start", new, "--from", instrument, "--title", "Reed", "--maker", "Key Room").code == 0
    old, made = (companion("fact", folder, "engine.name").out for folder in (instrument, new))
    assert old == made
    assert companion("fact", new, "instrument.maker").out.endswith("Key Room\n"), "what is said now goes before"
    contact = companion("fact", instrument, "instrument.contact").out
    assert companion("fact", new, "instrument.contact").out == contact
    assert companion("fact", new, "instrument.title").out.endswith("Reed\n")
    none = companion("start", tmp_path / "new", "--from", tmp_path)
    assert none.code == 2
    assert "no facts to start from" in none.err


def test_a_licence_of_ones_own_stays_with_its_text() -> None:
    from companion.core.facts import Engine, Facts, Instrument
    from companion.steps.deeds.shelf import carried_over

    own = Instrument(
        maker="Quay Room", licence="LicenseRef-Quay", licence_link="https://quay-room.example/l", version="2"
    )
    assert carried_over(Facts(instrument=own, engine=Engine(systems=("linux",)))) == {
        "instrument.maker": "Quay Room", "engine.systems": ("linux",),
    }  # fmt: skip
    free = carried_over(Facts(instrument=Instrument(licence="CC0-1.0")))
    assert free == {"instrument.licence": "CC0-1.0"}


def test_opened_on_no_folder_a_pipe_gets_what_is_known(
    companion: Companion, instrument: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    first = companion()
    assert (first.code, first.err) == (0, "")
    assert first.out.startswith("companion FOLDER ")
    shelf.opened(instrument)
    told = companion()
    assert told.code == 0
    assert f"{instrument}" in told.out
    assert "of 10; nothing out yet" in told.out
    assert "companion demo DIR" in told.out
    monkeypatch.chdir(instrument)
    assert companion().out == companion("status").out, "in a folder with facts, that one is meant"


@pytest.mark.parametrize(("term", "opens"), [("xterm", True), ("dumb", False)])
def test_a_terminal_that_can_show_it_gets_the_app(
    companion: Companion, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, term: str, opens: bool
) -> None:
    from companion.tui import running

    asked: list[Path | None] = []
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TERM", term)
    for stream in ("stdin", "stdout"):
        monkeypatch.setattr(f"sys.{stream}.isatty", lambda: True)
    monkeypatch.setattr(running, "run_app", asked.append)
    assert companion().code == 0
    assert asked == ([None] if opens else [])
