"""The commands. They show and ask, and decide nothing; everything heavy is imported where it is used."""

from companion.cli.base import main

__all__ = ["main"]
