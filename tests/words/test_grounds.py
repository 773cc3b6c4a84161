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
from companion.words.story import Change, Story, Tested

FILES: Final = ("sentences.jinja", "tests.jinja", "playing.jinja", "getting.jinja")
PARTS: Final = {"on_what", "by_whom"}
"""Halves of sentences: they stand in `tested` and `failed`."""

GENERAL: Final = {"whole_line", "lost_line"}
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


GONE: Final = Change(group="Removed", text="48 samples removed", breaks=True)
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
    Ground("update_line", "others have it", "a release on record", "Put the folder", {}, {"previous_version": ""}),
    Ground("delete_line", "others have it", "a release on record", "update archive", {}, {"previous_version": ""}),
    Ground("delete_line", "what is gone", "files of its record", "of it: Samples/old.wav", {}, {"to_delete": ()}),
    Ground("delete_line", "nothing is gone", "files of its record", "nothing has to be", {"to_delete": ()}, {}),
    Ground("song", "what songs would miss", "facts and files of its record", "The control Air is", {}, {"breaks": ()}),
    Ground("song", "songs of which", "a release on record", "Songs made with 1.1", {}, {"previous_version": ""}),
    Ground("change_line", "what changed", "found since its record", "48 samples added", {}, {"changes": ()}),
    Ground("change_line", "it breaks songs", "it is gone", "Breaking: 48 samples", {"changes": (GONE,)}, {}),
    Ground("archive_line", "its name", "title and version", "Slate Choir 1.2.zip, 800 MB", {}, {"archive": ""}),
    Ground("archive_line", "its size", "the archive built", "800 MB", {}, {"download_bytes": None}),
    Ground("archive_line", "not built yet", "none built of this", "size.once.built", {"download_bytes": None}, {}),
    Ground("checksum_line", "its checksum", "the archive built", "SHA-256: 5e5e", {}, {"archive_sha256": ""}),
    Ground("checksum_line", "not built", "none built", "SHA-256: ⟨checksum", {"archive_sha256": ""}, {}),
    Ground("update_archive", "an update", "one built of this", "1.1 to 1.2.zip, 30.0 MB", {}, {"updates": ()}),
    Ground("update_archive", "its checksum", "its record", "SHA-256: 7d7d", {}, {"updates": ()}),
    Ground("checksum_use", "there is a checksum", "an archive to name", "The checksum tells", {}, {"archive": ""}),
    Ground("unzip_line", "its name", "title and version", "whole of Slate Choir 1.2.zip", {}, {"archive": ""}),
    Ground("licence_where", "where to read it", "SPDX's list", "also be read at", {}, {"licence_links": ()}),
    Ground("licence_where", "its text ships too", "a file that ships", "also be read", {}, {"licence_file": ""}),
    Ground("install_step", "how to install it", "fact install", "Add the folder to the places", {}, {"install": ()}),
    Ground("tags_line", "its tags", "fact tags", "slate, quiet", {}, {"tags": ()}),
    Ground("preview", "what to hear", "fact previews", "slow piece", {}, {"hear": ()}),
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
        "before",
        "another version failed there",
        "the last test there, of other content",
        "Not tested yet in this version on macOS. Another version did not pass a test on macOS with Example Engine 7.0",
        {"systems_failed_before": (MAC,)},
        {"systems_before": (MAC,)},
    ),
    Ground(
        "before",
        "another version passed there",
        "the last test there, of other content",
        "Another version passed a test on macOS with",
        {"systems_before": (MAC,)},
        {"systems_failed_before": (MAC,)},
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
    Ground(
        "open_line",
        "which patch to begin with",
        "the facts name it first",
        "Open A.eeng in Example Engine to start with. There is also B.eeng",
        {"patches": ("A.eeng", "B.eeng"), "start_with": "A.eeng"},
        {"patches": ("A.eeng", "B.eeng")},
    ),
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
