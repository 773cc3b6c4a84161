"""Types and defaults of fields as a person reads them."""

import json
import types
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

import msgspec

_PLAIN: Final[dict[Any, str]] = {
    str: "text",
    Path: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    type(None): "null",
    msgspec.UnsetType: "left out",
    Any: "anything",
}


def type_text(kind: Any) -> str:
    """Return what a type allows: ``text``, ``list of text``, ``“C3” or “C4”``, or the name of an object."""
    origin, inside = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return type_text(inside[0])
    if origin is Literal:
        return " or ".join(f"“{value}”" for value in inside if value != "")
    if origin in (Union, types.UnionType):
        return " or ".join(type_text(part) for part in inside)
    if origin is tuple and Ellipsis not in inside:
        return f"list [{', '.join(map(type_text, inside))}]"
    if origin in (tuple, list):
        return f"list of {type_text(inside[0])}"
    if origin in (dict, Mapping):
        return f"object of {type_text(inside[1])} by {type_text(inside[0])}"
    if isinstance(kind, type) and issubclass(kind, Enum):
        return " or ".join(f"“{one.value}”" for one in kind)
    return _PLAIN.get(kind) or str(getattr(kind, "__name__", kind))


def default_text(field: msgspec.structs.FieldInfo) -> str:
    """Return the default of a field as JSON and TOML write it; ``none`` where it is empty."""
    value = field.default if field.default is not msgspec.NODEFAULT else None
    return "none" if value in (None, "", ()) else json.dumps(value)
