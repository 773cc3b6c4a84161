"""Contents and Paths: a look that takes a while, and what it found."""

from typing import ClassVar

from companion.tui.parts.body import AWAY, Body


class RunBody(Body):
    """The findings alone; r looks again, and the foot shows how far the look is."""

    RUNS: ClassVar = True
    AGAIN: ClassVar = "Then r looks again."
    MENDS: ClassVar = {"patch-opaque": AWAY}
