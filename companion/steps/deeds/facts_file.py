"""Reading and editing ``release.toml``: the maker's comments and order survive every edit."""

from collections.abc import Mapping, Sequence, Sized
from pathlib import Path
from typing import Any, Literal, get_origin

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import Facts, Waiver, facts_from_plain, facts_from_toml, facts_to_plain, known_only
from companion.core.files import read_capped, write_safely
from companion.core.toml import MOST_BYTES, parse_toml


def read_text(path: Path) -> str:
    """Return the text of ``release.toml``. Raises :class:`CompanionError` when it is no UTF-8 or far too large."""
    try:
        return read_capped(path, MOST_BYTES, "facts").decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CompanionError(
            f"The facts are not UTF-8 text (byte {error.start:,})", path.name, "save the file as UTF-8 and try again"
        ) from error


def read_facts(path: Path, *, newer: bool = False) -> Facts:
    """Return the facts of a folder; without what is not known here, where a ``newer`` companion wrote them.

    Raises :class:`CompanionError` that names the key.
    """
    plain = parse_toml(read_text(path), path.name)
    return facts_from_plain(known_only(plain) if newer else plain, path.name)


def write_new(path: Path, facts: Facts) -> None:
    """Write a new ``release.toml``; refuse to touch one that is there."""
    import tomli_w

    if path.exists():
        raise CompanionError("The folder already has facts", str(path), "edit them, or open the folder")
    head = "# The facts of this release. Yours to edit: comments and order are kept.\n\n"
    write_safely(path, (head + tomli_w.dumps(facts_to_plain(facts), multiline_strings=True)).encode(), root=path.parent)


def edited(text: str, changes: Mapping[str, Any]) -> str:
    """Return ``text`` with dotted keys set (None or empty: taken out), comments and order kept.

    Raises :class:`CompanionError` when the result would not be valid facts; nothing is written here.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    wanted = with_values(facts_from_toml(text), changes)  # what it must come to, worked out without the editor
    try:
        document = tomlkit.parse(text)
        for key, value in changes.items():
            table_name, _, name = key.partition(".")
            if not name:
                _set(document, table_name, value)
                continue
            if table_name not in document:
                document.add(table_name, tomlkit.table())
            _set(document[table_name], name, value)
        result = _lines_as_in(text, tomlkit.dumps(document))
    except TOMLKitError as error:
        raise CompanionError(
            f"The facts could not be edited: {error}", "release.toml", "edit the file by hand"
        ) from error
    _hold(result, wanted)
    return result


def with_values(facts: Facts, changes: Mapping[str, Any]) -> Facts:
    """Return ``facts`` with dotted keys set (None or empty: taken out). Raises for a key there is none of."""
    plain = facts_to_plain(facts)
    for key, value in changes.items():
        table, _, name = key.partition(".")
        place = plain.setdefault(table, {}) if name else plain
        if not isinstance(place, dict):
            raise CompanionError(f"There is no fact “{key}”", "release.toml", "name it as table.key")
        place.pop(name or table, None)
        if not _empty(value):
            place[name or table] = value
    return facts_from_plain(plain)


def _type_of(key: str) -> Any:
    """Return the type of a fact under a dotted key. Raises :class:`CompanionError` for one that no words can state."""
    table, _, name = key.partition(".")
    tables = {field.name: field.type for field in msgspec.structs.fields(Facts)}
    kind = tables.get(table)
    if name and isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        keys = {field.name: field.type for field in msgspec.structs.fields(kind)}
        if name in keys:
            return keys[name]
    if kind is not None and get_origin(kind) is tuple:
        raise CompanionError(f"“{table}” is a list of tables", key, "write it in release.toml, or in the app")
    raise CompanionError(f"There is no fact “{key}”", "", "see: companion explain facts")


def stated(facts: Facts, key: str) -> Any:
    """Return what ``facts`` hold under a dotted key, as plain values. Raises where there is no such fact."""
    _type_of(key)
    table, _, name = key.partition(".")
    return msgspec.to_builtins(getattr(getattr(facts, table), name))


def from_words(key: str, values: Sequence[str]) -> Any:
    """Return the value of a fact that ``values`` state, one word or several for a list; None for none at all.

    Raises :class:`CompanionError` naming what cannot be read.
    """
    kind = _type_of(key)
    if not values:
        return None
    if get_origin(kind) is tuple:
        return list(values)
    if len(values) > 1:
        raise CompanionError("This fact has one value", key, "put it in quotation marks")
    if kind is str or get_origin(kind) is Literal:
        return values[0]
    try:
        return msgspec.convert(values[0], kind, strict=False)
    except msgspec.ValidationError as error:
        raise CompanionError(f"“{values[0]}” is not a number", key, "write digits, such as -1.5") from error


def _hold(result: str, wanted: Facts) -> None:
    """Raise :class:`CompanionError` unless ``result`` can be written and reads as exactly ``wanted``."""
    try:
        result.encode()
    except UnicodeEncodeError as error:
        raise CompanionError(
            "The facts are UTF-8 text and cannot hold a name that is not", "release.toml", "rename that file first"
        ) from error
    # Compared as text: a number that is none (nan) is not equal to itself. Line ends in texts are all one to TOML.
    if _comparable(facts_from_toml(result)) != _comparable(wanted):
        raise CompanionError(
            "The facts could not be edited without changing others", "release.toml", "edit the file by hand"
        )


def _comparable(facts: Facts) -> str:
    return repr(facts).replace("\\r\\n", "\\n")


def _empty(value: object) -> bool:
    return value is None or (isinstance(value, (str, Sized)) and not len(value))


def _lines_as_in(text: str, result: str) -> str:
    """Return ``result`` with line ends as ``text`` has them throughout (TOML reads both alike, in texts too)."""
    if "\r\n" in text and text.count("\n") == text.count("\r\n"):
        return result.replace("\r\n", "\n").replace("\n", "\r\n")
    return result


def _set(table: Any, name: str, value: Any) -> None:
    """Set one key as the smallest edit: unchanged values are left as the maker wrote them."""
    import tomlkit

    if isinstance(value, tuple):
        value = list(value)
    standing = table.get(name)
    plain = standing.unwrap() if hasattr(standing, "unwrap") else standing
    if _empty(value):
        if name in table:
            del table[name]
    elif plain == value:
        return
    elif isinstance(value, list) and isinstance(value[0], Mapping):
        if not _set_each(standing, plain, value):
            _set_tables(table, name, value)
    elif isinstance(value, str) and "\n" in value:
        table[name] = tomlkit.string(value, multiline=True)
    elif isinstance(value, list):
        array = tomlkit.array()
        array.extend(value)
        table[name] = array.multiline(len(value) > 3)
    else:
        table[name] = value


def _set_tables(table: Any, name: str, value: list[Mapping[str, Any]]) -> None:
    """Write a list of tables anew: on one line where it is written so, else one by one; a new one at the end."""
    import tomlkit
    from tomlkit.items import Array

    standing = table.get(name)
    inline = isinstance(standing, Array) and len(standing) > 0
    items: Any = standing if inline else tomlkit.aot()
    if inline:
        items.clear()
    elif standing:
        table[name] = items
    else:
        table.pop(name, None)
        if table:
            table.add(tomlkit.nl())
        table.add(name, items)
    for one in value:
        items.append(_filled(tomlkit.inline_table() if inline else tomlkit.table(), one))


def _filled(table: Any, item: Mapping[str, Any]) -> Any:
    """Give a table the values of ``item``, each in the form that suits it, and no others."""
    for key in dict.fromkeys((*item, *list(table))):
        _set(table, key, item.get(key))
    return table


def _set_each(standing: Any, plain: Any, value: list[Mapping[str, Any]]) -> bool:
    """Edit a list of tables one by one, so that comments stay with what they are about.

    Returns False, with nothing done, where those that stay do not run on in the same order: the list is written anew.
    """
    import tomlkit
    from tomlkit.items import AoT

    if not isinstance(standing, AoT):
        return False
    keys, before = [_key(item) for item in value], [_key(item) for item in plain]
    left = list(dict.fromkeys(key for key in before if key in keys))
    if keys[: len(left)] != left or len(set(keys)) != len(keys):
        return False
    for index in reversed(range(len(before))):
        if before[index] not in keys or before[index] in before[:index]:
            del standing[index]
    for item, table in zip(value, standing, strict=False):
        _filled(table, item)
    for item in value[len(left) :]:
        standing.append(_filled(tomlkit.table(), item))
    return True


def _key(item: Mapping[str, Any]) -> tuple[str, ...]:
    """By what a table of a list is known: a layer or control by its name, a waiver by its rule and place."""
    return tuple(item.get(part, "") for part in ("name", "rule", "path", "where"))


def with_waiver(text: str, waiver: Waiver) -> str:
    """Return ``text`` with a waiver added, or with the one for the same rule and place brought up to date."""
    waivers = {_key(one): one for one in (*_waivers(text), msgspec.to_builtins(waiver))}  # of two alike one counts
    return edited(text, {"waivers": list(waivers.values())})


def without_waiver(text: str, rule: str, path: str, where: str = "") -> str:
    """Return ``text`` without the waiver for this rule and place. Raises :class:`CompanionError` when there is none."""
    waivers = _waivers(text)
    left = [one for one in waivers if (one["rule"], one["path"], one["where"]) != (rule, path, where)]
    if len(left) == len(waivers):
        raise CompanionError(f"There is no waiver for {rule}", path, "release.toml lists those there are")
    return edited(text, {"waivers": left})


def _waivers(text: str) -> list[dict[str, Any]]:
    return [msgspec.to_builtins(waiver) for waiver in facts_from_toml(text).waivers]
