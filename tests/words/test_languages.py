"""Texts in other languages, and texts in HTML: facts in them are compared as values, and no English word is missed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import msgspec
import pytest

from companion.core.findings import Finding
from companion.words.changelog import read_entry
from companion.words.drafts import What, draft
from companion.words.language import in_english
from companion.words.model import WordsModel
from companion.words.plain import passages
from companion.words.rules import RULES
from companion.words.safe import Fmt
from companion.words.story import Story

Look = Callable[..., list[Finding]]

GERMAN: Final = """# Slate Choir 1.2

Platten aus Schiefer, geschlagen, gestrichen und gesummt. Aufgenommen in einem Bootshaus über zwei Winter.

Zuerst das ganze Archiv entpacken und den Ordner nicht verändern. Man braucht Example Engine 7.0 oder neuer.

Die Lizenz steht in LICENCE.txt. Fragen und Fehler bitte an hello@quay-room.example.
"""
FRENCH: Final = """Slate Choir

Des plaques d'ardoise, frappées et frottées. Il faut décompresser toute l'archive avant de jouer, et garder le dossier
comme il est. Elle demande Example Engine 7.0. La licence est dans LICENCE.txt. Écrire à hello@quay-room.example.
"""


def of(rule: str, findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.rule == rule]


@pytest.mark.parametrize("text", [GERMAN, FRENCH])
def test_a_readme_in_another_language_is_not_told_that_everything_is_missing(
    story: Story, found: Look, text: str
) -> None:
    assert found(story, readme=text) == []


@pytest.mark.parametrize(
    ("old", "new", "missing"),
    [
        ("hello@quay-room.example", "uns", "contact"),
        ("LICENCE.txt", "der Datei", "licence"),
        ("Example Engine 7.0 oder neuer", "einen Sampler", "needs"),
    ],
)
def test_a_value_that_it_lacks_is_missed_in_any_language(
    story: Story, found: Look, old: str, new: str, missing: str
) -> None:
    (finding,) = of("readme-missing-part", found(story, readme=GERMAN.replace(old, new)))
    assert finding.value == missing


def test_a_wrong_version_of_itself_or_of_the_engine_is_found_in_any_language(story: Story, found: Look) -> None:
    (finding,) = of("words-disagree", found(story, readme=GERMAN.replace("Choir 1.2", "Choir 1.1")))
    assert finding.value == "Slate Choir 1.1"
    (finding,) = of("words-disagree", found(story, readme=GERMAN.replace("Engine 7.0", "Engine 6.5")))
    assert finding.value == "Example Engine 6.5"
    both = GERMAN.replace("Engine 7.0 oder", "Engine 7.0 (gespeichert mit Example Engine 7.1) oder")
    assert of("words-disagree", found(story, readme=both)) == []


def test_a_readme_beside_it_in_english_is_the_one_that_is_held_to_its_parts(story: Story, found: Look) -> None:
    assert found(story, more={"README.de.md": "# Slate Choir\n\nEntpacken.\n"}) == []
    only = WordsModel(texts={"LIESMICH.txt": GERMAN}, story=story)
    assert [one.value for rule in RULES for one in rule(only) if one.rule == "readme-missing-part"] == []
    assert only.other_languages == ("LIESMICH.txt",)


def test_a_changelog_in_another_language_is_asked_for_names_not_for_english_words(story: Story, found: Look) -> None:
    entry = (
        "# Änderungen\n\n## [1.2] - 2026-02-03\n\n- Es gibt jetzt tiefere Aufnahmen und die Schleife ist besser als "
        "vorher, auch mit dem Pedal.\n"
    )
    assert of("changelog-misses-change", found(story, changelog=entry)) == []
    fact = story.changes[0]
    named = msgspec.structs.replace(fact, text="Control Air: rests at 0", about=("Air",), paths=(), noun="")
    with_fact = msgspec.structs.replace(story, changes=(named,))
    assert of("changelog-misses-change", found(with_fact, changelog=entry))
    assert of("changelog-misses-change", found(with_fact, changelog=entry.replace("Pedal", "Regler Air"))) == []


@pytest.mark.parametrize(
    ("text", "path", "english"),
    [
        (GERMAN, "README.md", False),
        (FRENCH, "", False),
        ("Slate Choir\n\nUnzip it.\n", "README.md", True),
        ("Slate Choir\n\nEntpacken.\n", "README.de.md", False),
        ('<html lang="fr"><p>Ardoise.</p></html>', "README.html", False),
        ('<html lang="en-GB"><p>Slate.</p></html>', "README.html", True),
        ("- Slate low, C2 to C4, 96 samples\n- Mix: dry, wet\n- hall, 2.3 s, long and very cold\n", "Layers.txt", True),
        (
            "石板の合唱。石板を叩き、擦り、口ずさみます。" * 3 + "\n" + "最初に 全部を 解凍 して ください。" * 4,
            "",
            False,
        ),
    ],
)
def test_the_language_is_told_by_words_and_by_what_a_text_says_of_itself(text: str, path: str, english: bool) -> None:
    assert in_english(passages(text, path), text, path) is english


@pytest.mark.parametrize("what", ["readme", "page"])
@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_whatever_a_text_is_called_english_is_read_as_english(story: Story, what: What, fmt: Fmt) -> None:
    text = draft(what, fmt, story)
    assert in_english(passages(text, f"x.{fmt}"), text, f"README.de.{fmt}")


def test_every_format_of_the_page_is_judged(story: Story) -> None:
    formats: tuple[Fmt, ...] = ("md", "html", "txt")
    pages = {f"releases/page.{fmt}": draft("page", fmt, story) for fmt in formats}
    good = WordsModel(texts={}, story=story, pages=pages)
    for path, text in pages.items():
        wrong = msgspec.structs.replace(good, pages={**pages, path: text.replace("213 samples", "99 samples")})
        findings = [one for rule in RULES for one in rule(wrong) if one.rule == "words-disagree"]
        assert [(one.path, one.value) for one in findings] == [(path, "99 samples")]
    assert not [one for rule in RULES for one in rule(good) if one.rule == "words-disagree"]


def test_a_changelog_in_html_is_read_by_its_headings(story: Story) -> None:
    older = "<section><h2>1.1, <time>2025-01-01</time></h2><ul><li>Slate Choir contains 99 samples</li></ul></section>"
    text = f"<h1>Changelog</h1>\n{draft('changelog', 'html', story)}{older}"
    entry = read_entry(text, "1.2", "CHANGELOG.html")
    assert entry
    assert [one.text for one in entry.passages if one.item] == [
        "48 samples added: Slate low.",
        "Before an update archive is unzipped over 1.1, delete there: Samples/old.wav.",
        "Fix the loop seam of Slate high.",
    ]
    model = WordsModel(texts={"CHANGELOG.html": text}, story=story)
    assert [one.rule for rule in RULES for one in rule(model)] == ["readme-missing-part"]
    assert read_entry(text, "9.9", "CHANGELOG.html") is None
