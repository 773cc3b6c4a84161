from __future__ import annotations

from companion.contents.inventory import Inventory
from companion.contents.kinds import kinds_by
from companion.contents.selection import EXCLUDED, LINK, NOT_INCLUDED, OURS, SYSTEM, WORKING, Selection, select
from companion.core.entries import Entry, Kind
from companion.core.facts import Contents

PATHS = ["a.wav", "b.zip", ".DS_Store", "old/c.wav", "readme.txt", "release.toml", "release-words/page.md", "x/d.wav"]


def ship(facts: Contents, referenced: frozenset[str] = frozenset()) -> Selection:
    entries = [Entry(path=p, size=1, mtime_ns=0, inode=0, kind=kinds_by(facts)(p)) for p in PATHS]
    entries.append(Entry(path="z", size=0, mtime_ns=0, inode=0, kind=Kind.OTHER, link="a.wav"))
    return select(Inventory(entries=tuple(entries)), facts, referenced=referenced)


def reasons(selection: Selection) -> dict[str, str]:
    return {stray.entry.path: stray.reason for stray in selection.left_out}


def test_everything_but_strays() -> None:
    chosen = ship(Contents())
    assert chosen.paths == {"a.wav", "b.zip", "readme.txt", "x/d.wav"}
    assert reasons(chosen) == {
        ".DS_Store": SYSTEM,
        "old/c.wav": WORKING,
        "release.toml": OURS,
        "release-words/page.md": OURS,
        "z": LINK,
    }


def test_exclude_wins_over_include() -> None:
    chosen = ship(Contents(include=("*.wav", "x/**"), exclude=("x",), documents=("readme.txt",)))
    assert chosen.paths == {"a.wav", "readme.txt"}
    assert reasons(chosen)["x/d.wav"] == EXCLUDED
    assert reasons(chosen)["b.zip"] == NOT_INCLUDED
    assert reasons(ship(Contents(include=("x/d.wav",), exclude=("x",))))["x/d.wav"] == EXCLUDED  # also over a full name
    assert reasons(ship(Contents(include=("x/d.wav",), exclude=("x/d.wav",))))["x/d.wav"] == EXCLUDED
    assert reasons(ship(Contents(include=("old/c.wav",), exclude=("*/c.wav",))))["old/c.wav"] == EXCLUDED


def test_a_working_file_ships_when_named_or_referred_to() -> None:
    assert "old/c.wav" not in ship(Contents(include=("**",))).paths
    named = ship(Contents(include=("**", "old/c.wav")))
    assert "old/c.wav" in named.paths
    referred = ship(Contents(), frozenset(["old/c.wav", ".DS_Store"]))
    assert [e.kind for e in referred.ships if e.path == "old/c.wav"] == [Kind.SAMPLE]
    assert ".DS_Store" not in referred.paths
    assert "old/c.wav" not in ship(Contents(exclude=("old/**",)), frozenset(["old/c.wav"])).paths
