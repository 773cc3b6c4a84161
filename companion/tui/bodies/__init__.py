"""The bodies of the steps, one small module each, imported when a step is first opened.

A step names its body: ``words`` stands for ``WordsBody`` in the module ``words``.
"""

from importlib import import_module
from typing import cast

from companion.tui.parts.body import Body


def body_of(name: str) -> type[Body]:
    """Return the class of a body by its name."""
    return cast("type[Body]", getattr(import_module(f"companion.tui.bodies.{name}"), f"{name.title()}Body"))
