"""Windows played on another system: modules that see its name, and a disk on which files are held open elsewhere."""

from __future__ import annotations

import builtins
import io
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.core import patience
from companion.core.text import same_name_key


class Named:
    """The module :mod:`os` as a module of ours sees it on a system of another name."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)


def on_windows(monkeypatch: pytest.MonkeyPatch, *modules: Any) -> None:
    """Let these modules, and no other, take this system for Windows."""
    for module in modules:
        monkeypatch.setattr(module, "os", Named("nt"))


def refusal(code: int, path: object = "") -> PermissionError:
    """What Python raises for a Windows error of that number."""
    error = PermissionError(13, "The process cannot access the file", str(path))
    error.winerror = code  # type: ignore[attr-defined,unused-ignore]
    return error


class Sharing:
    """Names that another program holds open: each call on one is refused so many times, then lets it be."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, windows: bool = True) -> None:
        self.held: dict[str, int] = {}
        self.code = 32
        self.slept: list[float] = []
        monkeypatch.setattr(patience, "WINDOWS", windows)
        monkeypatch.setattr("companion.core.patience.time.sleep", self.slept.append)
        for name in ("replace", "unlink", "rename"):
            monkeypatch.setattr(os, name, self._guarded(getattr(os, name)))

    def _guarded(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def guarded(*paths: Any, **more: Any) -> Any:
            for path in paths:
                name = Path(path).name
                for held, left in self.held.items():
                    if left and name.startswith(held):
                        self.held[held] = left - 1
                        raise refusal(self.code, path)
            return call(*paths, **more)

        return guarded


class Folding:
    """A disk, from ``root`` down, that takes two names for one where only case or composition tells them apart."""

    _CALLS = ("stat", "lstat", "open", "unlink", "mkdir", "rmdir", "listdir", "scandir", "chmod", "access", "utime")
    _TWO = ("replace", "rename", "link", "symlink")

    def __init__(self, monkeypatch: pytest.MonkeyPatch, root: Path) -> None:
        self.root = os.fspath(root)
        self._list = os.listdir
        for name in self._CALLS:
            monkeypatch.setattr(os, name, self._one(getattr(os, name)))
        for name in self._TWO:
            monkeypatch.setattr(os, name, self._two(getattr(os, name)))
        for module in (builtins, io):
            monkeypatch.setattr(module, "open", self._one(io.open))

    def there(self, path: Any) -> Any:
        """Return the path by the names that are on the disk."""
        if not isinstance(path, str | os.PathLike) or not os.fspath(path).startswith(self.root + os.sep):
            return path
        found = self.root
        for part in Path(path).relative_to(self.root).parts:
            names = self._list(found) if os.path.isdir(found) else []  # noqa: PTH112
            alike = (name for name in names if same_name_key(name) == same_name_key(part))
            found = f"{found}{os.sep}{part if part in names else next(alike, part)}"
        return found

    def _one(self, call: Callable[..., Any]) -> Callable[..., Any]:
        return lambda path=".", *given, **more: call(self.there(path), *given, **more)

    def _two(self, call: Callable[..., Any]) -> Callable[..., Any]:
        """A target that folds to the source itself keeps the name it is given: that is how case is changed."""

        def run(source: Any, target: Any, **more: Any) -> Any:
            one, two = self.there(source), self.there(target)
            return call(one, target if one == two else two, **more)

        return run
