"""A release with nothing wrong in it, for the tests of the steps to spoil one thing of."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from companion.core.entries import Entry, Kind
from companion.core.evidence import AwayTest
from companion.core.facts import Contents, Control, Engine, Facts, Instrument, Layer, Naming

Entries = Callable[..., tuple[Entry, ...]]


@pytest.fixture
def facts() -> Facts:
    """Facts that are complete and consistent."""
    return Facts(
        instrument=Instrument(
            title="Slate Choir",
            version="1.2",
            maker="Quay Room",
            summary="Slabs of slate, struck, brushed and hummed over.",
            contact="hello@quayroom.example",
            licence="CC-BY-4.0",
            licence_file="LICENCE.txt",
            rights="All of it was recorded by us, and may be passed on.",
        ),
        engine=Engine(
            name="Example Engine", edition="any", saved_with="7.2", minimum="7.2", systems=("windows", "macos")
        ),
        contents=Contents(patches=("Slate Choir.patch",)),
        naming=Naming(pattern="{layer}_{note}", middle_c="C3"),
        layers=(Layer(name="Struck", files=("Samples/*.wav",), low_key=36, high_key=96),),
        controls=(Control(name="Air", cc=21, rest=0.5),),
    )


@pytest.fixture
def spoil(facts: Facts) -> Callable[..., Facts]:
    """``spoil(instrument={...}, layers=...)``: the good facts with keys of a table, or a whole list, replaced."""

    def spoiled(**tables: Any) -> Facts:
        changed = {
            name: msgspec.structs.replace(getattr(facts, name), **value) if isinstance(value, dict) else value
            for name, value in tables.items()
        }
        return msgspec.structs.replace(facts, **changed)

    return spoiled


@pytest.fixture
def away() -> Callable[..., AwayTest]:
    """A passed away test, with what is given changed."""

    def test(**more: Any) -> AwayTest:
        values = {
            "kind": "another computer",
            "result": "pass",
            "who": "Ada",
            "engine_version": "7.2",
            "edition": "free",
            "system": "Windows 11",
            "played": "every key",
            "at": "2024-05-01T10:00:00Z",
        }
        return AwayTest(**{**values, **more})

    return test


KINDS = {"wav": Kind.SAMPLE, "patch": Kind.PATCH, "lua": Kind.SCRIPT, "png": Kind.PICTURE, "txt": Kind.DOCUMENT}


@pytest.fixture
def entries() -> Entries:
    """``entries({path: content})``: sorted entries, their kind by extension, impulse responses by folder."""

    def made(files: dict[str, str], **more: Any) -> tuple[Entry, ...]:
        found = []
        for path, content in sorted(files.items()):
            kind = KINDS.get(path.rpartition(".")[2], Kind.OTHER)
            if path.startswith("IR/"):
                kind = Kind.IMPULSE
            sha = hashlib.sha256(content.encode()).hexdigest()
            values = {"path": path, "size": len(content), "mtime_ns": 0, "inode": 0, "kind": kind, "sha256": sha}
            found.append(Entry(**{**values, **more}))
        return tuple(found)

    return made
