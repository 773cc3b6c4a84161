"""Which content a file had when it last looked like this: good enough for a hint, not for a snapshot."""

from __future__ import annotations

from companion.history.known import ROW, Known, change_of, inode_of
from companion.history.names import to_git
from companion.history.walk import Seen


class Lookalike(Known):
    """The blob ids a snapshot remembers, asked without its caution.

    A snapshot does not trust the times of a file that was written within two seconds of being read, and reads it again.
    Where nothing but a line on a screen hangs on it, times that are the same to the nanosecond do.
    """

    def last(self, seen: Seen) -> str:
        """Return the blob id (40 hex digits) read from a file of this path, size, times and inode, or nothing."""
        row = self._all().get(to_git(seen.path))
        if row is None or len(row) != ROW.size:
            return ""
        size, mtime, changed, inode, blob, _ = ROW.unpack(row)
        same = (size, mtime, changed, inode) == (seen.size, seen.mtime_ns, change_of(seen), inode_of(seen))
        return blob.hex() if same else ""
