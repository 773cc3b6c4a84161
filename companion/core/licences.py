"""Under which licences everything is that the companion brings along or rests on."""

import json
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.one_file import is_one_file

PACKAGE: Final = "release-companion"
INSIDE: Final = Path(__file__).parents[1] / "_licences.json"
"""The list that was made when the one file was built."""
_NAMES: Final = ("LICENSE", "LICENCE", "COPYING", "COPYRIGHT", "NOTICE", "AUTHORS")
_LONGEST: Final = 60


class Part(msgspec.Struct, frozen=True, kw_only=True):
    """One part. licence: as its makers name it, an SPDX expression where they do. texts: those that come with it."""

    name: str
    version: str = ""
    licence: str = ""
    texts: tuple[str, ...] = ()


def parts() -> tuple[Part, ...]:
    """Return every part, by name, ourselves first. Raises :class:`CompanionError` where the list cannot be read."""
    if not is_one_file():
        return parts_of(needed())
    try:
        return msgspec.json.decode(INSIDE.read_bytes(), type=tuple[Part, ...])
    except (OSError, msgspec.MsgspecError) as error:
        raise CompanionError(
            "The list of licences cannot be read", str(INSIDE), "download the companion again"
        ) from error


def needed() -> list[Distribution]:
    """Return what is installed of what the companion requires, and of what that requires, the companion first."""
    from packaging.requirements import Requirement

    found: dict[str, Distribution] = {}
    waiting: list[tuple[str, tuple[str, ...]]] = [(PACKAGE, ("", "play"))]
    while waiting:
        name, extras = waiting.pop()
        key = name.lower().replace("_", "-").replace(".", "-")
        if key in found:
            continue
        try:
            found[key] = one = distribution(name)
        except PackageNotFoundError:  # an extra that was not asked for
            continue
        for text in one.requires or ():
            asked = Requirement(text)
            if asked.marker is None or any(asked.marker.evaluate({"extra": extra}) for extra in extras):
                waiting.append((asked.name, ("", *sorted(asked.extras))))
    ours = found.pop(PACKAGE, None)
    return [*([ours] if ours else []), *(found[key] for key in sorted(found))]


def parts_of(distributions: list[Distribution]) -> tuple[Part, ...]:
    """Return the licence of each, with its texts."""
    return tuple(
        Part(name=one.name, version=one.version, licence=licence_of(one), texts=tuple(_texts(one)))
        for one in distributions
    )


def licence_of(one: Distribution) -> str:
    """Return what a distribution says of itself: an expression, else its own words, else its classifiers."""
    about = one.metadata
    words, expression = ("".join((about.get_all(field) or [""])[:1]) for field in ("License", "License-Expression"))
    named = [line.split(" :: ")[-1] for line in about.get_all("Classifier") or () if line.startswith("License ::")]
    short = words if "\n" not in words.strip() and len(words) <= _LONGEST else ""
    return expression or short.strip() or ", ".join(named) or words.strip().partition("\n")[0]


def _texts(one: Distribution) -> list[str]:
    found = [path for path in one.files or () if path.name.upper().startswith(_NAMES) and path.suffix != ".py"]
    texts = []
    for path in found:
        try:
            texts.append(Path(str(one.locate_file(path))).read_text("utf-8", "replace").strip())
        except OSError:
            continue
    return list(dict.fromkeys(texts))


def listed(found: tuple[Part, ...]) -> bytes:
    """Return the list as it is kept in the one file."""
    return json.dumps(msgspec.to_builtins(found), indent=0, ensure_ascii=False).encode()
