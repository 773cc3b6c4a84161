"""What the public is told of away tests: what passed, what failed, and where nobody has tried."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from companion.core.evidence import AwayTest
from companion.workshop import Workshop

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.2"
[engine]
name = "Example Engine"
saved_with = "7.1.2"
minimum = "7.1.2"
systems = ["windows", "macos"]
"""


@pytest.fixture
def shop(tmp_path: Path) -> Workshop:
    (tmp_path / "release.toml").write_text(FACTS, encoding="utf-8")
    (tmp_path / "Slate.eeng").write_bytes(b"patch")
    return Workshop.open(tmp_path)


def tried(shop: Workshop, **more: Any) -> str:
    given = {"kind": "another computer", "result": "pass", "system": "macOS 15", "engine_version": "7.1.2"}
    shop.record_away(AwayTest(**{**given, "played": "all keys", **more}))
    return shop.draft("page").text


def test_a_failed_test_is_told_as_failed_and_never_as_not_tested_yet(shop: Workshop) -> None:
    text = tried(shop, result="fail", notes="silence")
    assert "\n- A test on macOS 15 with Example Engine 7.1.2 on another computer did not pass.\n" in text
    assert "Not tested yet on Windows." in text
    assert "Tested on" not in text
    assert "Not tested away" not in text


def test_a_pass_that_reached_the_originals_is_no_pass(shop: Workshop) -> None:
    text = tried(shop, reached_originals=True)
    assert "Tested on" not in text
    assert "did not pass" in text


def test_a_test_that_passed_later_is_told_beside_the_one_that_failed(shop: Workshop) -> None:
    tried(shop, result="fail")
    text = tried(shop, system="macOS 14", who="Ada")
    assert "A test on macOS 15 with" in text
    assert "Tested on macOS 14 with Example Engine 7.1.2 on another computer." in text


def test_originals_hidden_is_told_as_the_makers_own_computer(shop: Workshop) -> None:
    text = tried(shop, kind="originals hidden", system="Windows 11")
    place = "on the maker’s own computer, with the original samples hidden"
    assert f"or newer (tested with 7.1.2 {place})." in text
    assert "Not tested away from the maker's own computer yet." in text
    assert "away from the maker’s computer" not in text


@pytest.mark.parametrize(
    ("kind", "because"),
    [
        ("another computer", "tested with 7.1.2 on another computer"),
        ("another player", "tested with 7.1.2 by another player"),
        ("a piece of music", "the version the patch was saved with"),
    ],
)
def test_the_minimum_rests_on_the_kind_of_test_that_was_made(shop: Workshop, kind: str, because: str) -> None:
    assert f"or newer ({because})." in tried(shop, kind=kind)


def test_a_test_on_a_system_that_nobody_knows_was_made_all_the_same(shop: Workshop) -> None:
    text = tried(shop, system="a borrowed one")
    assert "\n- Tested on a borrowed one with Example Engine 7.1.2 on another computer.\n" in text
    assert "Not tested away" not in text


def test_a_test_below_the_minimum_is_told_as_what_it_was(shop: Workshop) -> None:
    given = AwayTest(kind="another computer", result="pass", system="macOS 13", engine_version="7.1.2", played="all")
    shop.record_away(given)
    facts = shop.folder / "release.toml"
    facts.write_text(FACTS.replace("7.1.2", "7.3"), encoding="utf-8")
    text = Workshop.open(shop.folder).draft("page").text
    assert "On macOS 13 it was opened with Example Engine 7.1.2, which is older than it needs." in text
    assert "Not tested yet on Windows." in text
    assert "nobody has tried" not in text


def test_nobody_has_tried_an_older_one_only_where_nobody_has(shop: Workshop) -> None:
    facts = shop.folder / "release.toml"
    facts.write_text(FACTS.replace('minimum = "7.1.2"', 'minimum = "6.0"'), encoding="utf-8")
    shop = Workshop.open(shop.folder)
    assert "nobody has tried an older one" in shop.draft("page").text
    text = tried(shop, result="fail", engine_version="6.5")
    assert "The patch was saved with 7.1.2." in text
    assert "nobody has tried" not in text


def test_a_system_that_another_version_was_tested_on_is_told_with_what_came_of_it(shop: Workshop) -> None:
    given: dict[str, Any] = {"kind": "another computer", "engine_version": "7.1.2", "played": "all"}
    shop.record_away(AwayTest(**given, result="fail", system="macOS 15", at="2026-01-02T10:00:00Z"))
    shop.record_away(AwayTest(**given, result="pass", system="Windows 10", at="2026-01-02T11:00:00Z"))
    shop.record_away(AwayTest(**given, result="pass", system="FreeBSD 14", at="2026-01-02T12:00:00Z"))
    (shop.folder / "Slate.eeng").write_bytes(b"another patch")
    text = Workshop.open(shop.folder).draft("page").text
    assert (
        "\n- Not tested yet in this version on macOS. Another version did not pass a test on macOS 15 with "
        "Example Engine 7.1.2 on another computer.\n" in text
    )
    assert "on Windows. Another version passed a test on Windows 10 with Example Engine 7.1.2 on" in text
    assert "Not tested yet on" not in text
    assert "FreeBSD" not in text, "the facts name no such system"
    shop = Workshop.open(shop.folder)
    shop.record_away(AwayTest(**given, result="pass", system="macOS 14"))
    text = Workshop.open(shop.folder).draft("page").text
    assert "Tested on macOS 14" in text
    assert "macOS 15" not in text, "this version is tested there"
