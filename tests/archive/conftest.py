"""Archives made by hand: every field of every header can be set, so that each lie can be told."""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from companion.archive.plan import ArchivePlan, plan


def deflated(data: bytes) -> bytes:
    coder = zlib.compressobj(6, zlib.DEFLATED, -15)
    return coder.compress(data) + coder.flush()


def _headers(entry: dict[str, Any], at: int) -> tuple[bytes, bytes]:
    """Return (local header with packed bytes, central header); ``local`` and ``central`` override single fields."""
    data: bytes = entry.get("data", b"content")
    method: int = entry.get("method", 8)
    packed: bytes = entry.get("packed", deflated(data) if method == 8 else data)
    name = entry.get("name", "Slate Choir/one.wav")
    raw: bytes = name if isinstance(name, bytes) else name.encode()
    fields = {
        "name": raw,
        "flags": entry.get("flags", 0 if raw.isascii() else 0x800),
        "method": method,
        "crc": zlib.crc32(data),
        "packed": len(packed),
        "size": len(data),
        "offset": at,
        "made": 3,
        "version": 20,
        "external": entry.get("mode", 0o100644) << 16,
        "extra": entry.get("extra", b""),
    }
    own, far = fields | entry.get("local", {}), fields | entry.get("central", {})
    local = struct.pack(
        "<4s5H3I2H", b"PK\x03\x04", 20, own["flags"], own["method"], 0, 33, own["crc"], own["packed"], own["size"],
        len(own["name"]), len(own["extra"]),
    )  # fmt: skip
    central = struct.pack(
        "<4s6H3I5H2I", b"PK\x01\x02", far["made"] << 8 | 20, far["version"], far["flags"], far["method"], 0, 33,
        far["crc"], far["packed"], far["size"], len(far["name"]), len(far["extra"]), 0, 0, 0, far["external"],
        far["offset"],
    )  # fmt: skip
    return (
        local + own["name"] + own["extra"] + packed + entry.get("behind", b""),
        central + far["name"] + far["extra"],
    )


@pytest.fixture
def raw_zip(tmp_path: Path) -> Callable[..., Path]:
    """Return a maker of archives from member descriptions, with bytes in front, before the directory and behind."""

    def make(
        *entries: dict[str, Any],
        front: bytes = b"",
        inside: bytes = b"",
        behind: bytes = b"",
        end: Mapping[str, int] | None = None,
        cut: int = 0,
    ) -> Path:
        body, directory = b"", b""
        for entry in entries or ({},):
            local, central = _headers(entry, len(body))
            body += local
            directory += central
        body += inside
        count = len(entries) or 1
        fields = {"disk": 0, "here": count, "count": count, "size": len(directory), "start": len(body)} | dict(
            end or {}
        )
        closing = struct.pack(
            "<4s4H2IH", b"PK\x05\x06", fields["disk"], fields["disk"], fields["here"], fields["count"], fields["size"],
            fields["start"], 0,
        )  # fmt: skip
        whole = front + body + directory + closing + behind
        path = tmp_path / "made.zip"
        path.write_bytes(whole[: len(whole) - cut])
        return path

    return make


@pytest.fixture
def planned() -> Callable[..., ArchivePlan]:
    """Return a maker of plans: it lays content by path into a folder, and plans to pack that."""

    def make(folder: Path, contents: Mapping[str, bytes], top: str = "Slate Choir", **made: bytes) -> ArchivePlan:
        files = []
        for path, data in contents.items():
            place = folder / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
            files.append((path, place, len(data), hashlib.sha256(data).hexdigest()))
        return plan(top, files, made)

    return make


@pytest.fixture
def audio() -> Callable[..., bytes]:
    """Return a maker of bytes that pack as 24-bit audio does (a tenth at most), the same for the same seed."""

    def make(size: int, seed: int = 1, dual: bool = False) -> bytes:
        import numpy as np

        rng = np.random.default_rng(seed)
        frames = size // 6 + 1
        wave = 2.0**20 * np.sin(np.arange(frames) * 0.013) + rng.normal(0, 2.0**11, frames)
        left = wave.astype("<i4").view("u1").reshape(-1, 4)[:, :3]
        other = 2.0**20 * np.sin(np.arange(frames) * 0.0131) + rng.normal(0, 2.0**11, frames)
        right = left if dual else other.astype("<i4").view("u1").reshape(-1, 4)[:, :3]
        return np.concatenate([left, right], axis=1).tobytes()[:size]

    return make
