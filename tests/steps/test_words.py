"""A draft written over what the maker wrote: nothing is replaced before a copy of it is kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.errors import CompanionError
from companion.core.files import write_safely
from companion.core.folder import Places
from companion.steps.looks.words import Draft, write
from companion.steps.model import State
from companion.workshop import Workshop

OURS = b"# Slate Choir\r\n\r\nWritten by hand, caf\xe9.\n"
FRESH = "# Slate Choir\n\nDrafted.\n"


def drafted(folder: Path) -> Draft:
    return Draft(what="readme", format="md", text=FRESH, target=folder / "README.md", base="Drafted.\n")


def test_what_stood_there_is_kept_byte_for_byte(tmp_path: Path) -> None:
    places = Places(tmp_path)
    (tmp_path / "README.md").write_bytes(OURS)
    write(places, drafted(tmp_path))
    assert (tmp_path / "README.md").read_text(encoding="utf-8") == FRESH
    assert (places.drafts / "README.md.before").read_bytes() == OURS
    assert (places.drafts / "README.md").read_text(encoding="utf-8") == "Drafted.\n"


def test_it_is_kept_before_it_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    places = Places(tmp_path)
    target = tmp_path / "README.md"
    target.write_bytes(OURS)

    def full_disk(path: Path, data: bytes, root: Path | None = None, ours: bool = False) -> None:
        if path == target:
            raise CompanionError("No room is left", str(path), "make room")
        write_safely(path, data, root=root, ours=ours)

    monkeypatch.setattr("companion.steps.looks.words.write_safely", full_disk)
    with pytest.raises(CompanionError, match="No room"):
        write(places, drafted(tmp_path))
    assert target.read_bytes() == OURS
    assert (places.drafts / "README.md.before").read_bytes() == OURS


def test_a_draft_that_stands_already_replaces_nothing_and_keeps_no_copy(tmp_path: Path) -> None:
    places = Places(tmp_path)
    for _ in range(2):
        write(places, drafted(tmp_path))
    assert not (places.drafts / "README.md.before").exists()


def test_evidence_that_names_a_rule_there_is_none_of_is_shown_as_such_and_tells_players_nothing(
    demo_folder: Path,
) -> None:
    paths = Workshop.open(demo_folder).check(["paths"]).step("paths")
    known = next(f for f in paths.findings if f.severity == "warns")
    for file in (demo_folder / ".companion" / "evidence" / "paths").iterdir():
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace(f'"rule": "{known.rule}"', '"rule": "rule-of-another-version"'), encoding="utf-8")
    shop = Workshop.open(demo_folder)
    paths = shop.status().step("paths")
    assert (paths.state, paths.findings) == (State.STALE, ())
    assert paths.because == "judged with rules this companion does not know (rule-of-another-version)"
    text = shop.draft("readme").text.replace("\\", "")
    assert known.why.rstrip(".") not in text
    assert "rule-of-another-version" not in text
    assert shop.check(["paths"]).step("paths").findings


def test_every_format_of_the_page_is_looked_at_and_a_change_of_any_makes_the_words_stale(demo_folder: Path) -> None:
    shop = Workshop.open(demo_folder)
    paths = [shop.write_draft("page", fmt).target for fmt in ("md", "html")]
    html = next(path for path in paths if path.suffix == ".html")
    html.write_text(html.read_text("utf-8").replace("</article>", "<p>TODO</p></article>"), encoding="utf-8")
    assert Workshop.open(demo_folder).status().step("words").state is State.STALE
    findings = Workshop.open(demo_folder).check(["words"]).step("words").findings
    assert f"releases/{html.name}" in {one.path for one in findings if one.rule == "placeholder-left"}


def test_the_state_says_what_was_compared_and_where_only_values_were(tmp_path: Path) -> None:
    facts = '[instrument]\ntitle = "Slate"\nversion = "1.0"\nmaker = "Quay Room"\n'
    (tmp_path / "release.toml").write_text(facts, encoding="utf-8")
    german = "Schiefer, geschlagen und gestrichen, und das Ganze mit dem Pedal und ohne die Hand zu bewegen.\n"
    (tmp_path / "LIESMICH.txt").write_text(german, encoding="utf-8")
    found = Workshop.open(tmp_path).check(["words"])
    evidence = Workshop.open(tmp_path).desk().found("words")
    assert found.step("words").findings
    assert evidence
    assert evidence.details["because"] == (
        "compared with facts and evidence in 1 text and 1 page: maker, title, version and tests claimed; "
        "not in English, so that only values were compared: LIESMICH.txt; nothing denied by them"
    )
    assert evidence.details["compared"] == {"LIESMICH.txt": [], "": ["maker", "title", "version"]}


def test_after_a_restore_a_text_is_known_by_the_draft_it_was_made_of(tmp_path: Path) -> None:
    facts = '[instrument]\ntitle = "Slate"\nversion = "{}"\nmaker = "Quay Room"\nsummary = "{}"\n'
    readme = tmp_path / "README.md"
    kept = {}
    for version, summary in (("1.0", "Struck slate."), ("1.1", "Struck and brushed slate.")):
        (tmp_path / "release.toml").write_text(facts.format(version, summary), encoding="utf-8")
        Workshop.open(tmp_path).write_draft("readme")
        if version == "1.0":
            readme.write_text(readme.read_text("utf-8") + "\nFor Ada.\n", encoding="utf-8")
        kept[version] = readme.read_text("utf-8")
    readme.write_text(kept["1.0"], encoding="utf-8")
    (tmp_path / "release.toml").write_text(facts.format("1.0.1", "Slate, struck."), encoding="utf-8")
    drafted = Workshop.open(tmp_path).draft("readme")
    assert drafted.conflicts == ()
    assert "Version 1.0.1" in drafted.text
    assert "Slate, struck." in drafted.text
    assert drafted.text.endswith("For Ada.\n")
    (Places(tmp_path).drafts / "README.md.older.json").write_text("{not json", encoding="utf-8")
    assert "For Ada." in Workshop.open(tmp_path).draft("readme").text
