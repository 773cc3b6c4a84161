"""What is noted of test kits, as files: one beside the other under ``.companion/kits``, by the code of each."""

from __future__ import annotations

import contextlib
import json
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.files import read_capped, write_safely

if TYPE_CHECKING:
    from pathlib import Path

    from companion.core.folder import Places

_MOST_RECORD: Final = 1 << 16


class KitRecord(msgspec.Struct, frozen=True, kw_only=True):
    """A kit that was made. code: as the form bears it. who: a first name or initials, or empty. content, sounding: what
    the helper's test and the bounce rest on; engine: as the facts called it. music: names of the performance's files.
    outcome: what came of it; empty while nobody has answered. engine_version, edition, system: as the helper has them.
    """

    code: str
    who: str = ""
    at: str = ""
    version: str = ""
    engine: str = ""
    content: str = ""
    sounding: str = ""
    archive: str = ""
    sha256: str = ""
    music: tuple[str, ...] = ()
    returned: str = ""
    outcome: str = ""
    engine_version: str = ""
    edition: str = ""
    system: str = ""


def kits_in(places: Places) -> tuple[KitRecord, ...]:
    """Return the kits that were made here, the latest last; what does not read is passed over."""
    found = (_read(path) for path in places.kits.glob("*.json")) if places.kits.is_dir() else ()
    return tuple(sorted((one for one in found if one), key=lambda one: (one.at, one.code)))


def record_of(places: Places, code: str) -> KitRecord | None:
    """Return what is noted of the kit ``code``; None where none of that code was made here."""
    record = _read(places.kits / f"{code}.json")
    return record if record and record.code == code else None


def _read(path: Path) -> KitRecord | None:
    with contextlib.suppress(CompanionError, ValueError, RecursionError, msgspec.ValidationError):
        return msgspec.convert(json.loads(read_capped(path, _MOST_RECORD)), KitRecord)
    return None


def keep(places: Places, record: KitRecord) -> None:
    """Note a kit. Raises :class:`CompanionError`."""
    text = json.dumps({"schema": 1, **msgspec.to_builtins(record)}, ensure_ascii=True, indent=1)
    write_safely(places.kits / f"{record.code}.json", text.encode("ascii") + b"\n", root=places.folder)


def note_returned(places: Places, code: str, at: str, outcome: str, test: AwayTest | None) -> None:
    """Note what came of a kit. test: what it told, where it counts as one."""
    if record := record_of(places, code):
        told = test or AwayTest(kind="another player", result="fail")
        keep(
            places,
            msgspec.structs.replace(
                record,
                returned=at,
                outcome=outcome,
                engine_version=told.engine_version,
                edition=told.edition,
                system=told.system,
            ),
        )
