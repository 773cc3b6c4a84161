from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from companion.core.facts import Control
from companion.core.findings import Finding
from companion.core.rules import findings_of
from companion.words.changelog import merge_entry
from companion.words.drafts import draft
from companion.words.model import WordsModel
from companion.words.rules import RULES
from companion.words.story import Change, LayerLine, Story, Tested, UpdateArchive

WHOLE = Story(
    title="Slate Choir",
    version="1.2",
    maker="Quay Room",
    summary="Slabs of slate, struck, brushed and hummed over",
    description="Recorded in a boat shed over two winters.\n\nBest played slowly.",
    contact="hello@quay-room.example",
    tags=("slate", "quiet"),
    install=("Add the folder to the places the engine looks in",),
    hear=("slow piece.ogg",),
    credits=("R. for the slate",),
    licence="CC-BY-4.0",
    licence_links=(("CC-BY-4.0", "https://spdx.org/licenses/CC-BY-4.0.html"),),
    licence_file="LICENCE.txt",
    rights="All recordings are our own",
    engine="Example Engine",
    edition="full",
    saved_with="7.1",
    minimum="7.0",
    minimum_because="another player opened it in 7.0",
    systems_tested=(Tested(system="Windows 11", engine_version="7.0", by="another player"),),
    tried_elsewhere=True,
    systems_hoped=("Linux",),
    patches=("Slate Choir.patch",),
    samples=213,
    seconds=755.0,
    voices=16,
    archive="Slate Choir 1.2.zip",
    archive_sha256="5e" * 32,
    download_bytes=800_000_000,
    updates=(
        UpdateArchive(since="1.1", archive="Slate Choir 1.1 to 1.2.zip", size_bytes=30_000_000, sha256="7d" * 32),
    ),
    unpacked_bytes=1_250_000_000,
    memory_bytes=1_100_000_000,
    rates=(48000,),
    bits=(24,),
    layers=(LayerLine(name="Slate low", keys="C2 to C4", samples=96, round_robins=2), LayerLine(name="Slate high")),
    middle_c="C3",
    controls=(Control(name="Mix", effect="from dry to wet"),),
    impulses=("hall, 2.3 s",),
    to_delete=("Samples/old.wav",),
    breaks=("The control Air is gone: what a song does with it is no longer heard",),
    changes=(
        Change(
            group="Added", text="48 samples added: Slate low", paths=("a.wav",), about=("Slate low",), noun="sample"
        ),
        Change(group="Fixed", text="Fix the loop seam of Slate high"),
    ),
    known_problems=("Slate_low_C3.wav ends with a click",),
    released_at="2026-02-03",
    previous_version="1.1",
)


@pytest.fixture
def story() -> Story:
    """A story with every field set."""
    return WHOLE


@pytest.fixture
def found() -> Callable[..., list[Finding]]:
    """Return the findings of the drafts of ``story``, with some texts replaced by others."""

    def look(story: Story, **texts: Any) -> list[Finding]:
        changelog = texts.get("changelog", merge_entry("", draft("changelog", "md", story), story.version).text)
        readme = texts.get("readme", draft("readme", "md", story))
        files = {"CHANGELOG.md": changelog, "README.md": readme, **texts.get("more", {})}
        model = WordsModel(
            texts={path: text for path, text in files.items() if text is not None},
            pages={"": page} if (page := texts.get("page", draft("page", "html", story))) else {},
            story=story,
            page_characters=texts.get("limit"),
        )
        return list(findings_of(RULES, model))

    return look
