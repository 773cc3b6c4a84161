"""The mirror in a repository that only git can reach, on another computer: the one thing git is needed for."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path
from typing import Final

from companion.core.errors import CompanionError
from companion.core.progress import Watch
from companion.history.model import Mirrored
from companion.history.store import hermetic, refs
from companion.history.store.store import Store

_BATCH: Final = 10
_URL: Final = re.compile(r"(?:git|https?|ssh)://\S+|(?:[\w.-]+@)?[\w.-]{2,}:[^\\\s]+")


def is_remote(target: str) -> bool:
    """Tell whether a mirror's name is the address of a git repository elsewhere rather than a folder."""
    return not target.lower().startswith("file:") and bool(_URL.fullmatch(target)) and not Path(target).exists()


def send(store: Store, address: str, watch: Watch) -> Mirrored:
    """Push through GitPython, the oldest first and a few at a time, so that an interrupted one goes on where it was."""
    ours = store.named()
    with contextlib.closing(hermetic.repository(store.path)) as repository:
        listed = _git(repository.git.ls_remote, "--", address, "refs/snapshots/*")
        theirs = refs.parse(listed.replace("\t", " ")).snapshots
        refuse_another(ours, theirs, address)
        missing = sorted(number for number in ours.snapshots if number not in theirs)
        watch.stage("Sending snapshots", len(missing), "snapshots")
        for start in range(0, len(missing), _BATCH):
            batch = missing[start : start + _BATCH]
            names = [f"refs/snapshots/{number:06d}" for number in batch]
            _git(repository.git.push, "--quiet", "--no-verify", "--", address, *[f"{name}:{name}" for name in names])
            watch.step(len(batch))
        if tags := list(refs.Refs(releases=ours.releases).names()):
            _git(repository.git.push, "--quiet", "--no-verify", "--", address, *[f"{name}:{name}" for name in tags])
    return Mirrored(target=address, snapshots=len({**theirs, **ours.snapshots}), new=len(missing), bytes=0)


def _git(command: object, *arguments: str) -> str:
    assert callable(command)
    try:
        return str(command(*arguments))
    except Exception as error:
        reason = getattr(error, "stderr", "") or str(error)
        raise CompanionError(
            f"Git could not reach the mirror: {reason.strip()}", "", "check the address and that you may write there"
        ) from error


def refuse_another(ours: refs.Refs, theirs: dict[int, str], place: str) -> None:
    """Raise :class:`CompanionError` for a mirror that holds the snapshots of another folder."""
    differing = [number for number, commit in ours.snapshots.items() if theirs.get(number, commit) != commit]
    if not differing and not ours.snapshots.keys() & theirs.keys():
        # It may be what was mirrored before all of it was forgotten here, but no number that was never given.
        differing = [number for number in theirs if number >= ours.next_number]
    if differing:
        raise CompanionError(
            f"That mirror holds another history: its snapshot {differing[0]} is not ours", place, "choose another place"
        )
