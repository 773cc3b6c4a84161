from __future__ import annotations

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from companion.words.drafts import draft
from companion.words.merge import merge, units
from companion.words.story import Story

LAST = (
    "# Slate Choir\n\nA choir of slate.\n\nVersion 1.1.\n\n## Needs\n\n- Engine 7.0\n- 20 MB\n\n## Contact\n\nWrite.\n"
)
NEW = LAST.replace("1.1", "1.2").replace("20 MB", "24 MB")

line = st.sampled_from(["alpha", "beta", "gamma", "delta", "", "- one", "- two", "# head", "it is 1", "it is 2"])
a_text = st.lists(line, max_size=12).map("\n".join)


def is_in_order(wanted: list[str], text: list[str]) -> bool:
    rest = iter(text)
    return all(item in rest for item in wanted)


def test_the_first_draft_stands_as_it_is() -> None:
    assert merge(None, None, NEW).text == NEW
    assert merge(LAST, "  \n", NEW).text == NEW


def test_an_untouched_draft_becomes_the_new_one() -> None:
    assert merge(LAST, LAST, NEW) == merge(None, NEW, NEW)


@pytest.mark.parametrize(
    "after", ["# Slate Choir\n", "A choir of slate.\n", "Version 1.1.\n", "- 20 MB\n", "## Contact\n", "Write.\n"]
)
def test_a_paragraph_of_the_makers_survives_wherever_it_stands(after: str) -> None:
    mine = LAST.replace(after, f"{after}\nOurs: it was raining.\n")
    merged = merge(LAST, mine, NEW)
    assert "Version 1.2." in merged.text
    assert "- 24 MB" in merged.text
    assert merged.text.count("Ours: it was raining.") == 1
    assert merged.text.replace("Ours: it was raining.", "").split() == NEW.split()
    assert merged.conflicts == ()


def test_where_both_changed_the_makers_words_stay_and_the_drafts_are_reported() -> None:
    merged = merge(LAST, LAST.replace("Version 1.1.", "Version 1.1, at last!"), NEW)
    assert "Version 1.1, at last!" in merged.text
    assert "- 24 MB" in merged.text
    assert merged.conflicts == ("Version 1.2.",)


def test_what_the_maker_took_out_stays_out() -> None:
    merged = merge(LAST, LAST.replace("A choir of slate.\n\n", ""), NEW)
    assert "A choir of slate." not in merged.text
    assert "Version 1.2." in merged.text


def test_a_list_grows_above_the_makers_paragraph() -> None:
    mine = LAST.replace("- 20 MB\n", "- 20 MB\n\nOurs.\n")
    merged = merge(LAST, mine, LAST.replace("- 20 MB\n", "- 20 MB\n- A quiet room\n"))
    assert "- 20 MB\n- A quiet room\n\nOurs.\n" in merged.text


def test_without_a_base_the_makers_readme_is_kept_whole() -> None:
    mine = "# Slate Choir\n\nWe went down to the quay.\n\n## Thanks\n\nTo the tide.\n"
    merged = merge(None, mine, NEW)
    assert is_in_order([part for part in mine.split("\n") if part], merged.text.split("\n"))
    assert is_in_order([part for part in NEW.split("\n") if part], merged.text.split("\n"))
    assert merged.text.count("# Slate Choir\n") == 1


def test_without_a_base_an_older_draft_is_recognised_by_its_numbers_alone() -> None:
    merged = merge(None, LAST.replace("Write.", "Write.\n\nOurs."), NEW)
    assert merged.text == NEW.replace("Write.\n", "Write.\n\nOurs.\n")
    assert set(merged.replaced) == {"Version 1.1.", "- 20 MB"}


def test_windows_line_ends_are_no_difference() -> None:
    assert merge(LAST, LAST.replace("\n", "\r\n"), NEW).text == NEW


@settings(max_examples=300, deadline=None)
@given(base=st.one_of(st.none(), a_text), mine=a_text, new=a_text)
@example(base="alpha", mine="beta", new="gamma")
@example(base="", mine="alpha\n\nbeta", new="- one")
def test_no_line_of_the_makers_is_ever_lost(base: str | None, mine: str, new: str) -> None:
    merged = merge(base, mine, new)
    replaced = {part for unit in merged.replaced for part in unit.split("\n")}
    generated = set((base or "").split("\n")) | replaced
    own = [part for part in mine.split("\n") if part.strip() and part not in generated]
    assert is_in_order(own, merged.text.split("\n"))


@settings(max_examples=200, deadline=None)
@given(base=a_text, mine=a_text)
def test_a_draft_that_did_not_change_changes_nothing(base: str, mine: str) -> None:
    if mine.strip():
        assert merge(base, mine, base).text == mine


@settings(max_examples=100, deadline=None)
@given(mine=a_text, new=a_text)
def test_merging_without_a_base_twice_adds_nothing_new(mine: str, new: str) -> None:
    once = merge(None, mine, new).text
    assert merge(new, once, new).text == once or not once.strip()


@given(a_text)
def test_units_are_the_text(text: str) -> None:
    assert "\n".join(units(text)) == text


def test_a_wrapped_paragraph_is_one_unit(story: Story) -> None:
    old = draft("readme", "txt", msgspec.structs.replace(story, version="1.1"))
    mine = old.replace("Best played slowly.", "Best played slowly, says R.")
    new = draft("readme", "txt", story)
    merged = merge(old, mine, new)
    assert merged.text == new.replace("Best played slowly.", "Best played slowly, says R.")


def test_what_the_draft_adds_beside_the_makers_words_is_added() -> None:
    """The maker's bullet is the last of its list; the draft lists one more: nothing of this clashes."""
    last, new = "- Struck\n\nNeeds it.", "- Hummed\n- Struck\n- Brushed\n\nNeeds it."
    merged = merge(last, "- Struck with a hammer\n\nNeeds it.", new)
    assert merged.text == "- Hummed\n- Struck with a hammer\n- Brushed\n\nNeeds it."
    assert not merged.conflicts
    assert not merged.clashes
