"""Pre-releases, finals and fixes of an older line: each drafted, checked, packed and released, the tool of one mind."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.words.changelog import parse_entry

Companion = Callable[..., Any]


def raised(folder: Path, version: str, text: str) -> None:
    """Give the folder another version, and a change that a player meets."""
    facts = folder / "release.toml"
    facts.write_text(re.sub(r'(?m)^version = ".*"$', f'version = "{version}"', facts.read_text("utf-8")), "utf-8")
    (folder / "Thanks.txt").write_text(text, encoding="utf-8")


def released(companion: Companion, folder: Path) -> str:
    """Release what is there; return its entry in the changelog."""
    companion(
        *("away", folder, "--kind", "another player", "--result", "pass", "--who", "Ada", "--engine-version", "7.1"),
        *("--system", "Windows 11", "--played", "all keys"),
    )
    for text in ("changelog", "readme", "page"):
        done = companion("draft", folder, text, "--write")
        assert done.code == 0, done
    checked = companion("check", folder, "words", "facts", "--json")
    assert [one for one in checked.json["findings"] if one["severity"] == "blocks"] == []
    assert companion("check", folder).code == 0
    packed = companion("pack", folder, "--json")
    assert not packed.json["archive"]["candidate"], packed
    assert companion("release", folder).code == 0
    version = re.search(r'(?m)^version = "(.*)"$', (folder / "release.toml").read_text("utf-8"))
    assert version
    entry = parse_entry((folder / "CHANGELOG.md").read_text("utf-8"), version[1])
    assert entry
    return entry.body


@pytest.mark.parametrize("preview", ["1.1.0b1", "1.1.0rc1", "1.1.0-beta.1"])
def test_a_preview_is_released_and_its_final_says_all_since_the_last_final(
    companion: Companion, instrument: Path, preview: str
) -> None:
    assert "First release." in released(companion, instrument)
    (instrument / "Reading.txt").write_text("One.\n", encoding="utf-8")
    raised(instrument, preview, "To the quarry.\n")
    assert "2 documents added: Reading.txt and Thanks.txt" in released(companion, instrument)
    raised(instrument, "1.1.0", "To the quarry, and to R.\n")
    assert "2 documents added: Reading.txt and Thanks.txt" in released(companion, instrument)


def test_a_fix_of_an_older_line_is_compared_with_its_own_base(companion: Companion, instrument: Path) -> None:
    released(companion, instrument)
    (instrument / "Reading.txt").write_text("One.\n", encoding="utf-8")
    raised(instrument, "1.1.0", "To the quarry.\n")
    companion("snapshot", instrument, "-m", "Fix a loop of the new layer")
    assert "Fix a loop of the new layer." in released(companion, instrument)
    (instrument / "Reading.txt").unlink()
    raised(instrument, "1.0.1", "To nobody.\n")
    companion("snapshot", instrument, "-m", "Fix a click of the first one")
    body = released(companion, instrument)
    assert "1 document added: Thanks.txt" in body
    assert "Fix a click of the first one." in body
    assert "Reading" not in body
    assert "loop" not in body
    raised(instrument, "1.2.0", "To everyone.\n")
    body = released(companion, instrument)
    assert "click" not in body, "that was the other line's"
    assert "1 document removed: Reading.txt" in body


def test_a_preview_after_its_final_and_a_version_below_all_are_refused(companion: Companion, instrument: Path) -> None:
    raised(instrument, "1.1.0", "To the quarry.\n")
    released(companion, instrument)
    for version in ("1.1.0rc2", "1.0.5", "1.1.0"):
        raised(instrument, version, "Once more.\n")
        found = companion("check", instrument, "facts", "--json").json["findings"]
        assert [one["rule"] for one in found if one["severity"] == "blocks"] == ["version-not-raised"], version


def test_a_first_final_says_that_previews_came_before_it(companion: Companion, instrument: Path) -> None:
    raised(instrument, "1.0.0b1", "To the quarry.\n")
    assert "First release." in released(companion, instrument)
    raised(instrument, "1.0.0", "To the quarry, and to R.\n")
    assert "First final release, after 1.0.0b1." in released(companion, instrument)


def test_a_first_release_is_drafted_as_such_once_it_is_on_record(companion: Companion, instrument: Path) -> None:
    raised(instrument, "1.0.0", "To the quarry.\n")
    assert "First release." in released(companion, instrument)
    drafted = companion("draft", instrument, "changelog").out
    assert "First release." in drafted
    assert "after 1.0.0" not in drafted


def test_words_says_which_facts_it_compared_in_which_text(companion: Companion, instrument: Path) -> None:
    companion("draft", instrument, "readme", "--write")
    told = companion("check", instrument, "words").out
    assert "    compared in README.md: " in told
    assert "    compared in the download page: " in told
    steps = companion("check", instrument, "--json").json["steps"]
    compared = {step["id"]: step["compared"] for step in steps}
    assert {"title", "version", "maker"} <= set(compared["words"]["README.md"])
    assert compared["paths"] == {}
