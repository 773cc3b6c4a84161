"""Measures and reads many files at once: from the cache where the content is known, else in worker processes."""

import os
import time
from collections.abc import Collection, Mapping, Sequence
from contextlib import closing
from typing import Final

import msgspec

from companion.core.cache import Cache, Table
from companion.core.patience import why
from companion.core.progress import Watch
from companion.core.rules import AUDIO_HEADERS
from companion.sound.files.chunks import Chunks
from companion.sound.files.headers import read_chunks
from companion.sound.measures.contents import AudioFile, Content, Memory, Still
from companion.sound.measures.measured import Measured, combined, outdated
from companion.sound.measures.pool import Request, default_workers, run_requests
from companion.sound.measures.versions import FORMAT, MEASURES, FileMeasure

_LAYOUT: Final = 5
"""Of the table's rows, which carry a version for each measure: raised only when a row no longer decodes to itself."""

_Todo = tuple[Content, Measured | None, tuple[FileMeasure, ...]]
_decode = msgspec.msgpack.Decoder(Measured).decode


def _table(cache: Cache) -> Table[Measured]:
    return Table(cache, "sound", _LAYOUT, Measured)


def known_measures(
    cache: Cache, shas: Collection[bytes], measures: Collection[FileMeasure] = MEASURES
) -> dict[bytes, Measured]:
    """Return what is remembered, by SHA-256 of the content, of those whose ``measures`` are all up to date."""
    known = _table(cache).get_many(shas)
    return {sha: one for sha, one in known.items() if not set(measures) & set(outdated(one))}


def measure_files(
    files: Sequence[AudioFile], cache: Cache, watch: Watch, *, workers: int | None = None, still: Still | None = None
) -> dict[str, Measured]:
    """Return the measures of each file by its relative path.

    Of a content that is remembered only the measures are taken that have a new version since. A file that cannot be
    read, or that crashes or stalls its worker, has ``problem`` set and costs no other file. Progress is in files, with
    the times-real-time rate as its note. Raises :class:`companion.core.errors.Cancelled` within a second of being asked
    to stop; what was measured until then stays in the cache.
    """
    watch.stage("Measuring sound", len(files), "files")
    results: dict[str, Measured] = {}
    todo: list[_Todo] = []
    with closing(Memory(files, _table(cache), still)) as memory:
        for content in memory.contents:
            before = memory.known.get(content.key)
            behind = MEASURES if before is None else outdated(before)
            if before is None or behind:
                todo.append((content, before, behind))
            else:
                results |= _named(content, before)
        if results:
            watch.step(len(results), "already known")
        _measure_new(todo, results, memory, watch, workers)
    return {relative: results[relative] for relative, _, _ in files}


def _named(content: Content, measured: Measured) -> dict[str, Measured]:
    return {name: msgspec.structs.replace(measured, path=name) for name in content.names}


def _measure_new(
    todo: Sequence[_Todo], results: dict[str, Measured], memory: Memory[Measured], watch: Watch, workers: int | None
) -> None:
    requests = [
        Request(index, (os.fsencode(content.path), [measure.id for measure in behind]), content.size)
        for index, (content, _, behind) in enumerate(todo)
    ]
    # The longest first, so that the last worker is not left alone with one.
    requests.sort(key=lambda request: -request.size)
    seconds, began = 0.0, time.monotonic()
    for answer in run_requests(requests, watch, min(workers or default_workers(), (len(requests) + 7) // 8)):
        content, before, behind = todo[answer.key]
        if answer.failure:
            measured = Measured(problem="unreadable", problem_text=answer.failure)
        else:
            measured = combined(before, _decode(answer.value), behind)
            # Sound that was read before and cannot be today is the disk's fault, not the content's.
            if measured.readable or before is None or FORMAT in behind:
                memory.keep(content, measured)
        results |= _named(content, measured)
        seconds += measured.seconds
        rate = seconds / max(1e-3, time.monotonic() - began)
        watch.step(len(content.names), f"{rate:,.0f} × real time")


def probe_files(
    files: Sequence[AudioFile], cache: Cache, watch: Watch, *, still: Still | None = None
) -> dict[str, Chunks]:
    """Return what each file's header and chunks say, by relative path, without decoding any sound.

    Where the sound step has already measured the same content, what it found unreadable or truncated counts too.
    """
    watch.stage("Reading audio headers", len(files), "files")
    results: dict[str, Chunks] = {}
    with closing(Memory(files, Table(cache, "sound-chunks", AUDIO_HEADERS.version, Chunks), still)) as memory:
        measured = known_measures(cache, [one.key for one in memory.contents if one.key], [FORMAT])
        for content in memory.contents:
            chunks = memory.known.get(content.key)
            if chunks is None:
                try:
                    chunks = read_chunks(content.path)
                    memory.keep(content, chunks)
                except OSError as error:
                    chunks = Chunks(problem=why(error))
            one = measured.get(content.key)
            if one is not None and one.problem and not chunks.problem:
                cut = {"truncated": True, "frames_present": one.frames, "frames_promised": one.frames_promised}
                chunks = msgspec.structs.replace(chunks, **(cut if one.readable else {"problem": one.problem_text}))
            results |= dict.fromkeys(content.names, chunks)
            watch.step(len(content.names))
    return {relative: results[relative] for relative, _, _ in files}


def audio_problems(probed: Mapping[str, Chunks]) -> dict[str, tuple[str, str]]:
    """Return (``unreadable`` or ``truncated``, why) for each file that has such a problem, by relative path."""
    problems: dict[str, tuple[str, str]] = {}
    for path, one in probed.items():
        if one.problem:
            problems[path] = ("unreadable", one.problem)
        elif one.truncated:
            frames, promised = one.frames_present, one.frames_promised
            text = "the file ends before its header says it does"
            if frames is not None and promised is not None:
                text = f"{frames:,} of {promised:,} frames are there"
            problems[path] = ("truncated", text)
    return problems
