"""The commands. They show and ask, and decide nothing; everything heavy is imported where it is used."""

import sys

from companion.core.single import one_thread_each

__all__ = ["main"]


def main() -> None:
    """Run the command line, and leave with its exit code."""
    one_thread_each()
    if sys.argv[1:2] == ["snapshots"]:
        from companion.cli.quick import answered

        if answered(sys.argv[2:]):
            return
    from companion.cli.base import main as run

    run()
