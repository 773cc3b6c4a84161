"""Which snapshots there are, where the list of them cannot be believed: told by the commits that are there."""

from __future__ import annotations

import contextlib
from typing import Final

from companion.history.store import refs
from companion.history.store.commits import number_of, snapshot_of, split_commit
from companion.history.store.objects import COMMIT
from companion.history.store.packs import Damaged, Packs

RELEASE_LABEL: Final = "Release "
"""How the label of a snapshot begins that was taken for a release; the version follows."""


def commit_texts(packs: Packs) -> dict[str, str]:
    """Return the message of every commit that can be read, by id (40 hex digits)."""
    found = {}
    for oid in packs.places:
        with contextlib.suppress(Damaged, ValueError):
            if packs.kind(oid) == COMMIT:
                found[oid.hex()] = split_commit(packs.read(oid))[1]
    return found


def resolved(packs: Packs, listed: refs.Listed) -> tuple[refs.Refs, str]:
    """Return the snapshots by name, and what is wrong with their list (empty: nothing).

    Of a list that says nothing of itself, commits that it does not name may have been forgotten; once anything in it
    is wrong, they may as well have been lost from it, and are named again: what is named too much can be forgotten,
    what is not named is swept away.
    """
    if listed.certain:
        return listed.refs, listed.problem
    texts, problem = commit_texts(packs), listed.problem
    own = {commit: number for commit, text in texts.items() if (number := number_of(text))}
    named = dict(listed.refs.snapshots)
    for number, commit in listed.refs.snapshots.items():
        told = own.get(commit, number)
        if told != number or (commit not in texts and number in own.values()):
            problem = problem or "the list of snapshots is damaged"
            del named[number]
            named.setdefault(told, commit) if told != number else None
    if not named and own:
        problem = problem or "the list of snapshots names none"
    if not problem:
        return listed.refs, ""
    found = refs.Refs(named, listed.refs.releases, max(listed.refs.last, *own.values(), 0))
    for commit, number in sorted(own.items(), key=lambda item: (item[1], item[0])):
        if commit not in named.values():
            named[number if number not in named else refs.Refs(named, {}, found.last).next_number] = commit
    releases = {version: commit for version, commit in found.releases.items() if commit in texts}
    for commit, text in texts.items():
        row = snapshot_of(0, commit, "", text, "")
        if row.kind == "release" and row.label.startswith(RELEASE_LABEL):
            releases.setdefault(row.label.removeprefix(RELEASE_LABEL), commit)
    return refs.Refs(named, releases, found.last), problem
