"""One snapshot as a plain value.

Written out by hand: whoever lists snapshots waits for imports, and a seventh of that wait would be ``typing`` alone.
"""

from __future__ import annotations


class Snapshot:
    """The whole working folder as it was once. Nobody changes one; :meth:`but` gives another.

    number: small, never used twice; it alone tells the order. id, tree: git's commit and tree ids, 40 hex digits.
    at: UTC, ISO 8601, as the clock then said. kind: why it was taken: "asked" by the maker, "before-restore", for a
    "release", or "due" since many files had changed. version: set when this snapshot was released.
    changed_while_read: files that did not hold still; what was read last is kept.
    left_out: path and reason for each file that is not in it. empty_folders: folders that hold no file.
    new: whether the call that returned it made it (False: nothing had changed, this one already holds it all).
    """

    __slots__ = (  # noqa: RUF023 -- in the order of the call, which is the order people read them in
        "number",
        "id",
        "tree",
        "label",
        "at",
        "kind",
        "files",
        "bytes",
        "version",
        "changed_while_read",
        "left_out",
        "empty_folders",
        "new",
    )

    def __init__(
        self,
        number: int,
        id: str,  # noqa: A002 -- git's own word for it
        tree: str,
        label: str,
        at: str,
        kind: str = "asked",
        files: int = 0,
        bytes: int = 0,  # noqa: A002
        version: str = "",
        changed_while_read: tuple[str, ...] = (),
        left_out: tuple[tuple[str, str], ...] = (),
        empty_folders: tuple[str, ...] = (),
        new: bool = True,
    ) -> None:
        self.number = number
        self.id = id
        self.tree = tree
        self.label = label
        self.at = at
        self.kind = kind
        self.files = files
        self.bytes = bytes
        self.version = version
        self.changed_while_read = changed_while_read
        self.left_out = left_out
        self.empty_folders = empty_folders
        self.new = new

    @property
    def whole(self) -> bool:
        """Whether everything there was is in it, and held still while it was read."""
        return not self.left_out and not self.changed_while_read

    def as_dict(self) -> dict[str, object]:
        """Return every field by name."""
        return {name: getattr(self, name) for name in self.__slots__}

    def but(self, **changes: object) -> Snapshot:
        """Return this snapshot with some fields changed."""
        return Snapshot(**{**self.as_dict(), **changes})  # type: ignore[arg-type]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Snapshot) and self.as_dict() == other.as_dict()

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"Snapshot({', '.join(f'{name}={value!r}' for name, value in self.as_dict().items())})"
