"""Measures many files at once: from the cache where the content is known, else in worker processes."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

import msgspec

from companion.core.cache import Cache
from companion.core.progress import Watch
from companion.sound.measures.measured import VERSION, Measured
from companion.sound.measures.pool import Job, default_workers, run_jobs

TABLE: Final = f"sound-{VERSION}"
_KEEP_EVERY: Final = 256
_ALL_AT_ONCE: Final = 64

AudioFile = tuple[str, Path, str]
"""Path relative to the folder, path on this computer, SHA-256 of the content or an empty string."""
Still = Callable[[str], bool]

_decode = msgspec.msgpack.Decoder(Measured).decode


def always(path: str) -> bool:
    """Tell of no file that it changed: for whoever gives no hashes."""
    return True


def measure_files(
    files: Sequence[AudioFile],
    cache: Cache,
    watch: Watch,
    *,
    workers: int | None = None,
    still: Still = always,
) -> dict[str, Measured]:
    """Return the measures of each file by its relative path.

    still: tells of a relative path, after it was read, whether it is the content its hash was taken of; only then is
    what was measured remembered under that hash. A file that cannot be read, or that crashes or stalls its worker,
    has ``problem`` set and costs no other file. Progress is in files, with the times-real-time rate as its note. Raises
    :class:`companion.core.errors.Cancelled` within a second of being asked to stop; what was measured until then stays
    in the cache.
    """
    watch.stage("Measuring sound", len(files), "files")
    results: dict[str, Measured] = {}
    known = known_of(TABLE, files, cache)
    todo: list[AudioFile] = []
    seen: dict[str, list[str]] = {}
    for relative, path, sha in files:
        kept = known.get(sha) if sha else None
        if kept is not None:
            results[relative] = msgspec.structs.replace(_decode(kept), path=relative)
        elif sha and sha in seen:
            seen[sha].append(relative)  # the same bytes twice: measured once
        else:
            todo.append((relative, path, sha))
            if sha:
                seen[sha] = [relative]
    if len(results):
        watch.step(len(results), "known from before")
    if todo:
        _measure_new(todo, seen, results, cache, watch, workers, still)
    return {relative: results[relative] for relative, _, _ in files}


def _measure_new(
    todo: Sequence[AudioFile],
    twins: Mapping[str, list[str]],
    results: dict[str, Measured],
    cache: Cache,
    watch: Watch,
    workers: int | None,
    still: Still,
) -> None:
    jobs = [Job(index, "measure", (os.fsencode(path),), size_of(path)) for index, (_, path, _) in enumerate(todo)]
    # The longest first, so that the last worker is not left alone with one.
    jobs.sort(key=lambda job: -job.size)
    fresh: list[tuple[bytes, bytes]] = []
    seconds, began = 0.0, time.monotonic()
    count = min(workers or default_workers(), (len(jobs) + 7) // 8)
    try:
        for outcome in run_jobs(jobs, watch, count):
            relative, _, sha = todo[outcome.key]
            if outcome.failure:
                measured = Measured(problem="unreadable", problem_text=outcome.failure)
            else:
                measured = _decode(outcome.value)
                if sha and still(relative):
                    fresh.append((bytes.fromhex(sha), outcome.value))
            seconds += measured.seconds
            names = twins[sha] if sha else [relative]
            for name in names:
                results[name] = msgspec.structs.replace(measured, path=name)
            if len(fresh) >= _KEEP_EVERY:
                cache.put(TABLE, fresh)
                fresh = []
            rate = seconds / max(1e-3, time.monotonic() - began)
            watch.step(len(names), f"{rate:,.0f} × real time")
    finally:
        cache.put(TABLE, fresh)


def size_of(path: Path) -> int:
    """Return the bytes of a file, 0 where the system does not tell."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def known_of(table: str, files: Sequence[AudioFile], cache: Cache) -> dict[str, bytes]:
    """Return what a table holds of these files' contents, by SHA-256."""
    hashes = {sha for _, _, sha in files if sha}
    if len(hashes) > _ALL_AT_ONCE:
        everything = cache.everything(table)
        return {sha: value for sha in hashes if (value := everything.get(bytes.fromhex(sha))) is not None}
    return {sha: value for sha in hashes if (value := cache.get(table, bytes.fromhex(sha))) is not None}
