"""A life in six releases: what the public reads of each is committed beside this file, and read by people.

1.0.0, a fix (1.0.1), a beta (1.1.0b1) and the new layer it tried (1.1.0), a raised minimum (1.2.0), and after it a
hotfix of the older line (1.1.1). ``COMPANION_WRITE_LIFE=1 pytest tests/words/test_life.py`` writes ``life/`` anew; read
what changed there as a player would before it is kept.
"""

from __future__ import annotations

import array
import math
import os
import re
import shutil
import wave
from pathlib import Path
from typing import Final, Literal

import pytest

from companion.core.evidence import AwayKind, AwayTest
from companion.core.units import both_bytes
from companion.steps.looks.words import Format, What
from companion.workshop import Workshop

LIFE: Final = Path(__file__).parent / "life"
WRITE: Final = bool(os.environ.get("COMPANION_WRITE_LIFE"))
NOTES: Final = {"C3": 261.63, "E3": 329.63, "G3": 392.0}

FACTS: Final = """\
[instrument]
title = "Slate Choir"
version = "1.0.0"
maker = "Quay Room"
summary = "Slabs of slate from an old roof, struck with felt."
description = "Hung from cords in a boat shed, and recorded over two winters.\\n\\nBest played slowly."
contact = "hello@quay-room.example"
credits = ["Recorded and built by Quay Room"]
tags = ["slate", "struck", "quiet"]
licence = "CC-BY-4.0"
rights = "All of it was recorded by Quay Room."
install = ["Add the folder to the places that Example Engine looks in"]

[engine]
name = "Example Engine"
edition = "full"
saved_with = "7.1.2"
minimum = "7.1.2"
systems = ["windows", "macos", "linux"]

[contents]
patches = ["Slate Choir.eeng", "*.eeng"]

[naming]
pattern = "{layer}_{note}_v{velocity}"
middle_c = "C3"

[limits]
voices = 12

[[layers]]
name = "struck"
files = ["Samples/struck_*.wav"]
low_key = 48
high_key = 72

[[controls]]
name = "Air"
cc = 21
effect = "from dry to a room full of air"

[[controls]]
name = "Body"
rest = 0.5
effect = "from thin to full"
"""

BRUSHED: Final = """
[[layers]]
name = "brushed"
files = ["Samples/brushed_*.wav"]
low_key = 60
high_key = 72
"""

GERMAN: Final = """\
# Slate Choir 1.0.0

Schieferplatten von einem alten Dach, mit Filz geschlagen. Sie hingen an Schnüren in einem Bootshaus.

Zuerst das ganze Archiv entpacken und den Ordner so lassen, wie er ist. Man braucht Example Engine 7.1.2 oder neuer,
in der Edition „full“. Die Lizenz ist CC-BY-4.0 und steht in LICENCE.txt.

Fragen, Fehler und gute Nachrichten bitte an hello@quay-room.example.
"""


def tone(path: Path, hertz: float, level: int) -> None:
    """Write a sine of 16 bits at 44.1 kHz that swells, and dies away to nothing."""
    frames = 11_025
    values = (
        round(level * min(1, n / 300) * ((frames - 1 - n) / frames) ** 2 * math.sin(2 * math.pi * hertz * n / 44_100))
        for n in range(frames)
    )
    path.parent.mkdir(exist_ok=True)
    with wave.open(str(path), "wb") as out:
        out.setparams((1, 2, 44_100, 0, "NONE", ""))
        out.writeframes(array.array("h", values).tobytes())


Trial = tuple[AwayKind, Literal["pass", "fail"], str, str, str]
"""An away test: its kind and result, who made it, the system, the engine's version."""


class Maker:
    """Whoever makes Slate Choir: edits the folder, and releases it by the companion."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder, self.day, self._patch = folder, "", monkeypatch
        self.built: dict[str, str] = {}
        folder.mkdir()
        (folder / "release.toml").write_text(FACTS, encoding="utf-8", newline="\n")
        (folder / "README.de.md").write_text(GERMAN, encoding="utf-8", newline="\n")
        (folder / "LICENCE.txt").write_text(
            "Attribution 4.0 International, all of it.\n", encoding="utf-8", newline="\n"
        )
        for note, hertz in NOTES.items():
            self.sample(f"struck_{note}_v40", hertz, 5_000)
            self.sample(f"struck_{note}_v100", hertz, 11_000)
        self.patch("Slate Choir.eeng", "struck")

    def sample(self, name: str, hertz: float, level: int) -> None:
        tone(self.folder / "Samples" / f"{name}.wav", hertz, level)

    def patch(self, name: str, *layers: str) -> None:
        names = [path.name for layer in layers for path in sorted((self.folder / "Samples").glob(f"{layer}_*.wav"))]
        (self.folder / name).write_text("\n".join(f"Samples/{one}" for one in names) + "\n", "utf-8", newline="\n")

    def edit(self, name: str, *pairs: tuple[str, str]) -> None:
        path = self.folder / name
        text = path.read_text("utf-8")
        for old, new in pairs:
            assert old in text, old
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8", newline="\n")

    def shop(self, day: str = "") -> Workshop:
        """Open the folder, on a day."""
        self.day = day or self.day
        self._patch.setattr("companion.steps.looks.story.today", lambda: self.day)
        self._patch.setattr("companion.steps.looks.words.today", lambda: self.day)
        self._patch.setattr("companion.workshop.now", lambda: f"{self.day}T12:00:00.000Z")
        return Workshop.open(self.folder)

    def tested(self, *tests: Trial) -> None:
        """Answer every trial, and record away tests."""
        shop = self.shop()
        for view in shop.trials():
            if view.answer is None or view.answer.result != "pass":
                shop.answer(view.trial.id, "pass")
        for kind, result, who, system, version in tests:
            shop.record_away(
                AwayTest(
                    kind=kind,
                    result=result,
                    who=who,
                    system=system,
                    engine_version=version,
                    edition="full",
                    played="every patch, over the whole range, softly and loudly, with pedal",
                )
            )

    def draft(self, what: What, fmt: Format = "md") -> Path:
        drafted = self.shop().write_draft(what, fmt)
        assert drafted.missing == ()
        return drafted.target

    def release(self, version: str) -> None:
        """Check, draft what is not drafted yet, check again, pack, release, and compare what the public reads."""
        self.shop().check()
        for what in ("readme", "page"):
            self.draft(what)
        self.draft("page", "html")
        checked = self.shop().check()
        open_steps = [
            (step.id, step.state.value, [(f.rule, f.path, f.measured) for f in step.findings if f.blocks])
            for step in checked.steps
            if not step.state.settled and step.id not in ("archive", "out")
        ]
        assert open_steps == []
        packed = self.shop().pack()
        self.built = {packed.sha256: "5e" * 32, both_bytes(packed.size): "12.3 MB (11.7 MiB)"}
        states = {step.id: step.state.value for step in self.shop().status().steps}
        assert states["words"] in ("proven", "waived"), "building the archive made no words stale"
        record = self.shop().release()
        assert record.version == version
        self.shown(version)

    def shown(self, version: str) -> None:
        """Hold what the public reads against what is committed, byte for byte.

        But for size and checksum of the archive: those are true of the bytes that this computer's coder makes.
        """
        pages = self.folder / "releases"
        found = {name: self.folder / name for name in ("README.md", "README.de.md", "CHANGELOG.md")}
        found |= {f"page.{fmt}": pages / f"Slate Choir {version} page.{fmt}" for fmt in ("md", "html")}
        place = LIFE / version
        for name, path in found.items():
            text = path.read_bytes()
            if name.startswith("page"):
                for value, told in self.built.items():
                    assert value.encode() in text
                    text = text.replace(value.encode(), told.encode())
            if WRITE:
                place.mkdir(parents=True, exist_ok=True)
                (place / name).write_bytes(text)
            assert text.decode() == (place / name).read_bytes().decode(), f"{version}/{name}"


@pytest.fixture
def maker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Maker:
    return Maker(tmp_path / "Slate Choir", monkeypatch)


ELSEWHERE: Final[Trial] = ("another computer", "pass", "", "Windows 11", "7.1.2")
PLAYER: Final[Trial] = ("another player", "pass", "Ada", "Windows 11", "7.1.2")
MUSIC: Final[Trial] = ("a piece of music", "pass", "", "Windows 11", "7.1.2")
HIDDEN: Final[Trial] = ("originals hidden", "pass", "", "Linux", "7.1.2")


@pytest.mark.skipif(shutil.which("git") is None, reason="snapshots need git")
def test_what_the_public_reads_of_six_releases(maker: Maker) -> None:
    _first(maker)
    _fix(maker)
    _beta_and_layer(maker)
    _raised(maker)
    _hotfix(maker)


def _first(maker: Maker) -> None:
    maker.shop("2026-01-10")
    maker.tested(HIDDEN, ("another computer", "fail", "", "macOS 15", "7.1.2"), ELSEWHERE, PLAYER, MUSIC)
    maker.draft("changelog")
    maker.release("1.0.0")
    page = (LIFE / "1.0.0" / "page.md").read_text("utf-8")
    assert "A test on macOS 15 with Example Engine 7.1.2 on another computer did not pass." in page
    assert "Not tested yet on" not in page
    assert "earlier version" not in page


def _fix(maker: Maker) -> None:
    reports = maker.folder / ".companion" / "reports"
    reports.mkdir(parents=True, exist_ok=True)
    (reports / "click-e3.txt").write_text("The soft E3 clicks when it ends.\n", encoding="utf-8")
    shop = maker.shop("2026-02-02")
    assert [one.rule for one in shop.status().step("out").findings if one.rule == "report-open"] == ["report-open"]
    maker.sample("struck_E3_v40", NOTES["E3"], 5_200)
    maker.edit("release.toml", ('version = "1.0.0"', 'version = "1.0.1"'))
    maker.edit("README.de.md", ("Choir 1.0.0", "Choir 1.0.1"))
    maker.shop().snapshot("Fix the click at the end of the soft E3")
    maker.tested(ELSEWHERE, PLAYER, MUSIC)
    maker.draft("changelog")
    maker.edit("CHANGELOG.md", ("of the soft E3.", "of the soft E3; thank you for the report (click-e3)."))
    page = maker.draft("page")
    maker.edit(str(page.relative_to(maker.folder)), ("Best played slowly.", "Best played slowly, and in the dark."))
    maker.release("1.0.1")
    assert [one.rule for one in maker.shop().status().step("out").findings if one.rule == "report-open"] == []


def _beta_and_layer(maker: Maker) -> None:
    maker.shop("2026-02-20")
    for note in ("C3", "E3", "G3"):
        maker.sample(f"brushed_{note}_v80", NOTES[note], 7_000)
    maker.patch("Slate Brushed.eeng", "brushed")
    facts = (maker.folder / "release.toml").read_text("utf-8")
    maker.edit("release.toml", (facts, facts.replace('"1.0.1"', '"1.1.0b1"') + BRUSHED))
    maker.edit("README.de.md", ("Choir 1.0.1", "Choir 1.1.0b1"))
    maker.tested(ELSEWHERE, PLAYER, MUSIC)
    maker.draft("changelog")
    maker.release("1.1.0b1")
    maker.shop("2026-03-01")
    maker.sample("brushed_G3_v80", NOTES["G3"], 6_500)
    maker.edit("release.toml", ('"1.1.0b1"', '"1.1.0"'))
    maker.edit("README.de.md", ("Choir 1.1.0b1", "Choir 1.1.0"))
    maker.shop().snapshot("Fix the brushed G3, which was too loud in the beta")
    maker.tested(ELSEWHERE, PLAYER, MUSIC)
    maker.draft("changelog")
    maker.release("1.1.0")
    changelog = (LIFE / "1.1.0" / "CHANGELOG.md").read_text("utf-8")
    final = changelog[changelog.index("## [1.1.0]") : changelog.index("## [1.1.0b1]")]
    assert "Layer brushed added" in final, "a final tells all since the final before it"
    for name in ("page.md", "page.html"):
        text = (LIFE / "1.1.0" / name).read_text("utf-8")
        assert ("in the dark" in text) is (name == "page.md"), "the maker's own words go on from page to page"


def _raised(maker: Maker) -> None:
    maker.shop("2026-04-01")
    maker.edit(
        "release.toml",
        ('version = "1.1.0"', 'version = "1.2.0"'),
        ("7.1.2", "7.2"),
        ("low_key = 48", "low_key = 52"),
        ('\n[[controls]]\nname = "Body"\nrest = 0.5\neffect = "from thin to full"\n', ""),
    )
    maker.edit("README.de.md", ("Choir 1.1.0", "Choir 1.2.0"), ("7.1.2", "7.2"))
    samples = maker.folder / "Samples"
    (samples / "struck_G3_v100.wav").rename(samples / "struck_G3_v110.wav")
    (samples / "struck_C3_v40.wav").unlink()
    (maker.folder / "Slate Brushed.eeng").unlink()
    maker.patch("Slate with Brushes.eeng", "brushed", "struck")
    maker.patch("Slate Choir.eeng", "struck")
    newer: list[Trial] = [
        (kind, result, who, system, "7.2") for kind, result, who, system, _ in (ELSEWHERE, PLAYER, MUSIC)
    ]
    maker.tested(*newer)
    maker.draft("changelog")
    maker.release("1.2.0")
    page = (LIFE / "1.2.0" / "page.md").read_text("utf-8")
    assert "stay with 1.1.0, which needs 7.1.2" in page
    assert "Songs made with 1.1.0" in page
    assert re.search(r"^- Breaking: Control Body removed\.$", page, re.MULTILINE)
    assert "delete there what is no longer part of it: Samples/struck_C3_v40.wav" in page


def _hotfix(maker: Maker) -> None:
    shop = maker.shop("2026-04-10")
    number = next(shot.number for shot in shop.snapshots() if shot.version == "1.1.0" and shot.kind == "release")
    changelog = (maker.folder / "CHANGELOG.md").read_text("utf-8")
    shop.restore(number)
    maker.sample("struck_C3_v100", NOTES["C3"], 10_500)
    maker.edit("release.toml", ('version = "1.1.0"', 'version = "1.1.1"'))
    maker.edit("README.de.md", ("Choir 1.1.0", "Choir 1.1.1"))
    (maker.folder / "CHANGELOG.md").write_text(changelog, encoding="utf-8", newline="\n")
    maker.shop().snapshot("Fix the loud C3, which was out of line")
    maker.tested(ELSEWHERE, PLAYER, MUSIC)
    maker.draft("changelog")
    maker.release("1.1.1")
    page = (LIFE / "1.1.1" / "page.md").read_text("utf-8")
    assert "7.2" not in page.replace("17.2", "")
    assert "Body" in page
    assert "Over 1.1.0 it can be unzipped as it is" in page
    changelog = (LIFE / "1.1.1" / "CHANGELOG.md").read_text("utf-8")
    entry = changelog[changelog.index("## [1.1.1]") : changelog.index("## [1.2.0]")]
    assert "Body" not in entry, "what another line changed is that line's"
