"""What was drafted and what is the maker's, through every version: conflicts are told until they are settled."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.workshop import Workshop

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
contact = "hello@quay-room.example"
[engine]
name = "Example Engine"
"""
LAYER = '[[layers]]\nname = "{0}"\nround_robins = {1}\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    state(tmp_path)
    (tmp_path / "Slate.eeng").write_bytes(b"patch")
    return tmp_path


def state(folder: Path, version: str = "1.0", robins: int = 2, *more: str) -> None:
    layers = LAYER.format("Struck", robins) + "".join(LAYER.format(name, 2) for name in more)
    (folder / "release.toml").write_text(FACTS.replace('"1.0"', f'"{version}"') + layers, encoding="utf-8")


def write(folder: Path, what: str = "readme") -> tuple[str, ...]:
    return Workshop.open(folder).write_draft(what, "md").conflicts  # type: ignore[arg-type]


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_a_bullet_that_went_stale_is_told_at_every_draft_until_it_is_changed(folder: Path) -> None:
    readme = folder / "README.md"
    write(folder)
    edit(readme, "- Struck, 2 round robins", "- Struck with a hammer, 2 round robins")
    assert write(folder) == ()
    state(folder, "1.0", 3)
    for _ in range(3):
        assert write(folder) == ("- Struck, 3 round robins",)
    state(folder, "1.1", 3, "Brushed")
    assert write(folder) == ("- Struck, 3 round robins",)
    assert "- Brushed, 2 round robins" in readme.read_text("utf-8"), "what did not clash is drafted anew"
    edit(readme, "hammer, 2 round", "hammer, 3 round")
    assert write(folder) == ()
    assert "- Struck with a hammer, 3 round robins" in readme.read_text("utf-8")


def test_taking_the_drafts_words_settles_it(folder: Path) -> None:
    write(folder)
    edit(folder / "README.md", "- Struck, 2 round robins", "- Struck by hand")
    state(folder, "1.0", 3)
    assert write(folder) == ("- Struck, 3 round robins",)
    edit(folder / "README.md", "- Struck by hand", "- Struck, 3 round robins")
    assert write(folder) == ()


def test_a_draft_that_says_again_what_it_said_at_first_has_nothing_to_settle(folder: Path) -> None:
    write(folder)
    edit(folder / "README.md", "- Struck, 2 round robins", "- Struck by hand")
    state(folder, "1.0", 3)
    assert write(folder)
    state(folder, "1.0", 2)
    assert write(folder) == ()
    assert write(folder) == ()


def test_a_draft_that_goes_on_changing_is_told_as_it_is_now(folder: Path) -> None:
    write(folder)
    edit(folder / "README.md", "- Struck, 2 round robins", "- Struck by hand")
    for robins in (3, 4):
        state(folder, "1.0", robins)
        assert write(folder) == (f"- Struck, {robins} round robins",)
    assert write(folder) == ("- Struck, 4 round robins",)


def test_what_is_kept_of_it_and_does_not_read_stops_no_draft(folder: Path) -> None:
    write(folder)
    kept = folder / ".companion" / "drafts" / "README.md.unsettled.json"
    for text in ("{", '["x"]', "\udcff"):
        kept.write_text(text, encoding="utf-8", errors="surrogateescape")
        assert write(folder) == ()


def test_the_pages_edits_go_on_into_the_next_version(folder: Path) -> None:
    write(folder, "page")
    page = folder / "releases" / "Slate Choir 1.0 page.md"
    edit(page, "# Slate Choir\n", "# Slate Choir\n\nFor rainy evenings.\n")
    edit(page, "- Struck, 2 round robins", "- Struck by hand")
    state(folder, "1.1", 3)
    assert write(folder, "page") == ("- Struck, 3 round robins",)
    text = (folder / "releases" / "Slate Choir 1.1 page.md").read_text("utf-8")
    assert "For rainy evenings." in text
    assert "Version 1.1," in text
    assert "Version 1.0," not in text
    assert page.read_text("utf-8").count("Version 1.0,") == 1, "the old page stays as it was"
    state(folder, "1.2", 3)
    assert write(folder, "page") == ("- Struck, 3 round robins",)
    assert "For rainy evenings." in (folder / "releases" / "Slate Choir 1.2 page.md").read_text("utf-8")


def test_a_page_of_an_older_line_goes_on_from_its_own(folder: Path) -> None:
    for version, words in (("1.0", "First words."), ("1.1", "Second words.")):
        state(folder, version)
        write(folder, "page")
        edit(folder / "releases" / f"Slate Choir {version} page.md", "# Slate Choir\n", f"# Slate Choir\n\n{words}\n")
    state(folder, "1.0.1")
    write(folder, "page")
    text = (folder / "releases" / "Slate Choir 1.0.1 page.md").read_text("utf-8")
    assert "First words." in text
    assert "Second words." not in text
