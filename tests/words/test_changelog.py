"""Keep a Changelog 1.1.0 (https://keepachangelog.com/en/1.1.0/) and what stands beside an entry."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.words.changelog import entries, merge_entry, parse_entry

STANDING = """# Changelog

Ours, in our own words.

## [Unreleased]

- Something brewing.

## [1.1.0] - 2026-01-10

### Added

- Brushes.

## 1.0

First.

[Unreleased]: https://quay-room.example/u
[1.1.0]: https://quay-room.example/1
"""
ENTRY = "## [1.2.0] - 2026-02-03\n\n### Fixed\n\n- A loop.\n"


def insert_entry(standing: str, entry: str, version: str, last_entry: str | None = None) -> str:
    return merge_entry(standing, entry, version, last_entry).text


def test_entries_are_found_and_split() -> None:
    found = entries(STANDING)
    assert [(entry.version, entry.date) for entry in found] == [("1.1.0", "2026-01-10"), ("1.0", "")]
    assert found[0].body == "### Added\n\n- Brushes."
    assert found[1].body == "First."
    lines = STANDING.split("\n")
    assert all("\n".join(lines[entry.start : entry.end]) == entry.text for entry in found)


@pytest.mark.parametrize(
    "heading",
    [
        "## [1.2.0] - 2026-02-03",
        "## 1.2.0",
        "## v1.2 (2026-02-03)",
        "# 1.2.0",
        "### Version 1.2.0 – 2026-02-03",
        "## [1.2.0](https://quay-room.example) - 2026-02-03",
        "## [1.2.0] - 2026-02-03 [YANKED]",
        "## **1.2.0**",
        "## Slate Choir 1.2.0",
        "1.2.0\n=====",
        "Slate Choir 1.2.0\n-----------------",
        "1.2.0 (2026-02-03)",
    ],
)
def test_habits_of_writing_a_heading(heading: str) -> None:
    text = f"Changes\n\n{heading}\n\n- A loop.\n"
    entry = parse_entry(text, "1.2.0")
    assert entry is not None
    assert entry.body == "- A loop."


@pytest.mark.parametrize(
    "heading",
    ["### Needs 7 hosts", "1.2.0 is out", "- 1.2.0", "## Notes for 3", "## 12 new samples", "```\n## 1.2.0\n```"],
)
def test_what_is_no_heading_of_a_version(heading: str) -> None:
    assert entries(f"# Changelog\n\n{heading}\n\ntext\n") == ()


def test_a_body_leads_back_to_its_line() -> None:
    for heading in ("## 1.2", "1.2\n---", "1.2 - 2026-02-03"):
        text = f"# Changelog\n\n{heading}\n\n\n- A loop.\n"
        entry = parse_entry(text, "1.2")
        assert entry is not None
        assert text.split("\n")[entry.body_line - 1] == "- A loop."


def test_a_heading_inside_something_else_is_none() -> None:
    assert entries("> ## 1.2\n\n- ## 1.3\n\n<!--\n## 1.4\n-->\n") == ()


def test_a_new_entry_goes_above_the_newest_and_below_what_is_unreleased() -> None:
    text = insert_entry(STANDING, ENTRY, "1.2.0")
    at = STANDING.index("## [1.1.0]")
    assert text == STANDING[:at] + ENTRY + "\n" + STANDING[at:]


def test_inserting_twice_is_inserting_once() -> None:
    once = insert_entry(STANDING, ENTRY, "1.2.0")
    assert insert_entry(once, ENTRY, "1.2.0") == once
    assert insert_entry(once, ENTRY, "1.2.0", ENTRY) == once


def test_the_first_entry_brings_a_changelog_with_it() -> None:
    assert insert_entry("", ENTRY, "1.2.0").startswith("# Changelog\n\n")
    plain = insert_entry("", "1.2.0 - 2026-02-03\n------------------\n\n- A loop.\n", "1.2.0")
    assert plain.startswith("Changelog\n=========\n")
    for text in (plain, insert_entry("", ENTRY, "1.2.0")):
        assert [entry.version for entry in entries(text)] == ["1.2.0"]


def test_an_entry_goes_ahead_of_the_links_where_nothing_was_released() -> None:
    text = insert_entry("# Changelog\n\n## Unreleased\n\n[a]: https://quay-room.example\n", ENTRY, "1.2.0")
    assert text == "# Changelog\n\n## Unreleased\n\n" + ENTRY + "\n[a]: https://quay-room.example\n"


def test_an_entry_of_ours_is_replaced_while_nobody_has_edited_it() -> None:
    standing = insert_entry(STANDING, ENTRY, "1.2.0")
    fresh = ENTRY.replace("A loop.", "Two loops.")
    assert insert_entry(standing, fresh, "1.2.0", ENTRY) == insert_entry(STANDING, fresh, "1.2.0")


def test_an_edited_entry_keeps_the_makers_lines() -> None:
    standing = insert_entry(STANDING, ENTRY, "1.2.0").replace("- A loop.\n", "- A loop.\n- And the tide.\n")
    fresh = ENTRY.replace("- A loop.", "- A loop.\n- A click.")
    text = insert_entry(standing, fresh, "1.2.0", ENTRY)
    assert "- And the tide.\n" in text
    assert "- A click.\n" in text


def test_an_entry_that_is_not_known_to_be_ours_stays() -> None:
    standing = STANDING.replace("- Brushes.", "- Brushes, at last.")
    merged = merge_entry(standing, ENTRY.replace("1.2.0", "1.1.0"), "1.1.0")
    assert merged.text == standing
    assert len(merged.conflicts) == 1


def test_a_draft_of_another_version_is_no_base() -> None:
    standing = insert_entry(STANDING, ENTRY, "1.2.0")
    merged = merge_entry(standing, ENTRY.replace("A loop", "A click"), "1.2.0", ENTRY.replace("1.2.0", "1.1.0"))
    assert merged.text == standing


def test_a_heading_that_cannot_be_read_does_not_gather_copies() -> None:
    strange = ENTRY.replace("[1.2.0]", "[⟨missing: version⟩]")
    once = insert_entry(STANDING, strange, "")
    assert once != STANDING
    assert insert_entry(once, strange, "", strange) == once
    assert insert_entry(once, ENTRY, "1.2.0", strange) == insert_entry(STANDING, ENTRY, "1.2.0")
    released = insert_entry(STANDING, ENTRY, "1.2.0")
    assert insert_entry(released, ENTRY.replace("1.2.0", "1.3.0"), "1.3.0", ENTRY).count("A loop.") == 2


def test_windows_line_ends_are_kept() -> None:
    standing = STANDING.replace("\n", "\r\n")
    text = insert_entry(standing, ENTRY, "1.2.0")
    assert text.count("\n") == text.count("\r\n")
    again = insert_entry(text, ENTRY.replace("A loop", "Two loops"), "1.2.0", ENTRY)
    assert again == text.replace("A loop", "Two loops")


line = st.sampled_from(
    ["", "text", "# Title", "## [1.1.0] - 2026-01-01", "## 1.0", "- item", "### Added", "[1]: x", "  ", "```"]
)


@settings(max_examples=200, deadline=None)
@given(st.lists(line, max_size=15).map("\n".join))
def test_what_stands_is_never_touched(standing: str) -> None:
    text = insert_entry(standing, ENTRY, "1.2.0")
    wanted, rest = standing.split("\n"), iter(text.split("\n"))
    if standing.strip():
        assert all(part in rest for part in wanted)
        assert text.replace(ENTRY.strip("\n"), "").split() == standing.split()
    assert ENTRY.strip("\n") in text
