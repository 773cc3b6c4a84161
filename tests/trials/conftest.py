"""What is slow and the same for many tests is made once a session, by whichever worker comes first."""

from __future__ import annotations

import hashlib
import os
import pickle
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

_PATIENCE_S: Final = 60.0
"""A worker that was ended leaves its claim behind: then the next one makes the thing after all."""

Once = Callable[[str, Callable[[], Any]], Any]


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """``once(name, make)``: what ``make`` returns, kept under a name by all workers of this session."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    kept: dict[str, Any] = {}

    def get(name: str, make: Callable[[], Any]) -> Any:
        if name not in kept:
            path = shared / f"once-{hashlib.sha256(name.encode()).hexdigest()[:24]}"
            kept[name] = _read(path) if path.exists() or not _claimed(path) else _made(path, make)
        return kept[name]

    def _read(path: Path) -> Any:
        return pickle.loads(path.read_bytes())

    def _made(path: Path, make: Callable[[], Any]) -> Any:
        value = make()
        ready = path.with_suffix(f".{os.getpid()}")
        ready.write_bytes(pickle.dumps(value))
        ready.replace(path)
        return value

    def _claimed(path: Path) -> bool:
        """Claim the making of a thing; False once another worker has made it."""
        try:
            path.with_suffix(".claim").touch(exist_ok=False)
        except FileExistsError:
            end = time.monotonic() + _PATIENCE_S
            while not path.exists() and time.monotonic() < end:
                time.sleep(0.05)
            return not path.exists()
        return True

    return get
