from __future__ import annotations

import pytest

from companion.contents.kinds import kinds_by
from companion.core.entries import Kind
from companion.core.facts import Contents

NONE = Contents()
FACTS = Contents(
    patches=("*.slab", "Patches/**"),
    samples=("Samples/**", "Raw/*.raw"),
    impulses=("Rooms/**",),
    scripts=("Scripts/**", "*.txt"),
    documents=("Manual.slabdoc",),
)


@pytest.mark.parametrize(
    "path",
    [
        ".DS_Store",
        "Samples/._a.wav",
        "__MACOSX/x/a.wav",
        "Thumbs.db",
        "a/desktop.ini",
        ".Spotlight-V100/x",
        ".Trashes/1/a.wav",
        "~$Manual.rtf",
        "x.tmp",
        "Icon\r",
        ".gitkeep",
    ],
)
def test_system_files(path: str) -> None:
    assert kinds_by(NONE)(path) is Kind.SYSTEM
    assert kinds_by(Contents(samples=("**",), patches=("**",)))(path) is Kind.SYSTEM


@pytest.mark.parametrize(
    "path",
    [
        "Slate.slab.bak",
        "Slate.slab~",
        "_backup/Slate.slab",
        "old/Slate.slab",
        "bounces/demo.wav",
        "Autosave/x",
        "cover copy.png",
        "cover - Copy (2).png",
        "Copy of cover.png",
        "notes_backup.txt",
        "Slate bounce 3.wav",
    ],
)
def test_working_files(path: str) -> None:
    assert kinds_by(NONE)(path) is Kind.WORKING


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("Samples/Ball bounce.wav", Kind.SAMPLE),
        ("Samples/Kick (1).wav", Kind.SAMPLE),
        ("Samples/Old Piano C3.wav", Kind.SAMPLE),
        ("Samples/Gold/a.wav", Kind.SAMPLE),
        ("Copyright.txt", Kind.DOCUMENT),
        ("Photocopy.png", Kind.PICTURE),
        ("IRs/hall.wav", Kind.IMPULSE),
        ("Impulse Responses/hall.wav", Kind.IMPULSE),
        ("Demos/song.mp3", Kind.OTHER),
        ("a.FLAC", Kind.SAMPLE),
        ("cover.JPG", Kind.PICTURE),
        ("LICENCE", Kind.DOCUMENT),
        ("x.zip", Kind.ARCHIVE),
        ("x.lua", Kind.OTHER),
        ("x.slab", Kind.OTHER),
        (".slab", Kind.OTHER),
        ("bad\udcff.wav", Kind.SAMPLE),
    ],
)
def test_by_name(path: str, kind: Kind) -> None:
    assert kinds_by(NONE)(path) is kind


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("Slate.slab", Kind.PATCH),
        ("Patches/a.other", Kind.PATCH),
        ("Patches/cover.png", Kind.PICTURE),
        ("Samples/a.wav", Kind.SAMPLE),
        ("Samples/old/a.wav", Kind.SAMPLE),
        ("Samples/readme.md", Kind.DOCUMENT),
        ("Samples/cover.png", Kind.PICTURE),
        ("Raw/a.raw", Kind.SAMPLE),
        ("Rooms/a.wav", Kind.IMPULSE),
        ("Scripts/a.lua", Kind.SCRIPT),
        ("ui.txt", Kind.SCRIPT),
        ("Samples/ui.txt", Kind.DOCUMENT),
        ("Manual.slabdoc", Kind.DOCUMENT),
        ("Samples/a.wav.bak", Kind.WORKING),
    ],
)
def test_facts_come_first(path: str, kind: Kind) -> None:
    assert kinds_by(FACTS)(path) is kind
