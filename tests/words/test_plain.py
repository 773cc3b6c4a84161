from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.words.markdown import MOST_INLINE, MOST_PARSED
from companion.words.plain import is_html, passages


def test_markdown_is_read_as_it_is_rendered() -> None:
    text = (
        "# *Slate* Choir\n\nNeeds **Example\nEngine** [7.0](https://x.example) or newer.\n- [ ] brushed \\<b\\>\n"
        "- slate_low_C3 `x`\n\n| Version | 1.2 |\n|---|---|\n\nHead\n----\n> said <b>he</b>\n"
    )
    assert [(p.text, p.lines, p.item, p.heading) for p in passages(text)] == [
        ("Slate Choir", (1,), False, True),
        ("Needs Example Engine 7.0 or newer.", (3, 4), False, False),
        ("brushed <b>", (5,), True, False),
        ("slate_low_C3 x", (6,), True, False),
        ("Version: 1.2", (8,), False, False),
        ("Head", (11,), False, True),
        ("said he", (13,), False, False),
    ]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a &amp; b &lt;c&gt;", [("a & b <c>", 1)]),
        ("say `x <b> y` and \\*this\\*", [("say x <b> y and *this*", 1)]),
        ("one  \ntwo\\\nthree", [("one two three", 1)]),
        ("see [the\nshed][s] and ![a slab](x.png)\n\n[s]: https://x.example", [("see the shed and a slab", 1)]),
        ("first<br>second", [("first second", 1)]),
        ("V | N\n-- | --\n`1.2` | *two*", [("V: N", 1), ("1.2: two", 3)]),
        ("| | N |\n|--|--|\n| 2 | |", [(": N", 1), ("2:", 3)]),
        ("<table><tr><th>V<th>N\n<tr><td><p>1.2</p><td>t<b>w</b>o</table>x", [("V: N", 1), ("1.2: two", 2), ("x", 2)]),
        ("```\ncode *x*\n\n# more\n```", [("code *x*", 2), ("# more", 4)]),
        ("    indented\n\n\tby a tab", [("indented", 1), ("by a tab", 3)]),
        ("• one\n• two", [("one", 1), ("two", 2)]),
        ("<div>\n<p>one</p>\n\n*two*\n</div>", [("one", 2), ("*two*", 4)]),
        ("text\n\n<!-- a\nnote -->\n\nmore", [("text", 1), ("more", 6)]),
        ("text\n\n<div>\n<p>one</p>\n</div>\n\nmore", [("text", 1), ("one", 4), ("more", 7)]),
        ("- \n\nnot an item", [("not an item", 3)]),
    ],
)
def test_markdown_in_its_corners(text: str, expected: list[tuple[str, int]]) -> None:
    assert [(p.text, p.lines[0]) for p in passages(text)] == expected


def test_only_the_first_paragraph_of_an_item_stands_for_it() -> None:
    found = passages("- [x] one\n  goes on\n\n  two [ ] x\n\nthree")
    assert [(p.text, p.item) for p in found] == [("one goes on", True), ("two [ ] x", False), ("three", False)]


def test_a_place_behind_markup_that_spans_lines_is_on_its_own_line() -> None:
    (passage,) = passages("a `b\nc` d\n[e](x\n'f') g\nh")
    assert [passage.line_at(passage.text.index(word)) for word in ("a", "d", "e", "g", "h")] == [1, 2, 3, 4, 5]


def test_what_is_too_long_to_be_parsed_is_read_as_it_stands() -> None:
    line = "*word* " * 10 + "\n"
    (long,) = passages(line * (MOST_INLINE // len(line) + 1))
    assert long.text.startswith("*word* *word*")
    paragraph = f"*a* {'b' * 500}"
    text = f"{paragraph}\n\n" * (MOST_PARSED // len(paragraph) + 2)
    found = passages(text)
    assert {p.text for p in found[:100]} == {paragraph.replace("*", "")}
    assert found[-1].text == paragraph
    assert [p.lines for p in found] == [(number,) for number in range(1, text.count("\n") + 1, 2)]


def test_html_is_read_as_it_is_rendered() -> None:
    text = (
        "<html><head><title>T</title><style>p { x }</style></head>\n<body><p>Needs <b>Example\nEngine</b> 7&#46;0</p>\n"
        "<ul><li>one<li>two &lt;b&gt;</ul><script>no</script></body></html>"
    )
    found = passages(text)
    assert [(p.text, p.item) for p in found] == [
        ("T", False),
        ("Needs Example Engine 7.0", False),
        ("one", True),
        ("two <b>", True),
    ]
    assert found[1].line_at(found[1].text.index("Example")) == 2
    assert found[1].line_at(found[1].text.index("7.0")) == 3


def test_what_a_browser_hides_hides_nothing_behind_it() -> None:
    text = "<p>one<script>no</script> two</p><template><b>no</b></template><style>no</style>three"
    assert [p.text for p in passages(text)] == ["one two", "three"]


def test_a_place_leads_back_to_its_line() -> None:
    (passage,) = passages("one two\nthree\nfour")
    assert [passage.line_at(passage.text.index(word)) for word in ("one", "two", "three", "four")] == [1, 1, 2, 3]


def test_html_is_known_by_name_or_first_tag() -> None:
    assert is_html("", "page.HTML")
    assert is_html(" <!doctype html>")
    assert is_html("<article>")
    assert not is_html("<https://x.example>")
    assert not is_html("a <p>")


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="ab <>/&#-*_`[]()|\\!\n\t=1.", max_size=80))
def test_any_text_can_be_read_and_keeps_its_lines(text: str) -> None:
    for path in ("x.md", "x.html"):
        for passage in passages(text, path):
            assert passage.text.strip()
            assert all(1 <= line <= text.count("\n") + 1 for line in passage.lines)
            assert passage.line_at(len(passage.text)) == passage.lines[-1]
