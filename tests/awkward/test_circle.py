"""The whole circle, by its commands: played, bounced, tried by helpers elsewhere, released, reported, mended."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.awkward.sent import LAYER, Sent


class Circle:
    """A maker at one computer, and everybody else at theirs."""

    def __init__(self, folder: Path, run: Callable[..., Any], rendered: Callable[..., bytes]) -> None:
        self.folder, self.run, self.rendered = folder, run, rendered

    def edit(self, old: str, new: str, name: str = "release.toml") -> None:
        path = self.folder / name
        text = path.read_text("utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8", newline="\n")

    def code(self, expected: int, *words: object) -> Any:
        """Run a command on the folder (which stands behind its name) and hold it to its exit code."""
        came = self.run(*words)
        assert came.code == expected, came
        assert len(came.err.splitlines()) <= 1, came.err
        return came

    def kit(self, who: str, place: Path) -> Sent:
        made = self.code(0, "kit", self.folder, "--for", who, "--out", place / "Desktop", "--json").json["kit"]
        return Sent(Path(made["path"]), place / "Desktop" / "opened")

    def release(self, version: str) -> str:
        """Bring what there is to the release ``version``, and return the changelog's entry of it."""
        for text in ("changelog", "readme", "page"):
            self.code(0, "draft", self.folder, text, "--write")
        self.run("check", self.folder)
        packed = self.code(0, "pack", self.folder, "--json").json["archive"]
        assert not packed["candidate"], packed["because"]
        self.code(0, "release", self.folder)
        text = (self.folder / "CHANGELOG.md").read_text("utf-8")
        assert f"## [{version}]" in text
        return text.partition(f"## [{version}]")[2].partition("\n## [")[0]

    def softer(self, name: str) -> None:
        """Mend a sample: record it again, a little softer."""
        path = self.folder / "Samples" / f"{name}.wav"
        sound, rate = soundfile.read(path, dtype="float32")
        soundfile.write(path, 0.9 * sound, rate, subtype="PCM_16")

    def answer_trials(self) -> None:
        for view in self.code(0, "trials", self.folder, "--json").json["trials"]:
            if not view["measured"]:
                self.code(0, "answer", self.folder, view["trial"]["id"], "pass")

    def open_reports(self) -> list[str]:
        found = self.run("check", self.folder, "out", "--json").json["findings"]
        return [one["path"].rpartition("/")[2] for one in found if one["rule"] == "report-open"]


@contextmanager
def at_home_of(who: str, system: str, place: Path) -> Iterator[Path]:
    """Somebody else's computer: another home, another place for temporary files, another system's name."""
    home = place / "Users" / who
    (home / "tmp").mkdir(parents=True)
    with pytest.MonkeyPatch.context() as patch:
        for name in ("HOME", "USERPROFILE", "COMPANION_HOME"):
            patch.setenv(name, str(home))
        patch.setattr("tempfile.tempdir", str(home / "tmp"))
        patch.setattr("platform.system", lambda: system)
        yield home


@pytest.fixture
def circle(instrument: Path, companion: Any, rendered: Callable[..., bytes]) -> Circle:
    made = Circle(instrument, companion, rendered)
    (instrument / "release.toml").write_text(
        (instrument / "release.toml").read_text("utf-8").replace('edition = "any"', 'edition = "full"')
        + LAYER
        + '\n[[controls]]\nname = "Body"\ncc = 21\neffect = "from thin to full"\n',
        encoding="utf-8",
        newline="\n",
    )
    made.edit('without = ["controls"]\n', "")
    return made


def test_the_whole_circle(circle: Circle, tmp_path: Path) -> None:
    _played_at_home(circle)
    _tried_elsewhere(circle, tmp_path)
    circle.release("1.0")
    _reported_and_mended(circle, tmp_path)
    _beta_and_final(circle, tmp_path)
    _hotfix_of_the_old_line(circle, tmp_path)


def _played_at_home(circle: Circle) -> None:
    folder = circle.folder
    midi = circle.code(0, "perform", folder, "--json").json["performance"]["files"]
    keys = next(Path(one["file"]) for one in midi if one["part"] == "keys")
    home = folder.parent / "home.wav"
    home.write_bytes(circle.rendered(keys.read_bytes()))
    judged = circle.code(0, "judge", folder, home, "--keep")
    assert "keys, " in judged.out
    assert "Nothing found." in judged.out
    circle.answer_trials()
    assert "A candidate, good for away tests" in circle.code(0, "pack", folder).out


def _bounced(circle: Circle, sent: Sent, path: Path, **faults: Any) -> Path:
    """What a helper's host makes of it: half as loud, a while later, at another rate."""
    midi = (sent.folder / "Slate Choir 1.0 keys.mid").read_bytes()
    sound, rate = soundfile.read(io.BytesIO(circle.rendered(midi, **faults)), dtype="float32")
    later = np.concatenate([np.zeros((rate // 3, 2), np.float32), 0.5 * sound])
    soundfile.write(path, np.repeat(later, 2, axis=0), 2 * rate, subtype="PCM_24")
    return path


def _tried_elsewhere(circle: Circle, tmp_path: Path) -> None:
    folder, run = circle.folder, circle.code
    with at_home_of("ada", "Windows", tmp_path) as home:
        sent = circle.kit("Ada", home)
        there = _bounced(circle, sent, home / "bounce.wav")
    half = run(2, "receive", folder, sent.fill("utf-16", whole=""))
    assert "Question 8 is not answered" in half.err
    for encoding, end in (("utf-8-sig", "\r\n"), ("cp1252", "\r"), ("utf-16-be", "\n")):
        came = run(0, "receive", folder, sent.fill(encoding, end, notes="schön", engine_version="7.1"))
        assert f"Kit {sent.code} from Ada: passed, recorded as an away test." in came.out
    came = run(0, "receive", folder, sent.form, there)
    assert "compared with “home.wav”, all as there" in came.out

    with at_home_of("bo", "Darwin", tmp_path) as home:
        kit = circle.kit("Bo", home)
        there = _bounced(circle, kit, home / "Bo's bounce.wav", silent=frozenset({64}), late={66: 0.07})
        (file,) = (home / "Desktop").glob("*.zip")
        form = kit.fill("utf-16", system="macOS 15", who="Bo", edition="full")
        run(0, "kit", "run", file, "--form", form, "--bounce", there)
        assert list((home / "tmp").iterdir()) == []
        (back,) = (home / "Desktop").glob("Test answer *")
    with zipfile.ZipFile(back) as archive:
        assert not [name for name in archive.namelist() if "Bo's" in name]
    came = run(1, "receive", folder, back)
    for words in ("E3 soft: silent there alone", "F#3 hard: begins 70 ms later there", "note-silent at E3"):
        assert words in came.out or words in run(0, "away", folder).out, came.out
    assert "2 kits sent: 1 passed and 1 failed." in run(0, "kit", "list", folder).out
    well = run(0, "receive", folder, kit.fill(system="macOS 15", who="Bo"))
    assert "passed" in well.out, "on the same grounds the later one stands"
    listed = run(0, "kit", "list", folder).out
    assert "2 kits sent: 2 passed." in listed
    assert "settles Windows, the minimum of 7.1 and the full edition" in listed


def _reported_and_mended(circle: Circle, tmp_path: Path) -> None:
    folder, run = circle.folder, circle.code
    sample = "Samples/slate_C4.wav"
    (folder.parent / "letter.txt").write_text("Von: lu@key.example\n\nHi!\nIt clicks at E3.\n-- \nLu Kay\n", "utf-8")
    run(0, "report", "add", folder, folder.parent / "letter.txt", "--version", "1.0", "--name", "Lu", "--about", sample)
    run(0, "report", "add", folder, "--text", "Clicks, low E.", "--version", "1.0", "--system", "Windows 11")
    (folder / ".companion" / "reports" / "dear.txt").write_bytes("Zu teuer, für das".encode("utf-16"))
    refused = run(2, "report", "add", folder, "--text", "It hums.", "--version", "0.9")
    assert "It was one of 1.0" in refused.err
    assert "3 reports: 3 open." in run(0, "report", "list", folder).out
    assert circle.open_reports() == ["clicks-low-e.txt", "dear.txt", "it-clicks-at-e3.txt"]
    assert run(0, "check", folder, "out").out.count("report-open") >= 1, "noted, and nothing blocks"
    assert f"{sample}: the same as in 1.0" in run(0, "report", "show", folder, "it-clicks-at-e3").out
    assert "1.0 is out already" in run(2, "report", "answer", folder, "clicks-low-e", "Gone.").err

    circle.softer("slate_C4")
    circle.edit('version = "1.0"', 'version = "1.0.1"')
    assert f"{sample}: changed since 1.0" in run(0, "report", "show", folder, "it-clicks-at-e3").out
    for name in ("it-clicks-at-e3", "clicks-low-e"):
        run(0, "report", "answer", folder, name, "Clicks at E3 are gone.")
    run(0, "report", "close", folder, "dear", "--why", "no fault of the instrument")
    run(0, "snapshot", folder, "-m", "Fix the click at E3")
    entry = _next(circle, "1.0.1", tmp_path)
    assert "- Clicks at E3 are gone; thanks to Lu and one more player.\n" in entry
    assert "Kay" not in (folder / "CHANGELOG.md").read_text("utf-8")
    assert circle.open_reports() == []


def _next(circle: Circle, version: str, tmp_path: Path, **answers: str) -> str:
    """Pack the next version, have Ada try it, and release it."""
    folder = circle.folder
    circle.answer_trials()
    for text in ("changelog", "readme", "page"):
        circle.code(0, "draft", folder, text, "--write")
    circle.code(0, "pack", folder)
    sent = circle.kit("Ada", tmp_path / version)
    circle.code(0, "receive", folder, sent.fill(**answers))
    return circle.release(version)


def _beta_and_final(circle: Circle, tmp_path: Path) -> None:
    folder = circle.folder
    circle.edit('version = "1.0.1"', 'version = "1.1b1"')
    circle.edit('name = "Body"\ncc = 21', 'name = "Weight"\ncc = 21')
    circle.edit("high_key = 66", "high_key = 65")
    circle.edit('saved_with = "7.1"\nminimum = "7.1"', 'saved_with = "7.2"\nminimum = "7.2"')
    told = circle.run("check", folder, "out", "--json").json["findings"]
    breaks = [one["measured"] for one in told if one["rule"] == "songs-break"]
    assert any("The control Body is now called Weight" in one for one in breaks), breaks
    assert any("slate plays D3 to F3 instead of D3 to F#3" in one for one in breaks), breaks
    beta = _next(circle, "1.1b1", tmp_path)
    circle.edit('version = "1.1b1"', 'version = "1.1"')
    circle.softer("slate_G4")
    final = _next(circle, "1.1", tmp_path)
    for entry in (beta, final):
        assert "- Breaking: Control Body is now called Weight.\n" in entry, "who has 1.0.1 never saw the beta"
        assert "- Breaking: Layer slate: D3 to F3 instead of D3 to F#3.\n" in entry
    page = (folder / "releases" / "Slate Choir 1.1 page.md").read_text("utf-8")
    assert "stay with 1.0.1, which needs 7.1" in page
    songs = page.partition("Songs made with 1.0.1")[2]
    assert "The control Body is now called Weight: songs that move it by its name need the new one" in songs
    assert "slate plays D3 to F3 instead of D3 to F#3" in songs


def _hotfix_of_the_old_line(circle: Circle, tmp_path: Path) -> None:
    folder, run = circle.folder, circle.code
    changelog = (folder / "CHANGELOG.md").read_bytes()
    shots = run(0, "snapshots", folder, "--json").json["snapshots"]
    number = next(one["number"] for one in shots if one["version"] == "1.0.1" and one["kind"] == "release")
    run(0, "restore", folder, number)
    (folder / "CHANGELOG.md").write_bytes(changelog)
    circle.edit('version = "1.0.1"', 'version = "1.0.2"')
    (folder / "Licence.txt").write_text("CC0 1.0, all of it\n", encoding="utf-8")
    run(0, "snapshot", folder, "-m", "Fix the licence, which was cut short")
    entry = _next(circle, "1.0.2", tmp_path, engine_version="7.1")
    assert "Weight" not in entry, "what another line changed is that line's"
    out = run(0, "releases", folder, "--json").json["releases"]
    assert [(one["version"], one["base"], one["minimum"], one["here"]) for one in out] == [
        ("1.1", "1.0.1", "7.2", True),
        ("1.1b1", "1.0.1", "7.2", True),
        ("1.0.2", "1.0.1", "7.1", True),
        ("1.0.1", "1.0", "7.1", True),
        ("1.0", "", "7.1", True),
    ]
    standing = {one["version"]: one["standing"] for one in out}
    assert (standing["1.1"], standing["1.0"]) == ("current", "followed by")
    copy = tmp_path / "downloaded.zip"
    copy.write_bytes((folder / "releases" / "Slate Choir 1.0.2.zip").read_bytes())
    run(0, "upload", folder, copy)
    copy.write_bytes(copy.read_bytes()[:-9])
    run(1, "upload", folder, copy)
    run(0, "sheet", folder)
