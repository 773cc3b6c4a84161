"""A page before and after its archive is built: the marks are filled, nothing else is touched, no words grow stale."""

from __future__ import annotations

import msgspec
import pytest

from companion.words.built import filled, marks_left, once_built, unfilled
from companion.words.drafts import draft
from companion.words.model import WordsModel
from companion.words.rules import RULES
from companion.words.safe import Fmt
from companion.words.story import Story

OLD = ("ab" * 32, 800_000_000)
NEW = ("cd" * 32, 812_345_678)


def page(story: Story, fmt: Fmt, built: tuple[str, int] | None) -> str:
    checksum, size = built or ("", None)
    return draft("page", fmt, msgspec.structs.replace(story, archive_sha256=checksum, download_bytes=size))


@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_marks_are_filled_with_what_a_draft_would_say(story: Story, fmt: Fmt) -> None:
    assert marks_left(page(story, fmt, None)) == [once_built("size"), once_built("checksum")]
    assert filled(page(story, fmt, None), OLD[1], OLD[0]) == page(story, fmt, OLD)
    assert marks_left(page(story, fmt, OLD)) == []


@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_what_an_earlier_archive_had_gives_way_and_nothing_else(story: Story, fmt: Fmt) -> None:
    same_on_disk = msgspec.structs.replace(story, unpacked_bytes=OLD[1])
    before, after = page(same_on_disk, fmt, OLD), page(same_on_disk, fmt, NEW)
    assert filled(before, NEW[1], NEW[0], [(OLD[1], OLD[0])]) == after
    assert "800 MB (763 MiB) on disk" in " ".join(after.split())
    assert filled(before, NEW[1], NEW[0]) == before, "of an archive nobody knows nothing is known"
    assert filled(after, NEW[1], NEW[0], [(NEW[1], NEW[0]), (OLD[1], OLD[0])]) == after


@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_a_page_counts_as_the_same_before_and_after(story: Story, fmt: Fmt) -> None:
    before, after = page(story, fmt, None), page(story, fmt, OLD)
    assert unfilled(after, OLD[1], OLD[0]) == unfilled(before, OLD[1], OLD[0]) == before
    assert unfilled(after, NEW[1], NEW[0]) == after, "what is not true of its archive stays, and is judged"


def test_a_mark_is_a_placeholder_from_when_it_could_be_filled(story: Story) -> None:
    def found(known: Story, text: str) -> list[tuple[int | None, str]]:
        model = WordsModel(texts={}, story=known, pages={"releases/page.md": text})
        return [
            (one.at.line, str(one.value)) for rule in RULES for one in rule(model) if one.rule == "placeholder-left"
        ]

    marked = page(story, "md", None)
    assert found(msgspec.structs.replace(story, archive_sha256="", download_bytes=None), marked) == []
    assert [text for _, text in found(story, marked)] == [once_built("size"), once_built("checksum")]
    line = marked[: marked.index(once_built("size"))].count("\n") + 1
    assert found(story, marked)[0][0] == line
