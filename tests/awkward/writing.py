"""Every command that writes, and a folder in which each has something to do."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

import soundfile

from tests.awkward.sent import LAYER, Sent

READS: Final = frozenset(
    {
        "compare",
        "completion",
        "coverage",
        "explain",
        "measure",
        "needs",
        "open",
        "play",
        "prove",
        "releases",
        "show",
        "snapshots",
        "trials",
    }
)
"""Commands that write nothing of ours but what is remembered: the cache, which loses nothing but time."""
CONTROLS: Final = '\n[[controls]]\nname = "Body"\nrest = 0.5\neffect = "from thin to full"\n'


class Writing(NamedTuple):
    """A command that writes. arguments: ``{}`` stands for the folder. codes: how it may end when nothing fails."""

    arguments: tuple[str, ...]
    codes: tuple[int, ...] = (0,)

    def on(self, folder: Path) -> list[str]:
        """Return its arguments for this folder."""
        return [text.format(folder) for text in self.arguments]


def _away(*words: str) -> tuple[str, ...]:
    told = ("--engine-version", "7.1", "--system", "Windows 11", "--played", "all keys", "--edition", "any")
    return ("away", "{}", "--kind", *words, "--result", "pass", *told)


WRITES: Final = {
    "start": Writing(("start", "{}", "--engine", "Example Engine")),
    "waive": Writing(("waive", "{}", "sample-unused", "Samples/more.wav", "-r", "it is to come")),
    "fact": Writing(("fact", "{}", "instrument.summary", "Slabs of slate, struck softly.")),
    "ship": Writing(("contents", "{}", "--ship", "notes.txt", "--stay", "Samples/more.wav"), (0, 1)),
    "draft": Writing(("draft", "{}", "readme", "--write"), (0, 1)),
    "changelog": Writing(("draft", "{}", "changelog", "--write"), (0, 1)),
    "page": Writing(("draft", "{}", "page", "--write"), (0, 1)),
    "away": Writing(_away("originals hidden")),
    "hide": Writing(("away", "hide", "{}")),
    "back": Writing(("away", "back", "{}")),
    "answer": Writing(("answer", "{}", "alone-688b8a6cc137", "pass")),
    "check": Writing(("check", "{}", "facts", "contents"), (0, 1)),
    "status": Writing(("status", "{}"), (0, 1)),
    "perform": Writing(("perform", "{}")),
    "judge": Writing(("judge", "{}", "{}/../there.wav", "--keep"), (0, 1)),
    "kit": Writing(("kit", "{}", "--for", "Ada")),
    "receive": Writing(("receive", "{}", "{}/../Form.txt")),
    "report": Writing(("report", "add", "{}", "--text", "The slab clicks at C4.", "--version", "1.0")),
    "report edit": Writing(("report", "edit", "{}", "it-hums", "--about", "hum")),
    "report answer": Writing(("report", "answer", "{}", "it-hums", "The hum is gone.")),
    "report close": Writing(("report", "close", "{}", "it-hums", "--why", "it is meant")),
    "shelf": Writing(("shelf", "{}")),
    "sheet": Writing(("sheet", "{}")),
    "upload": Writing(("upload", "{}", "{}/../copy.zip")),
    "pack": Writing(("pack", "{}"), (0, 1)),
    "release": Writing(("release", "{}"), (0, 1, 2)),
    "snapshot": Writing(("snapshot", "{}", "-m", "three")),
    "restore": Writing(("restore", "{}", "2")),
    "forget": Writing(("forget", "{}", "2", "--labelled")),
    "mirror": Writing(("mirror", "{}", "{}/../copy.git")),
    "mirror again": Writing(("mirror", "{}", "{}/../old.git")),
    "adopt": Writing(("adopt", "{}/../fresh", "{}/../old.git")),
    "demo": Writing(("demo", "{}/../demo")),
}


def live_in(folder: Path, run: Callable[..., Any], standin: Any) -> Path:
    """Let everything be written once, in a place of its own; return the folder there.

    Beside it lie ``old.git``, a mirror, ``fresh``, an empty folder, and what came back: ``Form.txt`` of a kit,
    ``there.wav``, a bounce of ``piece.mid``, and ``copy.zip``, an upload fetched again.
    """
    place = folder.parent / "kept"
    place.mkdir()
    folder = folder.rename(place / folder.name)
    facts = folder / "release.toml"
    facts.write_text(facts.read_text("utf-8") + LAYER, encoding="utf-8", newline="\n")
    run(*Writing(_away("another player")).on(folder))
    for text in ("changelog", "readme", "page"):
        run("draft", folder, text, "--write")
    run("check", folder)
    run("pack", folder)
    assert run("release", folder).code == 0
    shutil.copyfile(folder / "releases" / "Slate Choir 1.0.zip", place / "copy.zip")
    kit = run("kit", folder, "--for", "Ada", "--json")
    sent = Sent(Path(kit.json["kit"]["path"]), place / "helper")
    shutil.copyfile(sent.fill(), place / "Form.txt")
    midi = (sent.folder / "Slate Choir 1.0 keys.mid").read_bytes()
    (place / "piece.mid").write_bytes(midi)
    sound = standin.render(midi, standin.Made("organ", seed=5, rate=22_050, takes=1))
    soundfile.write(place / "there.wav", sound, 22_050, subtype="PCM_16")
    shutil.rmtree(place / "helper")
    (folder / "Samples" / "more.wav").write_bytes((folder / "Samples" / "slate_C4.wav").read_bytes())
    (folder / "notes.txt").write_text("two", encoding="utf-8")
    assert run("snapshot", folder, "-m", "two").code == 0
    assert run("mirror", folder, place / "old.git").code == 0
    (folder / "notes.txt").write_text("three", encoding="utf-8")
    (place / "fresh").mkdir()
    return folder


def prepare(name: str, folder: Path, run: Callable[..., Any]) -> None:
    """Bring the folder to where the command has something to do."""
    facts = folder / "release.toml"
    if name == "start":
        facts.unlink()
    elif name == "answer":
        text = facts.read_text("utf-8").replace('without = ["controls"]\n', "")
        facts.write_text(text + CONTROLS, encoding="utf-8", newline="\n")
    elif name == "waive":
        assert run("check", folder, "contents").code in (0, 1)
    elif name == "kit":  # of the archive that was proven
        assert run("restore", folder, 1).code == 0
    elif name == "pack":
        facts.write_text(facts.read_text("utf-8").replace('version = "1.0"', 'version = "1.1"'), "utf-8", newline="\n")
    elif name.startswith("report "):
        assert run("report", "add", folder, "--text", "It hums.").code == 0
        facts.write_text(facts.read_text("utf-8").replace('version = "1.0"', 'version = "1.1"'), "utf-8", newline="\n")
    elif name == "back":
        assert run("away", "hide", folder).code == 0
