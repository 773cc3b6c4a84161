"""All snapshots of a folder, at little more than what git's own list costs.

Whoever lists snapshots waits mostly for imports, so what is rarely needed is imported where it is needed.
"""

from pathlib import Path

from companion.core.folder import Places
from companion.history.snapshot import Snapshot
from companion.history.store.snapshot_list import remembered


def snapshots(folder: Path) -> list[Snapshot]:
    """Return all snapshots of a working folder, newest first. Raises :class:`CompanionError`."""
    if (rows := remembered(Places(folder).history)) is not None:
        return rows
    from contextlib import closing

    from companion.history.store.store import Store

    with closing(Store(folder)) as store:
        return store.snapshots()
