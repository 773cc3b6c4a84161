"""How each instrument on the shelf stands: how far it is, what is next and due, what it weighs, what is out."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

import msgspec

from companion.core.errors import Cancelled, CompanionError
from companion.core.folder import Places
from companion.core.progress import Watch
from companion.steps.deeds import hidden

if TYPE_CHECKING:
    from companion.core.facts import Facts
    from companion.steps.account.due import Standing
    from companion.steps.desk import Desk
    from companion.trials.reports import Report


class OpenInstrument(Protocol):
    """What is asked of a folder that was opened: a workshop."""

    places: Places
    facts: Facts

    def status(self, watch: Watch) -> Standing: ...
    def desk(self, watch: Watch) -> Desk: ...
    def reports(self) -> tuple[Report, ...]: ...
    def close(self) -> None: ...


class Shelved(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument on the shelf.

    folder: absolute. settled: steps that are proven or waived, of ``steps``. next: the title of the first step that is
    not, and its state. due: why a snapshot is; empty where none is. bytes, files: of what would ship. released: the
    version that is out and current, and its day; empty where none is. reports: how many are open. problem: why it could
    not be looked at, in one line; all else is empty then.
    """

    folder: str
    title: str = ""
    version: str = ""
    settled: int = 0
    steps: int = 0
    next: str = ""
    due: str = ""
    bytes: int = 0
    files: int = 0
    released: str = ""
    reports: int = 0
    problem: str = ""


def shelved(folders: Iterable[Path], opened: Callable[[Path], OpenInstrument], watch: Watch) -> tuple[Shelved, ...]:
    """Look at each folder in turn; one that cannot be looked at is told and hinders no other.

    Whatever opening a folder would first have to put right is left alone: who only looks changes nothing.
    """
    found = []
    for folder in folders:
        watch.check()
        try:
            places = Places(folder)
            if places.restore_begun or hidden.is_hidden(places):
                raise CompanionError("Something is to be finished there first", "", "open it: companion FOLDER")
            found.append(_line(opened(folder), watch))
        except Cancelled:
            raise
        except CompanionError as error:
            found.append(Shelved(folder=str(folder), problem=error.line))
    return tuple(found)


def _line(shop: OpenInstrument, watch: Watch) -> Shelved:
    from companion.core.versions import instrument_version
    from companion.steps.deeds.released import releases_out

    try:
        standing = shop.status(watch)
        ships = shop.desk(watch).ships
        instrument = shop.facts.instrument
        left = next((one for one in standing.steps if not one.state.settled), None)
        out = next((one for one in releases_out(shop.places) if one.standing == "current"), None)
        known = out is not None and instrument_version(out.version) is not None
        return Shelved(
            folder=str(shop.places.folder),
            title=instrument.title.strip(),
            version=instrument.version.strip(),
            settled=sum(one.state.settled for one in standing.steps),
            steps=len(standing.steps),
            next=f"{left.title}: {left.state.value}" if left else "",
            due=standing.due.because if standing.due else "",
            bytes=sum(entry.size for entry in ships),
            files=len(ships),
            released=f"{out.version} {out.at}" if out and known else "",
            reports=sum(one.known.state == "open" for one in shop.reports()),
        )
    finally:
        shop.close()


CARRIED: Final[dict[str, tuple[str, ...]]] = {
    "instrument": ("maker", "contact", "licence", "licence_link", "lang"),
    "engine": ("name", "edition", "saved_with", "systems"),
    "naming": ("middle_c",),
}
"""Facts that a new instrument has in common with another of the same maker, by table."""


def carried_over(facts: Facts) -> dict[str, Any]:
    """Return what a new instrument takes over from another one's facts, by dotted key; what is empty is left out.

    The licence goes along only where SPDX knows it: a text of the maker's own lies in the other folder.
    """
    found = {
        f"{table}.{name}": value
        for table, names in CARRIED.items()
        for name in names
        if (value := getattr(getattr(facts, table), name)) not in ("", (), None)
    }
    if "LicenseRef-" in facts.instrument.licence:
        found.pop("instrument.licence", None)
        found.pop("instrument.licence_link", None)
    return found
