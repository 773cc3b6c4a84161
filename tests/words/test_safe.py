"""Text from elsewhere stays text: awkward inputs 15 (ESC, OSC), 16 (app markup), 17 (bidi) and 23 (script in notes)."""

from __future__ import annotations

import unicodedata
from html.parser import HTMLParser
from typing import Any

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from companion.core.facts import Control
from companion.core.text import visible
from companion.words.drafts import draft
from companion.words.safe import Fmt, address, for_md, link, one_line
from companion.words.story import Change, LayerLine, Story, Tested

HOSTILE = [
    "<script>alert(1)</script>",
    "</title><script>x</script>",
    '"><img src=x onerror=alert(1)>',
    "<!-- --><b>",
    "&lt;script&gt;",
    "[x](javascript:alert(1))",
    "![x](https://elsewhere.example/p.png)",
    "<https://elsewhere.example>",
    "`code` **bold** _em_ ~~gone~~",
    "# heading",
    "- item",
    "1. item",
    "    code",
    "> quote",
    "```",
    "| a | b |",
    "===",
    "---",
    "\x1b[31mred\x1b]8;;https://elsewhere.example\x07x",
    "[@click=app.quit]x[/]",
    "gpj.\u202eexe",
    "\udcff\x85\u2028",
    "{{ 7 * 7 }}{% raw %}",
    "a\n\n<script>\n\n# b",
]
text = st.one_of(
    st.sampled_from(HOSTILE), st.text(max_size=30), st.text(alphabet="<>&\"'[]()`*_~#-\\!|{}:/ \n\t1.ax", max_size=30)
)


def story_of(words: str, story: Story) -> Story:
    """Return a story that says ``words`` wherever there is text, with as many lines everywhere as ``story``."""
    return msgspec.structs.replace(
        story,
        title=words,
        version=words,
        maker=words,
        summary=words,
        description=words,
        contact=words,
        credits=(words,),
        licence=words,
        licence_file=words,
        rights=words,
        engine=words,
        edition=words,
        minimum=words,
        minimum_because=words,
        systems_tested=(Tested(system=words, engine_version=words, by=words),),
        systems_hoped=(words,),
        patches=(words, words),
        layers=(LayerLine(name=words, keys=words),),
        controls=(Control(name=words, effect=words),),
        impulses=(words,),
        changes=(Change(group="Added", text=words), Change(group="Fixed", text=f"{words} again")),
        known_problems=(words,),
        released_at=words,
        missing=(words,),
    )


class Seen(HTMLParser):
    """Everything in a page that is not text."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[Any] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, attrs))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, attrs))

    def handle_endtag(self, tag: str) -> None:
        self.seen.append(f"/{tag}")

    def handle_comment(self, data: str) -> None:
        self.seen.append(f"comment {data}")

    def handle_decl(self, decl: str) -> None:
        self.seen.append(f"declaration {decl}")

    def handle_pi(self, data: str) -> None:
        self.seen.append(f"instruction {data}")


def tags(html: str) -> list[Any]:
    parser = Seen()
    parser.feed(html)
    parser.close()
    return parser.seen


@settings(max_examples=80, deadline=None)
@given(words=text)
@example(words="</style><script>alert(1)</script>")
def test_no_tag_of_the_input_survives_in_html(words: str) -> None:
    story = Story()
    hostile = msgspec.structs.replace(story_of(words, story), description="d")
    plain = msgspec.structs.replace(story_of("plain", story), description="d")
    if not words.strip():  # an empty fact prints other lines; its marks are tested elsewhere
        return
    for what in ("page", "readme", "changelog"):
        assert tags(draft(what, "html", hostile)) == tags(draft(what, "html", plain))


@pytest.mark.parametrize("words", HOSTILE)
@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_no_draft_carries_a_character_that_moves_a_terminal_or_hides_text(words: str, fmt: Fmt) -> None:
    for what in ("page", "readme", "changelog"):
        drafted = draft(what, fmt, story_of(words, Story()))
        assert drafted == "\n".join(visible(line) for line in drafted.split("\n"))
        drafted.encode("utf-8")


COMMONMARK = MarkdownIt("commonmark").enable(["table", "strikethrough"])


def rendered(markdown: str) -> list[tuple[str, str]]:
    """Return the tokens of Markdown other than plain text in a paragraph, and the text, by a parser of its own."""
    found = []
    for token in COMMONMARK.parse(markdown):
        if token.type == "inline":
            found += [(child.type, child.content) for child in token.children or []]
        elif token.type not in ("paragraph_open", "paragraph_close"):
            found.append((token.type, token.content))
    return found


def blank(words: str) -> str:
    return "".join(ch for ch in one_line(words) if not ch.isspace())


@settings(max_examples=300, deadline=None)
@given(words=text, before=st.sampled_from(["", "x "]))
def test_markdown_shows_the_text_as_it_is(words: str, before: str) -> None:
    tokens = rendered(before + for_md(words))
    assert {kind for kind, _ in tokens} <= {"text", "text_special", "softbreak"}
    assert blank("".join(content for _, content in tokens)) == blank(before + words)


@settings(max_examples=60, deadline=None)
@given(words=text)
def test_a_readme_in_markdown_holds_no_markup_of_the_input(words: str) -> None:
    if not words.strip() or address(words):
        return
    kinds = [
        [
            kind
            for kind, _ in rendered(
                draft("readme", "md", msgspec.structs.replace(story_of(w, Story()), description="d"))
            )
        ]
        for w in (words, "plain")
    ]
    inert = {"text", "text_special", "softbreak"}
    assert [kind for kind in kinds[0] if kind not in inert] == [kind for kind in kinds[1] if kind not in inert]


@pytest.mark.parametrize("words", ["Slate_low_C3.wav", "Brass [rr1].wav", "7.1 or newer", "1. first", "R & S, 2 < 3"])
def test_markdown_stays_readable_as_it_is(words: str) -> None:
    assert for_md(words).replace("\\", "") == words


@pytest.mark.parametrize(
    ("value", "target"),
    [
        ("https://quay-room.example/slate?x=1", "https://quay-room.example/slate?x=1"),
        ("HTTPS://quay-room.example", ""),
        ("hello@quay-room.example", "mailto:hello@quay-room.example"),
        ("mailto:hello@quay-room.example", "mailto:hello@quay-room.example"),
        ("javascript:alert(1)", ""),
        ("data:text/html,x", ""),
        ("https://a.example/<script>", ""),
        ('https://a.example/"onclick=x', ""),
        ("https://a.example/\x1b", ""),
        ("file:///etc/hosts", ""),
        ("see https://a.example", ""),
        ("mailto:a@b.example?subject=x", ""),
        ("https://schieferchor.example/über uns", ""),
        ("https://schieferchor.example/über-uns?wer=jörg", "https://schieferchor.example/über-uns?wer=jörg"),
        ("https://石.example/", "https://石.example/"),
        ("jörg@schieferchör.example", "mailto:jörg@schieferchör.example"),
        ("https://a.example/\u202eexe", ""),
        ("https://a.example/\u200bx", ""),
    ],
)
def test_only_whole_http_https_and_mailto_addresses_become_links(value: str, target: str) -> None:
    assert address(value) == target
    assert ("href=" in link(value, "html")) == bool(target)


@pytest.mark.parametrize("value", ["https://石.example/über", "jörg@schieferchör.example", "a@b.example"])
def test_an_address_with_letters_of_any_script_is_a_link_in_markdown_too(value: str) -> None:
    (inline,) = [token for token in MarkdownIt("commonmark").parse(link(value, "md")) if token.type == "inline"]
    assert [child.type for child in inline.children or []] == ["link_open", "text", "link_close"]


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("Slate_low_C3_v1.wav", "Slate_low_C3_v1.wav"),
        ("_draft_", "\\_draft\\_"),
        ("C:\\Slate\\low", "C:\\Slate\\low"),
        ("a > b, {x}", "a > b, {x}"),
        ("> quote", "\\> quote"),
    ],
)
def test_nothing_is_escaped_that_markdown_shows_as_it_is(words: str, shown: str) -> None:
    assert for_md(words) == shown


def test_normalisation_is_left_alone() -> None:
    decomposed = unicodedata.normalize("NFD", "Café")
    assert for_md(decomposed) == decomposed
