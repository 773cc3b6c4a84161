from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from companion.core.errors import CompanionError
from companion.core.facts import facts_from_toml
from companion.words.built import once_built
from companion.words.drafts import What, draft
from companion.words.plain import passages
from companion.words.safe import Fmt
from companion.words.story import Change, Story, Tested, missing_names, story_from_facts


def own(tmp_path: Path, text: str, name: str = "page.txt.jinja") -> Path:
    (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def article(html: str) -> str:
    """Return the part of a page that can be pasted into another."""
    found = re.search(r"<article>.*</article>", html, re.DOTALL)
    assert found
    return found.group()


def test_readme_leads_with_unzipping_and_keeping_the_folder_whole(story: Story) -> None:
    text = draft("readme", "txt", story)
    first_steps = text.index("1. Unzip")
    assert first_steps < text.index("2. Keep the folder whole") < text.index("3. Add the")
    assert "\n4. Open Slate Choir.patch in Example Engine.\n" in text
    assert first_steps < text.index("What you need") < text.index("What is inside")
    assert max(len(line) for line in text.split("\n")) <= 76


def test_the_three_formats_say_the_same(story: Story) -> None:
    texts = [
        [
            " ".join(p.text.rstrip(":").split())
            for p in passages(draft("page", fmt, story))
            if p.text != "Slate Choir 1.2"
        ]
        for fmt in ("md", "txt", "html")
    ]
    assert texts[1] == texts[0]
    assert texts[2] == texts[0]


@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_tested_on_names_the_away_tests_and_nothing_else(story: Story, fmt: Fmt) -> None:
    text = draft("page", fmt, story)
    assert re.findall(r"Tested on [^.]*\.0", text.replace("\n  ", " ")) == [
        "Tested on Windows 11 with Example Engine 7.0"
    ]
    assert "Not tested yet on Linux" in text
    untested = draft("page", fmt, msgspec.structs.replace(story, systems_tested=(), tried_elsewhere=False))
    assert "Tested on" not in untested
    assert "Not tested away from" in untested


@pytest.mark.parametrize(
    ("kind", "line"),
    [
        ("another player", "Tested on macOS by another player."),
        ("another computer", "Tested on macOS on another computer."),
        ("originals hidden", "Tested on macOS on the maker's own computer, with the original samples hidden."),
        ("a piece of music", "Tested on macOS."),
    ],
)
def test_a_test_is_described_as_what_it_was(story: Story, kind: str, line: str) -> None:
    tested = msgspec.structs.replace(story, systems_tested=(Tested(system="macos", by=kind),))
    assert f"\n- {line}\n" in draft("readme", "md", tested)


def test_what_nothing_backs_is_not_printed() -> None:
    bare = Story(
        title="Slate Choir",
        version="1.0",
        maker="Quay Room",
        summary="A choir of slate",
        contact="hello@quay-room.example",
        licence="CC0-1.0",
        engine="Example Engine",
        minimum="6.0",
        saved_with="7.1",
        released_at="2026-02-03",
    )
    for what in ("readme", "page"):
        text = draft(what, "md", bare)
        assert not re.search(r"None|sample\b|of memory|on disk|6\.0|Known problems|Thanks|round robin|missing", text)
        assert "saved with 7.1" in text
    assert draft("changelog", "md", bare) == "## [1.0] - 2026-02-03\n\nFirst release.\n"


def test_the_minimum_is_promised_with_its_reason(story: Story) -> None:
    text = draft("readme", "md", story)
    assert "\n- Example Engine 7.0 or newer, full edition (another player opened it in 7.0).\n" in text
    assert "saved with" not in text


def test_a_version_without_differences_says_so(story: Story) -> None:
    assert "No patch, sample, script or picture has changed since 1.1." in draft(
        "changelog", "md", msgspec.structs.replace(story, changes=())
    )


def test_missing_facts_are_marked_where_they_would_stand(story: Story) -> None:
    lacking = msgspec.structs.replace(
        story, contact="", rights="", missing=("instrument.contact", "rights", "engine.systems")
    )
    text = draft("readme", "md", lacking)
    assert "good news: ⟨missing: contact⟩" in text
    assert "⟨missing: rights⟩" in text
    assert "⟨missing: engine.systems⟩" in text
    assert missing_names(lacking) == ("contact", "rights", "engine.systems")


def test_the_changelog_entry_follows_keep_a_changelog(story: Story) -> None:
    """Keep a Changelog 1.1.0: ``## [version] - YYYY-MM-DD``, groups of the third level in its order."""
    mixed = msgspec.structs.replace(
        story,
        changes=tuple(Change(group=g, text=f"x {g}") for g in ("Security", "Fixed", "Added")),
        to_delete=(),
    )
    assert draft("changelog", "md", mixed) == (
        "## [1.2] - 2026-02-03\n\n### Added\n\n- x Added.\n\n### Fixed\n\n- x Fixed.\n\n### Security\n\n- x Security.\n"
    )


def test_html_is_one_self_contained_document(story: Story) -> None:
    page = draft("page", "html", story)
    assert page.startswith("<!DOCTYPE html>\n<html lang=")
    assert not re.search(r"<script|<link|<img|src=|@import|url\(|http:", page)


def test_a_template_of_the_makers_replaces_ours(story: Story, tmp_path: Path) -> None:
    folder = own(tmp_path, "{{ title }}, {{ samples | plural('sample') }}: {{ story.maker }}\n")
    assert draft("page", "txt", story, folder) == "Slate Choir, 213 samples: Quay Room\n"
    assert draft("page", "md", story, folder) == draft("page", "md", story)
    included = own(tmp_path, "Hello.\n\n{% include 'builtin/page.txt.jinja' %}")
    assert draft("page", "txt", story, included) == "Hello.\n\n" + draft("page", "txt", story)


def test_one_template_of_the_makers_serves_every_format(story: Story, tmp_path: Path) -> None:
    folder = own(
        tmp_path,
        "{% import writer as write %}{% call write.section(title) %}{{ write.paragraph(summary) }}\n{% endcall %}",
        "page.jinja",
    )
    hostile = msgspec.structs.replace(story, summary="*Slate* & <b>")
    assert draft("page", "md", hostile, folder) == "## Slate Choir\n\n\\*Slate\\* & \\<b>\n"
    assert draft("page", "txt", hostile, folder) == "Slate Choir\n-----------\n\n*Slate* & <b>\n"
    page = draft("page", "html", hostile, folder)
    assert page.startswith("<!DOCTYPE html>")
    assert "<main>\n<section>\n<h2>Slate Choir</h2>\n<p>*Slate* &amp; &lt;b&gt;</p>\n</section>\n" in page
    own(tmp_path, "Mine.", "page.md.jinja")
    assert draft("page", "md", hostile, folder) == "Mine.\n"
    assert draft("readme", "md", hostile, folder) == draft("readme", "md", hostile)


@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
@pytest.mark.parametrize("what", ["changelog", "readme", "page"])
def test_a_template_of_the_makers_can_hold_ours(story: Story, tmp_path: Path, what: What, fmt: Fmt) -> None:
    folder = own(tmp_path, f"{{% include 'builtin/{what}.{fmt}.jinja' %}}", f"{what}.{fmt}.jinja")
    assert draft(what, fmt, story, folder).strip() == draft(what, fmt, story).strip()
    if fmt == "html" and what != "changelog":
        folder = own(tmp_path, f"<b>{{% include 'builtin/{what}.fragment.html.jinja' %}}", f"{what}.html.jinja")
        assert draft(what, fmt, story, folder).strip() == "<b>" + article(draft(what, fmt, story))


def test_templates_made_of_earlier_ones_of_ours_still_serve(story: Story, tmp_path: Path) -> None:
    folder = own(
        tmp_path,
        '<body>{% set what = "page" %}\n{% include "_body.html.jinja" %}</body>',
        "page.html.jinja",
    )
    ours = article(draft("page", "html", story))
    assert draft("page", "html", story, folder) == f"<body>{ours}\n</body>\n"
    own(tmp_path, "<b>{{ title }}, {{ what }}</b>", "_body.html.jinja")
    assert draft("page", "html", story, folder) == "<body><b>Slate Choir, page</b></body>\n"
    assert "<b>Slate Choir, readme</b>" in draft("readme", "html", story, folder)
    assert draft("readme", "md", story, folder) == draft("readme", "md", story)


def test_a_shared_sentence_can_be_replaced_alone(story: Story, tmp_path: Path) -> None:
    ours = (Path(__file__).parents[2] / "companion/words/templates/sentences.jinja").read_text(encoding="utf-8")
    folder = own(
        tmp_path, ours.replace("Opened from inside", "Unzip it all, please; opened from inside"), "sentences.jinja"
    )
    for fmt in ("md", "html"):
        assert "Unzip it all, please" in draft("readme", fmt, story, folder)


@pytest.mark.parametrize(
    ("text", "message", "line"),
    [
        ("one\n{{ titel }}", "titel", 2),
        ("one\n\n{% if %}", "Expected", 3),
        ("{{ title }", "unexpected", 1),
        ("a\n{{ samples + title }}", "fails", 2),
        ("a\nb\n{{ 1 // 0 }}", "zero", 3),
        ("a\n{% include '../secret.txt' %}", "no template", 2),
        ("a\n{{ title.__class__.__mro__ }}", "unsafe", 2),
        ("a\n{{ title.format.__globals__ }}", "unsafe", 2),
        ("a\n{% for x in range(99999) %}{% for y in range(99999) %}{% endfor %}{% endfor %}", "too long", 2),
        ("a\n{% for x in range(9999999) %}{% endfor %}", "number", 2),
        ("a\n{{ range(-99999, 99999) | list }}", "too big", 2),
        ("a\n{% macro m() %}{{ m() }}{% endmacro %}{{ m() }}", "never stops", 2),
        ("a\n{% macro m(n) %}{% if n %}{{ m(n-1) }}{{ m(n-1) }}{% endif %}{% endmacro %}{{ m(60) }}", "too long", 2),
        ("a\n{% for x in layers recursive %}{{ loop(layers) }}{% endfor %}", "recursive", 2),
        ("a\n{{ 'x' * 999999999 }}", "numbers only", 2),
        ("a\n{{ 9 ** 9999999 }}", "power", 2),
        ("a\n{{ 1001 ** 16 }}", "power", 2),
        ("a\n{{ title.ljust(999999999) }}", "number", 2),
        ("a\n{{ title | safe }}", "safe", 2),
    ],
)
def test_a_template_that_fails_names_its_file_and_line(
    story: Story, tmp_path: Path, text: str, message: str, line: int
) -> None:
    with pytest.raises(CompanionError) as caught:
        draft("page", "txt", story, own(tmp_path, text))
    assert message in caught.value.what
    assert caught.value.where == f"{tmp_path / 'page.txt.jinja'}, line {line}" if line else caught.value.where


def test_a_template_may_reckon_with_what_a_page_could_need(story: Story, tmp_path: Path) -> None:
    text = "{{ 2000 * 17 }} {{ 2 ** 16 }} {{ 1000 ** 2 }} {{ 17 % 5 }} {% for x in range(3) %}{{ x }}{% endfor %}"
    assert draft("page", "txt", story, own(tmp_path, text)) == "34000 65536 1000000 2 012\n"


def test_a_draft_does_not_grow_without_bound(story: Story, tmp_path: Path) -> None:
    with pytest.raises(CompanionError, match="grows over"):
        draft("page", "txt", story, own(tmp_path, "{% for x in range(90000) %}" + "x" * 100 + "{% endfor %}"))


def test_a_template_that_is_no_text_or_lies_elsewhere_is_not_used(story: Story, tmp_path: Path) -> None:
    folder = tmp_path / "release-words"
    folder.mkdir()
    (folder / "page.txt.jinja").write_bytes(b"\xff\xfe")
    with pytest.raises(CompanionError, match="UTF-8"):
        draft("page", "txt", story, folder)
    (folder / "page.txt.jinja").write_bytes(b"x" * (300 << 10))
    with pytest.raises(CompanionError, match="over"):
        draft("page", "txt", story, folder)
    (folder / "page.txt.jinja").unlink()
    secret = tmp_path / "secret"
    secret.write_text("secret", encoding="utf-8")
    try:
        (folder / "page.txt.jinja").symlink_to(secret)
    except OSError:
        pytest.skip("this system makes no links here")
    assert draft("page", "txt", story, folder) == draft("page", "txt", story)


def test_a_template_cannot_unmake_safety(story: Story, tmp_path: Path) -> None:
    hostile = msgspec.structs.replace(story, title="<script>x</script>")
    folder = own(
        tmp_path,
        "{% autoescape false %}{{ title }}{{ title | upper }}{{ [title, title] | join('') }}{% endautoescape %}"
        "{% set t %}{{ title }}{% endset %}{{ t }}{% macro m(x) %}{{ x }}{% endmacro %}{{ m(title) }}",
        "page.html.jinja",
    )
    assert "<" not in draft("page", "html", hostile, folder)


def test_a_story_from_the_facts() -> None:
    facts = facts_from_toml(
        """
        [instrument]
        title = "Slate Choir"
        version = "1.2"
        [engine]
        name = "Example Engine"
        saved_with = "7.1"
        minimum = "7.1"
        systems = ["windows", "linux"]
        [naming]
        middle_c = "C3"
        [[layers]]
        name = "Slate low"
        low_key = 48
        high_key = 72
        [[layers]]
        name = "Slate all"
        [[controls]]
        name = "Mix"
        effect = "dry to wet"
        """
    )
    story = story_from_facts(facts, {"Slate low": 48}, samples=48, systems_tested=(Tested(system="Windows 11"),))
    assert story.minimum_because == "the version the patch was saved with"
    assert [(line.name, line.keys, line.samples) for line in story.layers] == [
        ("Slate low", "C2 to C4", 48),
        ("Slate all", "", None),
    ]
    assert story.systems_hoped == ("Linux",)
    assert (story.engine, story.samples, story.controls[0].effect) == ("Example Engine", 48, "dry to wet")
    assert missing_names(story) == ("maker", "summary", "contact", "licence")


@pytest.mark.parametrize("what", ["readme", "page"])
def test_how_to_update_is_said_outside_the_archive_and_not_before_there_is_one(story: Story, what: What) -> None:
    text = draft(what, "md", msgspec.structs.replace(story, to_delete=()))
    assert "Over 1.1 it can be unzipped as it is: nothing has to be deleted first." in text
    gone = tuple(f"Samples/gone {number}.wav" for number in range(10))
    told = draft(what, "md", msgspec.structs.replace(story, to_delete=("the folder Samples/Old", "Slate.eeng")))
    assert "over 1.1, delete there what is no longer part of it: the folder Samples/Old and Slate.eeng." in told
    assert "nothing has to be" not in told
    notes = draft("changelog", "md", msgspec.structs.replace(story, to_delete=("the folder Samples/Old", "Slate.eeng")))
    assert (
        "### Removed\n\n- Before an update archive is unzipped over 1.1, delete there: the folder Samples/Old and "
        "Slate.eeng.\n" in notes
    )
    assert "delete" not in draft("changelog", "md", msgspec.structs.replace(story, to_delete=()))
    many = draft(what, "md", msgspec.structs.replace(story, to_delete=gone))
    assert "Samples/gone 7.wav and 2 more." in many
    first = draft(what, "md", msgspec.structs.replace(story, previous_version=""))
    assert "earlier version" not in first
    assert "UPDATE" not in first


def test_note_names_come_with_the_middle_c_they_are_counted_from() -> None:
    facts = facts_from_toml('[naming]\nmiddle_c = "C4"\n[[layers]]\nname = "Struck"\nlow_key = 48\nhigh_key = 72\n')
    text = draft("page", "md", story_from_facts(facts))
    assert "- Struck, C3 to C5\n\nKeys are named so that middle C, MIDI note 60, is C4.\n" in text
    whole = facts_from_toml('[naming]\nmiddle_c = "C4"\n[[layers]]\nname = "Struck"\n')
    assert "middle C" not in draft("page", "md", story_from_facts(whole)), "no key is named"


@pytest.mark.parametrize(
    ("edition", "told"),
    [
        ("full", "or newer, full edition ("),
        ("any", "or newer, any edition ("),
        ("Maker's Edition", "Maker's Edition ("),
    ],
)
def test_an_edition_is_told_in_words(story: Story, edition: str, told: str) -> None:
    text = draft("page", "md", msgspec.structs.replace(story, edition=edition))
    assert told in text
    assert "edition edition" not in text.lower()


def test_the_language_of_a_page_is_that_of_its_templates(story: Story, tmp_path: Path) -> None:
    german = msgspec.structs.replace(story, lang="de")
    assert '<html lang="en">' in draft("page", "html", german), "ours are in English, whatever the facts say"
    own(tmp_path, "{% import writer as write %}{{ write.paragraph(summary) }}", "page.jinja")
    assert '<html lang="de">' in draft("page", "html", german, tmp_path)
    assert '<html lang="en">' in draft("page", "html", story, tmp_path)


def test_a_readme_names_no_size_or_checksum_of_the_archive_it_lies_in(story: Story) -> None:
    text = draft("readme", "md", story)
    assert "Slate Choir 1.2.zip" in text
    assert not re.search(r"800 MB|5e5e|SHA-256|once.built", text)


@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_no_mark_breaks_over_a_line(story: Story, fmt: Fmt) -> None:
    long = msgspec.structs.replace(
        story, archive=f"{'Slate ' * 9}1.2.zip", download_bytes=None, archive_sha256="", title="Slate " * 9
    )
    text = draft("page", fmt, long)
    assert once_built("size") in text
    assert once_built("checksum") in text
