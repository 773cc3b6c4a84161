"""What the public reads, held against other people's parsers: HTML, Markdown, changelogs and licence expressions.

The checker of the HTML standard's own makers needs Java, so its test is slow: ``npm install vnu-jar`` anywhere, then
``VNU_JAR=…/node_modules/vnu-jar/build/dist/vnu.jar pytest -m slow tests/outside/test_public_texts.py``.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any, Final

import html5lib
import keepachangelog
import msgspec
import pytest
from license_expression import get_spdx_licensing
from markdown_it import MarkdownIt

from companion.core.facts import Control
from companion.steps.checks.facts import licence_problem
from companion.words.changelog import merge_entry
from companion.words.drafts import What, draft
from companion.words.licences import licence_ids, licence_links
from companion.words.story import Change, LayerLine, Story, Tested

AWKWARD: Final = "Slate & <Choir> “石” [x](y) *a* _b_ C_3"
STORY: Final = Story(
    title=AWKWARD,
    version="1.2",
    maker="Quay Room",
    summary=AWKWARD,
    description=f"{AWKWARD}\n\nBest played slowly.",
    contact="https://schieferchor.example/über?a=1&b=2",
    credits=(AWKWARD,),
    tags=("slate", AWKWARD),
    licence="CC-BY-4.0 OR (MIT AND LicenseRef-Own)",
    licence_links=licence_links("CC-BY-4.0 OR (MIT AND LicenseRef-Own)"),
    licence_file="LICENCE.txt",
    rights=AWKWARD,
    install=(AWKWARD,),
    engine="Example Engine",
    edition="any",
    saved_with="7.1",
    minimum="7.0",
    minimum_because="tested with 7.0 by another player",
    systems_tested=(Tested(system="Windows 11", engine_version="7.0", by="another player"),),
    systems_failed=(Tested(system="macOS 15", engine_version="7.0", by="another computer"),),
    systems_hoped=("Linux",),
    tried_elsewhere=True,
    patches=("A_1.eeng", "B_2.eeng"),
    start_with="A_1.eeng",
    hear=(AWKWARD,),
    samples=213,
    seconds=755.0,
    voices=16,
    archive="Slate Choir 1.2.zip",
    archive_sha256="5e" * 32,
    download_bytes=800_000_000,
    unpacked_bytes=1_250_000_000,
    memory_bytes=1_100_000_000,
    layers=(LayerLine(name=AWKWARD, keys="C2 to C4", samples=96, round_robins=2),),
    middle_c="C3",
    controls=(Control(name=AWKWARD, effect=AWKWARD),),
    impulses=(AWKWARD,),
    changes=(
        Change(group="Added", text=f"{AWKWARD} added"),
        Change(group="Removed", text="Control Air removed", breaks=True),
    ),
    to_delete=("Samples/old_1.wav",),
    breaks=(AWKWARD,),
    known_problems=(AWKWARD,),
    released_at="2026-02-03",
    previous_version="1.1",
)
FIRST: Final = msgspec.structs.replace(
    STORY, previous_version="", changes=(), to_delete=(), breaks=(), hear=(), tags=()
)
STORIES: Final = {"whole": STORY, "first": FIRST, "empty": Story()}
DOCUMENTS: Final[tuple[What, ...]] = ("page", "readme")


@pytest.mark.parametrize("what", DOCUMENTS)
@pytest.mark.parametrize("story", STORIES.values(), ids=STORIES)
def test_a_page_parses_under_a_strict_parser_of_html(story: Story, what: What) -> None:
    document = html5lib.HTMLParser(strict=True).parse(draft(what, "html", story))
    text = " ".join("".join(document.itertext()).split())
    assert story.title in text


def test_the_strict_parser_sees_what_is_wrong() -> None:
    wrong = draft("page", "html", STORY).replace("</section>", "", 1)
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(wrong)


@pytest.mark.slow
@pytest.mark.parametrize("what", DOCUMENTS)
@pytest.mark.parametrize("story", STORIES.values(), ids=STORIES)
def test_a_page_passes_the_checker_of_the_html_standard(story: Story, what: What, tmp_path: Path) -> None:
    jar, java = os.environ.get("VNU_JAR", ""), shutil.which("java")
    if not jar or not java:
        pytest.skip("needs java, and VNU_JAR: see the top of this file")
    page = tmp_path / f"{what}.html"
    page.write_text(draft(what, "html", story), encoding="utf-8")
    command = [java, "-jar", jar, "--format", "text", str(page)]
    checked = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert (checked.returncode, checked.stderr.strip()) == (0, "Document checking completed. No errors found.") or (
        checked.returncode,
        checked.stderr.strip(),
    ) == (0, "")


def _shape(markdown: str) -> tuple[list[str], str]:
    """Return the kinds of blocks and inline marks of Markdown, in order, and its text."""
    kinds, texts = [], []
    for token in MarkdownIt("commonmark").enable(["table", "strikethrough"]).parse(markdown):
        kinds.append(token.type)
        for child in token.children or ():
            texts.append(child.content)
            if child.type not in ("text", "softbreak", "text_special"):
                kinds.append(child.type)
    return kinds, " ".join(texts)


@pytest.mark.parametrize("what", ["page", "readme", "changelog"])
@pytest.mark.parametrize("story", STORIES.values(), ids=STORIES)
def test_markdown_is_clean_of_all_but_headings_lists_paragraphs_and_links(story: Story, what: What) -> None:
    kinds, text = _shape(draft(what, "md", story))
    allowed = {"heading", "bullet_list", "ordered_list", "list_item", "paragraph", "link"}
    assert {kind.removesuffix("_open").removesuffix("_close") for kind in kinds} <= {*allowed, "inline"}
    if story.title and what != "changelog":
        assert AWKWARD in text, "the text is shown as it is"
    assert kinds.count("list_item_open") == len(re.findall(r"^(?:-|\d+\.) ", draft(what, "md", story), re.MULTILINE))


def test_the_changelog_parses_by_the_form_it_follows(tmp_path: Path) -> None:
    """Keep a Changelog 1.1.0, https://keepachangelog.com/en/1.1.0/."""
    first = msgspec.structs.replace(
        STORY, version="1.1.0", changes=(Change(group="Fixed", text="Fix the loop of E3"),), released_at="2025-01-02"
    )
    second = msgspec.structs.replace(STORY, version="1.2.0")
    standing = merge_entry("", draft("changelog", "md", first), "1.1.0").text
    standing = merge_entry(standing, draft("changelog", "md", second), "1.2.0").text
    (tmp_path / "CHANGELOG.md").write_text(standing, encoding="utf-8")
    found: dict[str, Any] = keepachangelog.to_dict(str(tmp_path / "CHANGELOG.md"))
    assert list(found) == ["1.2.0", "1.1.0"]
    assert found["1.2.0"]["metadata"]["release_date"] == "2026-02-03"
    assert found["1.1.0"]["fixed"] == ["Fix the loop of E3."]
    assert found["1.2.0"]["removed"] == [
        "Breaking: Control Air removed.",
        "Before an update archive is unzipped over 1.1, delete there: Samples/old_1.wav.",
    ]
    assert [group for group in found["1.2.0"] if group != "metadata"] == ["added", "removed"]
    assert set(keepachangelog.to_raw_dict(str(tmp_path / "CHANGELOG.md"))) == {"1.2.0", "1.1.0"}


SPDX: Final = get_spdx_licensing()


@pytest.mark.parametrize(
    "expression",
    ["CC-BY-4.0", "cc0-1.0", "MIT OR Apache-2.0", "GPL-3.0-or-later WITH Classpath-exception-2.0", "(MIT AND ISC)"],
)
def test_a_licence_expression_is_read_as_by_others(expression: str) -> None:
    assert licence_problem(expression) == ""
    theirs = SPDX.license_keys(SPDX.parse(expression))
    assert list(licence_ids(expression)) == list(theirs)
    assert [address for _, address in licence_links(expression)] == [
        f"https://spdx.org/licenses/{key}.html" for key in theirs
    ]


def test_every_licence_of_the_list_has_its_page_and_what_is_not_on_it_has_none() -> None:
    ours = 0
    for key, symbol in SPDX.known_symbols.items():
        if symbol.is_exception or key.startswith("LicenseRef-") or licence_problem(key):
            continue
        ours += 1
        assert licence_links(key) == ((key, f"https://spdx.org/licenses/{key}.html"),)
    assert ours > 500
    for wrong in ("Free", "CC BY 4.0", "MIT OR", "", "LicenseRef-Own"):
        assert licence_links(wrong) == ()
    assert licence_links("LicenseRef-Own", "https://quay-room.example/licence") == (
        ("LicenseRef-Own", "https://quay-room.example/licence"),
    )
