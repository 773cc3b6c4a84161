"""What each paragraph of a draft rests on: found by taking things away, told as a maker would say it."""

from __future__ import annotations

from functools import partial

import msgspec

from companion.words.drafts import What, draft
from companion.words.grounds import RESTS, grounds_of
from companion.words.safe import Fmt
from companion.words.story import Story


def drafted(what: What, fmt: Fmt, story: Story) -> str:
    return draft(what, fmt, story)


def rests(story: Story, what: What, begins: str, fmt: Fmt = "md") -> tuple[str, ...]:
    found = grounds_of(partial(drafted, what, fmt), story)
    return next(rests for unit, rests in found.items() if unit.startswith(begins))


def test_every_field_of_a_story_says_where_it_comes_from() -> None:
    assert set(RESTS) == set(Story.__struct_fields__)


def test_a_sentence_names_what_it_rests_on_and_nothing_else(story: Story) -> None:
    found = grounds_of(partial(drafted, "page", "md"), story)

    def of(begins: str) -> tuple[str, ...]:
        return next(rests for unit, rests in found.items() if unit.startswith(begins))

    assert of("# ") == ("fact: title",)
    assert of("Version 1.2") == ("fact: version", "fact: maker", "the day of the release, or of this draft")
    assert "away tests that passed" in of("- Tested on Windows 11")
    assert "fact: maker" not in of("- Tested on Windows 11")
    assert of("2. Keep the folder whole") == (), "advice claims nothing of this instrument"
    assert of("- Up to 16 voices" if any(unit.startswith("- Up to 16") for unit in found) else "213 samples")


def test_what_is_not_stated_is_not_asked_for(story: Story) -> None:
    asked: list[Story] = []

    def counted(one: Story) -> str:
        asked.append(one)
        return "x"

    empty = Story()
    grounds_of(counted, empty)
    assert len(asked) == 3, "the draft itself, and the two that say whether something was tried"
    grounds_of(counted, msgspec.structs.replace(empty, title="Slate"))
    assert len(asked) == 3 + 4


def test_a_template_that_cannot_do_without_rests_on_it(story: Story) -> None:
    def needs_maker(one: Story) -> str:
        return f"Made by {one.maker}\n" if one.maker else ""

    assert grounds_of(needs_maker, story) == {"Made by Quay Room": ("fact: maker",)}
