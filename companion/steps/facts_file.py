"""Reading and editing ``release.toml``: the maker's comments and order survive every edit."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import MOST_BYTES, Facts, Waiver, facts_from_toml, facts_to_plain
from companion.core.files import read_capped, write_safely


def read_text(path: Path) -> str:
    """Return the text of ``release.toml``. Raises :class:`CompanionError` when it is no UTF-8 or far too large."""
    try:
        return read_capped(path, MOST_BYTES, "facts").decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CompanionError(
            f"The facts are not UTF-8 text (byte {error.start:,})", path.name, "save the file as UTF-8 and try again"
        ) from error


def read_facts(path: Path) -> Facts:
    """Return the facts of a folder. Raises :class:`CompanionError` that names the key."""
    return facts_from_toml(read_text(path), path.name)


def write_new(path: Path, facts: Facts) -> None:
    """Write a new ``release.toml``; refuse to touch one that is there."""
    import tomli_w

    if path.exists():
        raise CompanionError("The folder already has facts", str(path), "edit them, or open the folder")
    head = "# The facts of this release. Yours to edit: comments and order are kept.\n\n"
    write_safely(path, (head + tomli_w.dumps(facts_to_plain(facts), multiline_strings=True)).encode())


def edited(text: str, changes: Mapping[str, Any]) -> str:
    """Return ``text`` with dotted keys set (None or empty: taken out), comments and order kept.

    Raises :class:`CompanionError` when the result would not be valid facts; nothing is written here.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    facts_from_toml(text)
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
        result = tomlkit.dumps(document)
    except TOMLKitError as error:
        raise CompanionError(
            f"The facts could not be edited: {error}", "release.toml", "edit the file by hand"
        ) from error
    facts_from_toml(result)
    return result


def _set(table: Any, name: str, value: Any) -> None:
    """Set one key as the smallest edit: unchanged values are left as the maker wrote them."""
    import tomlkit

    if isinstance(value, tuple):
        value = list(value)
    standing = table.get(name)
    plain = standing.unwrap() if hasattr(standing, "unwrap") else standing
    if value in (None, "", [], {}):
        if name in table:
            del table[name]
    elif plain == value:
        return
    elif isinstance(value, list) and value and isinstance(value[0], Mapping):
        tables = tomlkit.aot()
        for item in value:
            tables.append(tomlkit.item(dict(item)))
        table[name] = tables
    elif isinstance(value, str) and "\n" in value:
        table[name] = tomlkit.string(value, multiline=True)
    elif isinstance(value, list):
        array = tomlkit.array()
        array.extend(value)
        table[name] = array.multiline(len(value) > 3)
    else:
        table[name] = value


def with_waiver(text: str, waiver: Waiver) -> str:
    """Return ``text`` with a waiver added, in place of one for the same rule and path."""
    import tomlkit

    plain = {key: value for key, value in msgspec.to_builtins(waiver).items() if value}
    document = tomlkit.parse(_without(text, waiver.rule, waiver.path))
    if "waivers" not in document:
        document.add("waivers", tomlkit.aot())
    tables: Any = document["waivers"]
    tables.append(tomlkit.item(plain))
    result = tomlkit.dumps(document)
    facts_from_toml(result)
    return result


def without_waiver(text: str, rule: str, path: str) -> str:
    """Return ``text`` without the waiver for this rule and path. Raises :class:`CompanionError` when there is none."""
    if not any((waiver.rule, waiver.path) == (rule, path) for waiver in facts_from_toml(text).waivers):
        raise CompanionError(
            f"There is no waiver for {rule}", path or "the whole", "release.toml lists those there are"
        )
    return _without(text, rule, path)


def _without(text: str, rule: str, path: str) -> str:
    import tomlkit

    document = tomlkit.parse(text)
    tables: Any = document.get("waivers", [])
    for index in reversed(range(len(tables))):
        if tables[index].get("rule") == rule and tables[index].get("path", "") == path:
            del tables[index]
    if not len(tables) and "waivers" in document:
        del document["waivers"]
    return tomlkit.dumps(document)
