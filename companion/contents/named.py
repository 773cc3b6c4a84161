"""Which files the facts name to the letter, outside of what they say of contents and layers."""

from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from companion.core.facts import Facts


def named_by_facts(facts: Facts, paths: Iterable[str]) -> dict[str, str]:
    """Return which of ``paths`` any other fact names to the letter, each with the key of that fact."""
    there = frozenset(paths)
    found: dict[str, str] = {}

    def look(value: Any, key: str) -> None:
        if isinstance(value, Mapping):
            for name, inner in value.items():
                look(inner, f"{key}.{name}" if key else name)
        elif isinstance(value, (list, tuple)):
            for inner in value:
                look(inner, key)
        elif isinstance(value, str) and (path := value.replace("\\", "/").removeprefix("./")) in there:
            found.setdefault(path, f"{key} of the facts names it")

    plain = msgspec.to_builtins(facts)
    for own in ("contents", "layers", "waivers"):
        plain.pop(own)
    look(plain, "")
    return found
