"""The grounds of every sentence that a draft may print: what it claims, what must be known for it, what makes it false.

A sentence without a row here fails the first test: whoever adds one says what backs it. Each row is tried both ways:
with its evidence the sentence stands in the draft, without it, or with what falsifies it, it does not.
"""

from __future__ import annotations

import re
from typing import Any, Final, NamedTuple

import msgspec
import pytest

from companion.words.drafts import What, draft
from companion.words.sandbox import BUILT_IN
from companion.words.story import Story, Tested

FILES: Final = ("sentences.jinja", "tests.jinja", "playing.jinja")
PARTS: Final = {"on_what", "by_whom"}
"""Halves of sentences: they stand in `tested` and `failed`."""

GENERAL: Final = {"unzip_line", "whole_line", "lost_line"}
"""Advice that holds for every archive: it claims nothing of this one."""


class Ground(NamedTuple):
    """macro: the sentence. claim: what it says. needs: the evidence. line: how it reads. backed: what must be so.
    without: what falsifies it.
    """

    macro: str
    claim: str
    needs: str
    line: str
    backed: dict[str, Any]
    without: dict[str, Any]
    what: What = "page"


MAC: Final = Tested(system="macos", engine_version="7.0", by="another computer")

GROUNDS: Final = (
    Ground("byline", "whose it is", "fact maker", "Version 1.2, 2026-02-03, by Quay Room.", {}, {"maker": ""}),
    Ground("byline", "when it came out", "day of the draft", "1.2, 2026-02-03, by", {}, {"released_at": ""}),
    Ground("contents", "how many samples", "count of what ships", "213 samples", {}, {"samples": None}),
    Ground("contents", "how many layers", "facts on layers", "and 2 layers|, 2 layers", {}, {"layers": ()}),
    Ground("contents", "impulse responses", "count of what ships", "1 impulse response", {}, {"impulses": ()}),
    Ground("contents", "how long it sounds", "Sound measured it", "of recorded sound", {}, {"seconds": None}),
    Ground("layer", "keys and takes", "facts on layers", "Slate low, C2 to C4, 96 samples, 2", {}, {"layers": ()}),
    Ground("middle_c_line", "which C is meant", "fact middle_c", "note 60, is C3", {}, {"middle_c": ""}),
    Ground("middle_c_line", "keys are named", "layers with keys", "note 60, is C3", {}, {"layers": ()}),
    Ground("update_line", "others have it", "a release on record", "If you have an", {}, {"previous_version": ""}),
    Ground("control", "what a control does", "facts on controls", "Mix: from dry to wet", {}, {"controls": ()}),
    Ground("engine_line", "opens in 7.0", "an away test there", "7.0 or newer", {}, {"minimum_because": ""}),
    Ground(
        "engine_line",
        "nobody tried an older engine",
        "no away test on one",
        "nobody has tried an older one",
        {"minimum_because": ""},
        {"minimum_because": "", "tried_older": True},
    ),
    Ground("disk_line", "bytes on disk", "sum of what ships", "on disk once unzipped", {}, {"unpacked_bytes": None}),
    Ground("disk_line", "bytes to fetch", "the archive built", "for the download", {}, {"download_bytes": None}),
    Ground("memory_line", "bytes of memory", "Sound measured it", "of memory if all", {}, {"memory_bytes": None}),
    Ground("voices_line", "how many voices", "fact voices", "Up to 16 voices", {}, {"voices": None}),
    Ground("tested", "it opened there", "a passed away test", "Tested on Windows 11 with", {}, {"systems_tested": ()}),
    Ground(
        "failed",
        "it did not open there",
        "an away test that did not pass",
        "A test on macOS with Example Engine 7.0 on another computer did not pass",
        {"systems_failed": (MAC,)},
        {},
    ),
    Ground(
        "older",
        "tried only with an older engine",
        "a test below the minimum",
        "On macOS it was opened with Example Engine 7.0, which is older",
        {"systems_older": (MAC,)},
        {},
    ),
    Ground(
        "unmoved",
        "never left the maker's computer",
        "no test elsewhere, passed or failed",
        "Not tested away from the maker's own computer yet",
        {"tried_elsewhere": False},
        {"tried_elsewhere": True},
    ),
    Ground("untested", "no test there yet", "none, passed or failed", "Not tested yet on", {}, {"systems_hoped": ()}),
    Ground("open_line", "which patch to open", "patches that ship", "Open Slate Choir.patch in", {}, {"patches": ()}),
    Ground("licence_line", "its licence", "fact licence", "CC-BY-4.0; the full text", {}, {"licence": ""}),
    Ground("licence_line", "the text ships", "a file that ships", "is in LICENCE.txt", {}, {"licence_file": ""}),
    Ground("contact_line", "where to write", "fact contact", "good news: <hello@quay-room", {}, {"contact": ""}),
    Ground(
        "no_changes",
        "nothing was released before",
        "no record of a release",
        "First release",
        {"previous_version": "", "changes": ()},
        {"changes": ()},
        "changelog",
    ),
    Ground(
        "no_changes",
        "plays as the version before",
        "no change found since its record",
        "has changed since 1.1",
        {"changes": ()},
        {},
        "changelog",
    ),
)  # fmt: skip


def sentence_names() -> set[str]:
    texts = [(BUILT_IN / name).read_text(encoding="utf-8") for name in FILES]
    return {name for text in texts for name in re.findall(r"{%-? macro (\w+)", text)}


def test_every_sentence_of_ours_has_its_grounds_written_down() -> None:
    assert {ground.macro for ground in GROUNDS} | PARTS | GENERAL == sentence_names()


@pytest.mark.parametrize("ground", GROUNDS, ids=lambda ground: f"{ground.macro}: {ground.claim}")
def test_a_sentence_stands_with_its_evidence_and_falls_with_what_falsifies_it(story: Story, ground: Ground) -> None:
    line = re.compile(ground.line)

    def text(changes: dict[str, Any]) -> str:
        drafted = draft(ground.what, "md", msgspec.structs.replace(story, **changes))
        return re.sub(r"\\(?=\W)", "", drafted)

    assert line.search(text(ground.backed))
    assert not line.search(text(ground.without))
