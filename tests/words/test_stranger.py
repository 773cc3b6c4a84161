"""Templates that a stranger may have written cost one line, whatever they ask for."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core import children
from companion.core.errors import CompanionError
from companion.words import apart, drafts
from companion.words.drafts import What, draft
from companion.words.safe import Fmt
from companion.words.story import Story

GREEDY = {
    "replace": "{% set a = 'x' * 1 if false else 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa' %}"
    + "{% set a = a|replace('a', a) %}" * 8
    + "{{ a|length }}",
    "join": "{% set a = 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa' %}" + "{% set a = a|join(a) %}" * 9 + "{{ a|length }}",
    "tilde": "{% set a = 'aaaaaaaaaaaaaaaa' %}" + "{% set a = a ~ a ~ a ~ a ~ a ~ a ~ a ~ a %}" * 12 + "{{ a|length }}",
    "expandtabs": "{% set a = '\t\t\t\t\t\t\t\t\t\t' %}"
    + "{% set a = a|replace('\t', a) %}" * 2
    + "{{ a.expandtabs(100000)|length }}",
    "list": "{% set a = 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa' %}"
    + "{% set a = a|replace('a', a) %}" * 3
    + "{{ (a|list ~ a|list ~ a|list)|length }}",
}


def own(tmp_path: Path, text: str) -> Path:
    (tmp_path / "page.txt.jinja").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.mark.parametrize("text", GREEDY.values(), ids=GREEDY)
def test_a_template_that_asks_for_all_memory_costs_one_line(story: Story, tmp_path: Path, text: str) -> None:
    with pytest.raises(CompanionError, match="more memory than any text needs") as caught:
        draft("page", "txt", story, own(tmp_path, text))
    assert "\n" not in caught.value.line
    (tmp_path / "page.txt.jinja").write_text("still {{ title }}", encoding="utf-8")
    assert draft("page", "txt", story, tmp_path) == "still Slate Choir\n"  # the next one has a whole child


@pytest.mark.parametrize(
    "text",
    [
        "{{ 'a b c d'|truncate(1) }}",
        "{{ title|round }}",
        "{{ 1|sum }}",
        "{{ ''|first|upper }}",
    ],
)
def test_whatever_a_filter_raises_is_one_line_with_its_place(story: Story, tmp_path: Path, text: str) -> None:
    with pytest.raises(CompanionError, match="The template fails") as caught:
        draft("page", "txt", story, own(tmp_path, f"line one\n{text}"))
    assert "page.txt.jinja, line 2" in caught.value.line
    assert "\n" not in caught.value.line


def test_a_template_that_never_ends_is_stopped(story: Story, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One format of a number may take half a minute: the clock inside is not asked while it does."""
    slow = "{{ '%0100000d %0100000d'|replace('%', '%')|length }}{% for a in range(99999) %}{% endfor %}"
    monkeypatch.setattr(apart, "SECONDS", 0.0)
    with pytest.raises(CompanionError, match="was stopped: it takes longer than 0 s") as caught:
        draft("page", "txt", story, own(tmp_path, slow))
    assert str(tmp_path) in caught.value.line
    monkeypatch.undo()
    (tmp_path / "page.txt.jinja").write_text("{{ title }}", encoding="utf-8")
    assert draft("page", "txt", story, tmp_path) == "Slate Choir\n"


def test_a_child_that_is_killed_costs_its_draft_alone(story: Story, tmp_path: Path) -> None:
    own(tmp_path, "{{ title }}")
    assert draft("page", "txt", story, tmp_path) == "Slate Choir\n"
    process = apart._child._process
    assert process is not None
    process.kill()
    process.wait()
    with pytest.raises(CompanionError, match="was stopped"):
        draft("page", "txt", story, tmp_path)
    assert draft("page", "txt", story, tmp_path) == "Slate Choir\n"


@pytest.mark.parametrize("what", ["page", "readme", "changelog"])
@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_a_story_reaches_the_child_whole(story: Story, tmp_path: Path, what: What, fmt: Fmt) -> None:
    (tmp_path / "other.jinja").write_text("", encoding="utf-8")
    assert draft(what, fmt, story, tmp_path) == draft(what, fmt, story)


def test_our_own_templates_need_no_child(story: Story, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def away(what: str, *_rest: object) -> str:
        asked.append(what)
        return "apart\n"

    monkeypatch.setattr(drafts, "draft_apart", away)
    assert draft("page", "txt", story, None) == draft("page", "txt", story, tmp_path)  # an empty folder
    assert draft("page", "txt", story, tmp_path / "nowhere") == draft("page", "txt", story)
    assert asked == []
    assert draft("page", "txt", story, own(tmp_path, "mine")) == "apart\n"
    assert asked == ["page"]


def test_a_child_ends_with_its_caller() -> None:
    child = children.Child("companion.words.stranger")
    child.close()  # never started
    with pytest.raises(TimeoutError):
        child.ask(b"", 0.0)
    assert child._process is None
