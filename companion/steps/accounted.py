"""What of a folder is accounted for: the grounds of Contents, and those that the sound room reads out of names."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.facts import Facts
from companion.core.files import read_capped

if TYPE_CHECKING:
    from companion.contents.account import Account
    from companion.contents.folder_scan import FolderScan
    from companion.core.entries import Entry


def stated_of(facts: Facts, paths: Iterable[str]) -> Any:
    """Return, as plain values, all that the facts say and that may account for a file among ``paths``."""
    from companion.contents.named import named_by_facts

    layers = [(layer.name, layer.files) for layer in facts.layers]
    return (
        facts.contents,
        layers,
        (facts.naming.pattern, *facts.naming.more),
        facts.naming.zones,
        sorted(named_by_facts(facts, paths).items()),
    )


def account_of(folder: Path, look: FolderScan, facts: Facts) -> Account:
    """Return why each file of a folder ships, and what is asked about."""
    from companion.contents.account import account_for
    from companion.contents.named import named_by_facts

    named = named_by_facts(facts, (entry.path for entry in look.selection.ships))
    for path, why in _placed(folder, look.selection.ships, facts).items():
        named.setdefault(path, why)
    return account_for(look.selection, look.references, facts, named)


def _placed(folder: Path, ships: Iterable[Entry], facts: Facts) -> dict[str, str]:
    """Return the samples whose place on the keyboard the facts tell: by the zone list, or by how names are read.

    A pattern or a list that does not read accounts for nothing here; the Sound step says what is wrong with it.
    """
    from companion.sound.zones.naming import place_all
    from companion.sound.zones.zones import read_table

    samples = [entry.path for entry in ships if entry.kind is Kind.SAMPLE]
    found: dict[str, str] = {}
    if name := facts.naming.zones:
        try:
            table = read_table(read_capped(folder / name, 16 << 20, "table of zones").decode("utf-8-sig", "replace"))
        except (CompanionError, OSError, ValueError):
            table = {}
        found |= {path: "the zone list of the facts places it" for path in samples if path in table}
    try:
        placed = place_all(samples, facts.naming)
    except CompanionError:
        placed = {}
    return dict.fromkeys(placed, "its name reads as naming.pattern says") | found


def mark_of_asked(account: Account) -> str:
    """Return what a fingerprint takes in of what is asked about; empty where nothing is."""
    if not account.asked:
        return ""
    asked = "\0".join(f"{group.id}\0{len(group.paths)}" for group in account.asked)
    return hashlib.sha256(asked.encode("utf-8", "surrogatepass")).hexdigest()
