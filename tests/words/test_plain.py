from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from companion.words.plain import is_html, passages


def test_markdown_is_read_as_it_is_shown() -> None:
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


def test_html_is_read_as_it_is_shown() -> None:
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


def test_a_place_leads_back_to_its_line() -> None:
    (passage,) = passages("one two\nthree\nfour")
    assert [passage.line_at(passage.text.index(word)) for word in ("one", "two", "three", "four")] == [1, 1, 2, 3]


def test_html_is_told_by_name_or_first_tag() -> None:
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
