from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.globs import Globs, folded, globs


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("*.wav", "a.wav"),
        ("*.wav", "A.WAV"),
        ("**/*.wav", "a.wav"),
        ("**/*.wav", "x/y/a.wav"),
        ("Samples/**", "Samples/a/b.wav"),
        ("Samples/**/*.wav", "Samples/a.wav"),
        ("Samples/**/close/*.wav", "Samples/x/y/close/a.wav"),
        ("Samples", "Samples/a.wav"),
        ("Samples/", "Samples/x/a.wav"),
        ("./Samples/*", "Samples/a.wav"),
        ("Samples\\*.wav", "Samples/a.wav"),
        ("Slate [rr1].wav", "Slate [rr1].wav"),
        ("a?c.wav", "abc.wav"),
        ("**", "a/b"),
        (unicodedata.normalize("NFD", "Größe/*"), unicodedata.normalize("NFC", "Größe/a")),
        ("a**b", "axxb"),
        ("*a*b*", "xaybz"),
    ],
)
def test_matches(pattern: str, path: str) -> None:
    assert Globs([pattern]).matches(path)


@pytest.mark.parametrize(
    ("pattern", "path"),
    [
        ("*.wav", "x/a.wav"),
        ("Samples/*", "Samples/x/a.wav"),
        ("Samples/**", "Samples"),
        ("Samples/**", "MySamples/a"),
        ("Samples/", "Samples"),
        ("Slate [rr1].wav", "Slate r.wav"),
        ("a?c", "a/c"),
        ("", "a"),
        (".", "a"),
        ("*.wav", "a.wav.bak"),
        ("*.wav", "a.wav/b"),
    ],
)
def test_does_not_match(pattern: str, path: str) -> None:
    assert not Globs([pattern]).matches(path)


def _plainly(pattern: list[str], parts: list[str]) -> bool:
    """Match by trying everything: the slow way that is easy to believe."""
    if not pattern:
        return not parts
    if pattern[0] == "**":
        if len(pattern) == 1:
            return bool(parts)
        return any(_plainly(pattern[1:], parts[skip:]) for skip in range(len(parts) + 1))
    return bool(parts) and _name(pattern[0], parts[0]) and _plainly(pattern[1:], parts[1:])


def _name(pattern: str, name: str) -> bool:
    if not pattern:
        return not name
    if pattern[0] == "*":
        return any(_name(pattern[1:], name[skip:]) for skip in range(len(name) + 1))
    return bool(name) and pattern[0] in ("?", name[0]) and _name(pattern[1:], name[1:])


_part = st.text("ab*?", min_size=1, max_size=4).filter(lambda part: part != "**")


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.one_of(_part, st.just("**")), min_size=1, max_size=5),
    st.lists(st.text("ab", min_size=1, max_size=4), min_size=1, max_size=5),
)
def test_agrees_with_trying_everything(pattern: list[str], parts: list[str]) -> None:
    if "*" not in pattern[-1] and "?" not in pattern[-1]:
        pattern = [*pattern[:-1], pattern[-1] + "?"]  # a plain ending also covers what lies below, tested above
    assert Globs(["/".join(pattern)]).matches("/".join(parts)) == _plainly(pattern, parts)


@pytest.mark.timeout(20)  # trying everything would take longer than anybody lives
def test_no_pattern_is_slow() -> None:
    hard = Globs(["**/".join(["*a*a*a*a*a*a*b/"] * 8) + "*c", "*a" * 40 + "b"])
    assert not hard.matches("/".join(["a" * 60] * 8))
    assert not hard.matches("a" * 250)


def test_an_empty_list_matches_nothing() -> None:
    assert not Globs([]).matches("a")
    assert not Globs([])


@settings(deadline=None)
@given(st.text(max_size=20))
def test_folded_is_stable(text: str) -> None:
    assert folded(folded(text)) == folded(text)


@pytest.mark.parametrize(
    ("glob", "path", "matches"),
    [
        ("samples/**", "samples/low/a.wav", True),
        ("samples/*.wav", "samples/low/a.wav", False),
        ("**/a.wav", "a.wav", True),
        ("**/a.wav", "x/y/a.wav", True),
        ("*.wav", "x/a.wav", False),
        ("a?.wav", "ab.wav", True),
        ("a[1].wav", "a[1].wav", True),
    ],
)
def test_what_the_facts_promise_of_globs(glob: str, path: str, matches: bool) -> None:
    assert globs((glob,)).matches(path) is matches
