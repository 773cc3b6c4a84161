"""What anything may be in facts, in files of ours, and in what is typed: hypothesis strategies."""

from __future__ import annotations

import json
import re
import tomllib
from typing import Any, Literal, get_args, get_origin

import msgspec
from hypothesis import strategies as st

from companion.core.facts import Facts
from companion.core.toml import MOST_BYTES
from tests.awkward.conftest import FACTS

TELLING = (
    *("", " ", "\n", "\t x", "\0", "a\0b", "７.1", "7.1c", "٣.٤", "1..2", "-1", "1e999", "nan", "0x10", "½", "²"),
    *("\u202etxt.wav", "\u200b", "e\u0301", "\ufeff", "\ud7ff", "\U0010ffff", "\x1b[31m", "[@click=app.quit]x[/]"),
    *("CON", "../..", "/etc/passwd", "C:\\Users\\ada\\x.wav", "~", "file:///x", "%USERPROFILE%", "a" * 300, "a/" * 200),
    *("{{ 9 ** 9 }}", "<script>alert(1)</script>", "*[", "**/**/**", "$HOME", "`rm`", "GPL-3.0-or-later AND", "MIT OR"),
    *("2024-02-30", "9999-12-31", "Ubuntu 24.04", "macOS Sonoma", "C3", "Cb-1", "H2", "everything", "true"),
)
# A little less than facts may hold, and a little more: what costs more than its length is seen at either.
_LONG = st.builds(
    lambda char, count: str(char * count),
    st.sampled_from(("x", "é", "\u0301", "[", "*", "\\", "7.", "a/", "{{", "<")),
    st.sampled_from((3_000, 60_000, MOST_BYTES + 1)),
)
_PLAIN = st.one_of(st.sampled_from(TELLING), st.text(st.characters(exclude_categories=["Cs"]), max_size=40))
TEXT = st.integers(0, 9).flatmap(lambda number: _LONG if number == 9 else _PLAIN)
_NUMBER = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from((0, -1, 1, 127, 128, 2**63 - 1, 10**400, -(10**30))),
    st.floats(),
    st.sampled_from((float("nan"), float("inf"), -0.0, 5e-324, 1.7e308)),
)
_LEAF = st.one_of(TEXT, _NUMBER, st.booleans(), st.datetimes(), st.dates(), st.times())
ANY = st.recursive(
    _LEAF,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.sampled_from(("name", "path", "a.b", "", '"', "ключ")), TEXT), inner, max_size=3),
    ),
    max_leaves=6,
)
ARGUMENT = TEXT.filter(lambda text: "\0" not in text and len(text) <= 60_000 and not text.startswith("-"))

_QUOTED = str.maketrans({char: f"\\u{char:04x}" for char in (*range(32), 127, 34, 92)})


def toml(plain: dict[str, Any]) -> str:
    """Return tables as TOML, inner ones on one line: tomli-w takes minutes for texts of this length."""
    return "".join(
        f"[{_key(name)}]\n" + "".join(f"{_key(key)} = {_value(one)}\n" for key, one in value.items())
        if isinstance(value, dict)
        else f"{_key(name)} = {_value(value)}\n"
        for name, value in sorted(plain.items(), key=lambda item: isinstance(item[1], dict))
    )


def _key(name: str) -> str:
    return name if re.fullmatch("[a-z_]+", name) else f'"{name.translate(_QUOTED)}"'


def _value(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value.translate(_QUOTED)}"'
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{_key(name)} = {_value(one)}' for name, one in value.items())}}}"
    return str(value).lower() if isinstance(value, (bool, int, float)) else value.isoformat()


def _keys() -> list[tuple[str, ...]]:
    """Return every key of the facts, as a path of tables."""
    plain = {field.name: field.type for field in msgspec.structs.fields(Facts)}
    found: list[tuple[str, ...]] = [(name,) for name in plain]
    for name, of in plain.items():
        inner = of if hasattr(of, "__struct_fields__") else (getattr(of, "__args__", (None,)) or (None,))[0]
        found += [(name, key) for key in getattr(inner, "__struct_fields__", ())]
    return found


KEYS = _keys()
LISTS = ("layers", "controls", "waivers")


def _of_kind(key: tuple[str, ...]) -> st.SearchStrategy[Any]:
    """Return values of the kind a key takes: what is refused at once reaches no rule."""
    kind = msgspec.structs.fields(Facts)
    of: Any = next(field.type for field in kind if field.name == key[0])
    if len(key) == 1:
        return ANY
    of = of if hasattr(of, "__struct_fields__") else of.__args__[0]
    of = next(field.type for field in msgspec.structs.fields(of) if field.name == key[1])
    several = get_origin(of) is tuple
    of = of.__args__[0] if several else of
    if get_origin(of) is Literal:
        one: st.SearchStrategy[Any] = st.sampled_from(get_args(of))
    elif of is str:
        one = TEXT
    else:
        one = st.one_of(st.integers(-2, 200), st.integers(0, 10**9), _NUMBER)
    return st.lists(one, max_size=3) if several else one


@st.composite
def facts_texts(draw: st.DrawFn) -> str:
    """Return the text of facts in which a few keys, known or not, hold anything; or no TOML at all."""
    how = draw(st.integers(0, 9))
    if how == 0:
        cut = draw(st.integers(0, len(FACTS)))
        return FACTS[:cut] + draw(TEXT)[:5_000] + FACTS[cut + draw(st.integers(0, 30)) :]
    plain = tomllib.loads(FACTS)
    for _ in range(draw(st.integers(1, 4))):
        key = draw(st.sampled_from(KEYS))
        value = draw(ANY if how < 3 else _of_kind(key))
        if len(key) == 1:
            plain[key[0]] = value
        elif key[0] in LISTS:
            table = {"name": "x", "rule": "hum", "path": "a.wav", "reason": "meant"}
            known = {name: text for name, text in table.items() if (key[0], name) in KEYS}
            plain[key[0]] = [{**known, key[1]: value}]
        elif isinstance(plain.setdefault(key[0], {}), dict):
            plain[key[0]][key[1]] = value
    if how == 1:
        plain[draw(TEXT)] = draw(ANY)
    return toml(plain)


_JSON_VALUE = st.recursive(
    st.one_of(st.none(), st.booleans(), _NUMBER, TEXT, st.sampled_from(("\ud800", "a\udfff.wav"))),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXT, inner, max_size=3)),
    max_leaves=4,
)


def _places(value: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the way to every value in a JSON text."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [here, *(place for key, one in inner for place in _places(one, (*here, key)))]


def _put(value: Any, place: tuple[Any, ...], new: Any) -> Any:
    if not place:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[place[0]] = _put(copy[place[0]], place[1:], new)
    return copy


@st.composite
def damaged(draw: st.DrawFn, whole: bytes) -> bytes:
    """Return one of our JSON files with anything in one place of it, or with its bytes damaged."""
    how = draw(st.integers(0, 9))
    if how == 0:
        return whole[: draw(st.integers(0, len(whole)))]
    if how == 1:
        at = draw(st.integers(0, len(whole) - 1))
        return whole[:at] + draw(st.binary(max_size=8)) + whole[at + 1 :]
    if how == 2:
        return draw(st.sampled_from((b"", b"\0" * 99, b"[" * 100_000, b'{"schema": 99}', b"null", b"NaN", b"\xff\xfe")))
    value = json.loads(whole)
    for _ in range(draw(st.integers(1, 2))):
        place = draw(st.sampled_from(_places(value)))
        value = _put(value, place, draw(_JSON_VALUE if how < 5 else _like(_at(value, place))))
    return json.dumps(value, ensure_ascii=True).encode("ascii")


def _at(value: Any, place: tuple[Any, ...]) -> Any:
    for one in place:
        value = value[one]
    return value


def _like(value: Any) -> st.SearchStrategy[Any]:
    """Return values of the same kind: what no type refuses, and rules then have to make sense of."""
    if isinstance(value, str):
        return TEXT
    return st.one_of(st.integers(-2, 9), _NUMBER) if isinstance(value, int) else _JSON_VALUE
