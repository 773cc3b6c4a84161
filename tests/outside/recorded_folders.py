"""Recordings as they lie in folders, an instrument each, in place of a bank: ``COMPANION_BANK`` names their folder.

Whatever the companion reads counts. Root note and loop are those of a file's ``smpl`` chunk, where it has one.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import soundfile

from companion.sound.files.headers import read_chunks

SUFFIXES = {".wav", ".aif", ".aiff", ".flac", ".ogg", ".oga"}
NO_ROOT = -1


def instruments_in(folder: Path) -> Iterator[tuple[str, list[Path]]]:
    """Yield (folder's name, its recordings in order) of each folder below ``folder`` that holds any."""
    for inner in sorted(path for path in folder.rglob("*") if path.is_dir()):
        files = sorted(path for path in inner.iterdir() if path.suffix.lower() in SUFFIXES)
        if files:
            yield inner.relative_to(folder).as_posix(), files


def recording(path: Path) -> tuple[int, Any, int, int, int, int] | None:
    """Return (rate, samples in one channel, root note or −1, cents, loop start, loop end); None for no sound."""
    try:
        samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    except soundfile.LibsndfileError:
        return None
    if not len(samples):
        return None
    chunks = read_chunks(path)
    inside = [loop for loop in chunks.loops if loop.kind == "forward" and 0 <= loop.start < loop.end <= len(samples)]
    start, end = (inside[0].start, inside[0].end) if inside else (0, 0)
    root = NO_ROOT if chunks.root_note is None else chunks.root_note
    return rate, samples.mean(axis=1), root, round(chunks.fine_cents), start, end
