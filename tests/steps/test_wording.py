"""Texts as they are worked on: whose each paragraph is, conflicts settled one way or the other, edits kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.steps.looks.wording import Worded, parts_of, settled
from companion.steps.looks.words import Draft
from companion.words.merge import Clash
from companion.workshop import Workshop

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
summary = "Slabs of slate, struck."
contact = "https://quay-room.example"
licence = "CC0-1.0"
without = ["controls"]

[engine]
name = "Example Engine"
saved_with = "7.1"
minimum = "7.1"

[limits]
page_characters = 4000
"""


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    folder = tmp_path / "slate"
    folder.mkdir()
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    return Workshop.open(folder)


def by_whose(came: Worded) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for part in came.parts:
        found.setdefault(part.whose, []).append(part.text)
    return found


def test_before_anything_is_written_all_of_it_is_drafted_and_says_what_it_rests_on(shop: Workshop) -> None:
    came = shop.worded("readme")
    assert (came.standing, came.limit, came.editable) == (None, None, True)
    assert set(by_whose(came)) == {"drafted"}
    assert next(part for part in came.parts if part.text == "Slabs of slate, struck.").rests == (
        "fact: in one sentence",
    )
    assert shop.worded("page").limit == 4000


def test_own_words_are_told_apart_and_stay_through_the_next_draft(shop: Workshop) -> None:
    came = shop.worded("readme")
    shop.write_text(came, came.draft.text.replace("Slabs of slate, struck.", "Slabs of slate, struck.\n\nFor Ada."))
    after = shop.worded("readme")
    assert by_whose(after)["own"] == ["For Ada."]
    shop.save_facts({"instrument.summary": "Slate, struck softly."})
    again = shop.worded("readme")
    assert by_whose(again)["own"] == ["For Ada."]
    assert "Slate, struck softly." in by_whose(again)["drafted"]
    assert again.draft.conflicts == ()


def conflict(shop: Workshop) -> Worded:
    """Let the maker word what the draft then says otherwise."""
    came = shop.worded("readme")
    shop.write_text(came, came.draft.text.replace("Slabs of slate, struck.", "My slate."))
    shop.save_facts({"instrument.summary": "Slate, struck softly."})
    found = shop.worded("readme")
    assert found.draft.conflicts == ("Slate, struck softly.",)
    return found


@pytest.mark.parametrize(
    ("which", "stands", "gone"), [("mine", "My slate.", "softly"), ("draft", "softly", "My slate.")]
)
@pytest.mark.parametrize("by", ["command", "app"])
def test_a_conflict_is_settled_either_way_and_stays_so(
    shop: Workshop, which: str, stands: str, gone: str, by: str
) -> None:
    came = conflict(shop)
    if by == "command":
        shop.write_draft("readme", settle=which)  # type: ignore[arg-type]
    else:
        drafted = settled(came.draft, which, 0)  # type: ignore[arg-type]
        shop.write_text(Worded(draft=drafted, parts=(), standing=came.standing, limit=None), drafted.text)
    text = (shop.folder / "README.md").read_text(encoding="utf-8")
    assert stands in text
    assert gone not in text
    assert shop.worded("readme").draft.conflicts == ()
    assert stands in shop.worded("readme").draft.text
    assert gone not in shop.worded("readme").draft.text


def test_a_conflict_that_nobody_settled_is_told_again(shop: Workshop) -> None:
    came = conflict(shop)
    shop.write_text(came, came.draft.text + "\nMore.\n")
    assert shop.worded("readme").draft.conflicts == ("Slate, struck softly.",)
    came = shop.worded("readme")
    shop.write_text(came, came.draft.text.replace("My slate.", "My slate, softly."))
    assert shop.worded("readme").draft.conflicts == (), "worded anew, it is settled"


def test_what_changed_on_the_disk_meanwhile_is_not_written_over(shop: Workshop) -> None:
    came = shop.worded("readme")
    shop.write_draft("readme")
    with pytest.raises(CompanionError, match="has changed meanwhile"):
        shop.write_text(came, "mine")
    assert (shop.folder / "README.md").read_text(encoding="utf-8") != "mine"
    shop.write_text(shop.worded("readme"), "mine")
    assert (shop.folder / "README.md").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("more", "editable"), [(b"caf\xc3\xa9\r\n\ttab", True), (b"\x1b[2J", False), (b"caf\xe9", False)]
)
def test_what_steers_a_terminal_or_is_no_text_is_not_edited_here(shop: Workshop, more: bytes, editable: bool) -> None:
    shop.write_draft("readme")
    place = shop.folder / "README.md"
    place.write_bytes(place.read_bytes() + b"\n" + more + b"\n")
    assert shop.worded("readme").editable is editable


def test_in_a_changelog_what_stood_there_before_is_neither_ours_nor_new() -> None:
    text = "# Changelog\n\n## [1.1] - 2026-02-03\n\n- Added one.\n- Mine.\n\n## [1.0] - 2026-01-01\n\n- Added one.\n"
    base = "## [1.1] - 2026-02-03\n\n- Added one.\n"
    parts = [(part.text, part.whose) for part in parts_of(text, base, {}, "changelog", "1.1")]
    assert parts == [
        ("# Changelog", "before"),
        ("## [1.1] - 2026-02-03", "drafted"),
        ("- Added one.", "drafted"),
        ("- Mine.", "own"),
        ("## [1.0] - 2026-01-01", "before"),
        ("- Added one.", "before"),
    ]


def test_one_of_several_conflicts_is_settled_and_the_others_are_left() -> None:
    one = Clash(own="Mine.", old="Old.", drafted=("New.",))
    two = Clash(own="Also mine.", old="Older.", drafted=("Newer.", "Newest."))
    draft = Draft(
        what="readme", format="md", text="Mine.\n\nAlso mine.\n", target=Path("README.md"), base="",
        conflicts=("New.", "Newer.", "Newest."), clashes=(one, two),
    )  # fmt: skip
    after = settled(draft, "draft", 1)
    assert (after.text, after.clashes, after.conflicts) == ("Mine.\n\nNewer.\nNewest.\n", (one,), ("New.",))
    after = settled(draft, "mine", 0)
    assert (after.text, after.clashes, after.conflicts) == (draft.text, (two,), ("Newer.", "Newest."))
    assert settled(draft, "mine").clashes == ()
