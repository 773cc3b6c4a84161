"""Every key of ``release.toml``, and a maker's own templates: read off the types, so that neither can go stale."""

import inspect
import re
from typing import Any, Final

import msgspec

from companion.cli.render.outputs import default_text, type_text
from companion.core.facts import FACTS_FILE, Facts
from companion.core.folder import TEMPLATES
from companion.core.text import visible

_LINE: Final = re.compile(
    r"^(?P<key>\w+)(?: \[(?P<unit>[^]]+)\])?: (?P<means>.+?)(?: \(rule: (?P<rule>[a-z-]+)\))?"
    r"; e\.g\. (?P<example>.+)$",
    re.MULTILINE,
)
"""A key in the docstring of its table: ``key [unit]: what it means (rule: the-rule); e.g. example as TOML``."""


def facts_data() -> dict[str, Any]:
    """Return every table of the facts and every key in it: type, unit, default, example, the rule behind a limit."""
    return {"facts": [_table(field) for field in msgspec.structs.fields(Facts)], "templates": _templates()}


def _table(field: msgspec.structs.FieldInfo) -> dict[str, Any]:
    several = not (isinstance(field.type, type) and issubclass(field.type, msgspec.Struct))
    struct: Any = field.type.__args__[0] if several else field.type
    doc = inspect.cleandoc(struct.__doc__)  # from Python 3.13 on it is clean already
    described = {match["key"]: match for match in _LINE.finditer(doc)}
    return {
        "table": f"[[{field.name}]]" if several else f"[{field.name}]",
        "means": " ".join(doc.partition("\n\n")[0].split()).replace("``", ""),
        "keys": [_key(key, described[key.name]) for key in msgspec.structs.fields(struct)],
    }


def _key(key: msgspec.structs.FieldInfo, described: re.Match[str]) -> dict[str, Any]:
    from companion.workshop import explain

    limits = explain(described["rule"]) if described["rule"] else ()
    return {
        "key": key.name,
        "means": described["means"],
        "type": type_text(key.type),
        "unit": described["unit"] or "",
        "required": key.required,
        "default": limits[0].limit if limits else default_text(key),
        "rule": described["rule"] or "",
        "example": described["example"],
    }


def stated_line(key: str, value: Any) -> str:
    """Return a fact as one line: ``instrument.without: controls``."""
    several = isinstance(value, (list, tuple))
    text = ", ".join(visible(str(item)) for item in value) if several else visible(str(value))
    return f"{visible(key)}: {text}" if value not in (None, "", (), []) else f"{visible(key)} is not stated."


def _templates() -> dict[str, Any]:
    from companion.words.sandbox import BUILT_IN
    from companion.words.story import Story

    return {
        "folder": TEMPLATES,
        "names": sorted(path.name for path in BUILT_IN.glob("[!_]*.jinja")),
        "fields": {field.name: type_text(field.type) for field in msgspec.structs.fields(Story)},
    }


def facts_lines() -> list[str]:
    """Return the same as text: a table, then each of its keys with what it means and an example to copy."""
    data = facts_data()
    lines = [f"{FACTS_FILE}: what each key means. Any key may be left out but those marked “needed”."]
    for table in data["facts"]:
        lines += ["", table["table"], f"  {table['means']}"]
        for key in table["keys"]:
            unit = f" in {key['unit']}" if key["unit"] else ""
            default = "needed" if key["required"] else f"default: {key['default']}"
            rule = f", see: companion explain {key['rule']}" if key["rule"] else ""
            lines += [
                f"  {key['key']} = {key['example']}",
                f"      {key['means']} ({key['type']}{unit}; {default}{rule})",
            ]
    templates = data["templates"]
    return [
        *lines,
        "",
        f"{templates['folder']}/",
        "  Templates of your own (Jinja2). A file of yours stands in for the built-in one of that name. page.md.jinja",
        "  goes before page.jinja, for that format alone; so do readme and changelog, and the formats txt and html.",
        *(f"  {name}" for name in templates["names"]),
        "  What they can print; whatever it is, it is made safe for the format:",
        *(f"  {name} ({kind})" for name, kind in templates["fields"].items()),
    ]
