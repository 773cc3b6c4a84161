"""A place in a text is told by its line, and was told by its byte: a waiver given by either is found by both."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.steps.waivers import exact_place_of
from companion.workshop import Workshop

RULE, PATCH = "reference-missing", "Slate.txt"
FACTS = f'[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n[contents]\npatches = ["{PATCH}"]\n'
TEXT = (
    'file "Samples/wind.wav" file "Samples/rain.wav"\n'
    + "#" * 1_000
    + '\nfile "Samples/snow.wav"\nfile "Samples/here.wav"\n'
)
WIND, RAIN, SNOW = (f"byte {TEXT.index(f'Samples/{name}'):,}" for name in ("wind", "rain", "snow"))


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    (tmp_path / "release.toml").write_text(FACTS, encoding="utf-8")
    (tmp_path / PATCH).write_text(TEXT, encoding="utf-8", newline="")
    (tmp_path / "Samples").mkdir()
    (tmp_path / "Samples" / "here.wav").write_bytes(b"RIFF")
    shop = Workshop.open(tmp_path)
    shop.check(("contents",))
    return shop


def missing(shop: Workshop) -> dict[str, Finding]:
    """What is missing, by the name of the file."""
    found = shop.status().step("contents").findings
    return {Path(str(one.value)).stem: one for one in found if one.rule == RULE}


def waived(shop: Workshop) -> set[str]:
    return {name for name, one in missing(shop).items() if one.waived}


def changed(shop: Workshop, lapsed: str) -> None:
    """Change the patch behind all that was found, so that a waiver lapses."""
    (shop.folder / PATCH).write_text(TEXT + "#\n", encoding="utf-8", newline="")
    shop.check(("contents",))
    assert [name for name, one in missing(shop).items() if one.lapsed] == [lapsed]


def test_the_places_are_as_they_are_told_here(shop: Workshop) -> None:
    found = missing(shop)
    assert [found[name].where for name in ("wind", "rain", "snow")] == ["line 1", "line 1", "line 3"]
    assert [exact_place_of(found[name]) for name in ("wind", "rain", "snow")] == [WIND, RAIN, SNOW]
    assert SNOW == "byte 1,055"


@pytest.mark.parametrize("given", ["line 3", SNOW, "byte 1055"])
@pytest.mark.parametrize("back", ["line 3", SNOW, "byte 1055"])
def test_what_is_given_by_either_is_taken_back_by_either(shop: Workshop, given: str, back: str) -> None:
    shop.waive(RULE, PATCH, "an extra", given)
    assert waived(shop) == {"snow"}
    for elsewhere in ("line 1", "line 2", "byte 1,054", WIND):
        with pytest.raises(CompanionError, match="There is no waiver"):
            shop.unwaive(RULE, PATCH, elsewhere)
    shop.unwaive(RULE, PATCH, back)
    assert shop.facts.waivers == ()


def test_two_in_one_line_are_told_apart_by_their_bytes(shop: Workshop) -> None:
    shop.waive(RULE, PATCH, "windless", WIND)
    assert waived(shop) == {"wind"}
    shop.waive(RULE, PATCH, "dry", RAIN)
    shop.unwaive(RULE, PATCH, exact_place_of(missing(shop)["wind"]))
    assert waived(shop) == {"rain"}
    shop.waive(RULE, PATCH, "windless", WIND)
    shop.unwaive(RULE, PATCH, "line 1")
    assert shop.facts.waivers == (), "a line is all that stands in it"


def test_one_of_a_line_that_was_given_whole_takes_the_line_back(shop: Workshop) -> None:
    shop.waive(RULE, PATCH, "weather", "line 1")
    assert waived(shop) == {"wind", "rain"}
    shop.unwaive(RULE, PATCH, RAIN)
    assert shop.facts.waivers == ()


def test_that_of_the_whole_file_is_found_where_no_place_of_its_own_is(shop: Workshop) -> None:
    shop.waive(RULE, PATCH, "weather")
    shop.waive(RULE, PATCH, "an extra", SNOW)
    shop.unwaive(RULE, PATCH, "line 3")
    assert [one.where for one in shop.facts.waivers] == [""]
    shop.unwaive(RULE, PATCH, "line 3")
    assert shop.facts.waivers == ()


@pytest.mark.parametrize("given", ["line 3", SNOW])
@pytest.mark.parametrize("again", ["line 3", SNOW])
def test_a_lapsed_one_is_given_again_by_either(shop: Workshop, given: str, again: str) -> None:
    shop.waive(RULE, PATCH, "an extra", given)
    changed(shop, "snow")
    assert shop.renew(RULE, PATCH, again) == "an extra"
    assert waived(shop) == {"snow"}
    assert [one.where for one in shop.facts.waivers] == [given]
    with pytest.raises(CompanionError, match="There is no waiver"):
        shop.renew(RULE, PATCH, "line 1")


def test_a_new_one_takes_the_place_of_a_lapsed_one_and_of_none_beside_it(shop: Workshop) -> None:
    shop.waive(RULE, PATCH, "windless", WIND)
    shop.waive(RULE, PATCH, "an extra", SNOW)
    shop.waive(RULE, PATCH, "another", "line 3")
    assert [(one.where, one.reason) for one in shop.facts.waivers] == [(WIND, "windless"), ("line 3", "another")]
    shop.waive(RULE, PATCH, "weather", "line 1")
    assert [(one.where, one.reason) for one in shop.facts.waivers] == [("line 3", "another"), ("line 1", "weather")]
    shop.waive(RULE, PATCH, "dry", RAIN)
    assert [one.reason for one in shop.facts.waivers] == ["another", "weather", "dry"], "the line holds more than it"
    shop.waive(RULE, PATCH, "all of it")
    assert len(shop.facts.waivers) == 4, "of the whole file is another place"
