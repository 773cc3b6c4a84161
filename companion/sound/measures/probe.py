"""What audio files say of themselves, without decoding any sound, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import msgspec

from companion.core.cache import Cache
from companion.core.progress import Watch
from companion.sound.files.chunks import Chunks
from companion.sound.files.headers import read_chunks
from companion.sound.measures.batch import TABLE, AudioFile, Still, always, known_of
from companion.sound.measures.measured import Measured

PROBE_TABLE: Final = "sound-chunks-1"

_decode = msgspec.msgpack.Decoder(Measured).decode
_decode_chunks = msgspec.msgpack.Decoder(Chunks).decode
_encode = msgspec.msgpack.Encoder().encode


def probe_files(files: Sequence[AudioFile], cache: Cache, watch: Watch, *, still: Still = always) -> dict[str, Chunks]:
    """Return what each file's header and chunks say, by relative path, without decoding any sound.

    Where the sound step has already measured the same content, what it found unreadable or truncated is told too.
    """
    watch.stage("Reading audio headers", len(files), "files")
    known, measured = known_of(PROBE_TABLE, files, cache), known_of(TABLE, files, cache)
    results: dict[str, Chunks] = {}
    fresh: list[tuple[bytes, bytes]] = []
    for relative, path, sha in files:
        if sha and sha in known:
            chunks = _decode_chunks(known[sha])
        else:
            try:
                chunks = read_chunks(path)
                if sha and still(relative):
                    fresh.append((bytes.fromhex(sha), _encode(chunks)))
            except OSError as error:
                chunks = Chunks(problem=error.strerror or str(error))
        if sha in measured and not chunks.problem:
            chunks = _with_problem(chunks, _decode(measured[sha]))
        results[relative] = chunks
        watch.step()
    cache.put(PROBE_TABLE, fresh)
    return results


def _with_problem(chunks: Chunks, measured: Measured) -> Chunks:
    if measured.problem == "unreadable":
        return msgspec.structs.replace(chunks, problem=measured.problem_text)
    if measured.problem == "truncated":
        frames, promised = measured.frames, measured.frames_promised
        return msgspec.structs.replace(chunks, truncated=True, frames_present=frames, frames_promised=promised)
    return chunks


def audio_problems(probed: Mapping[str, Chunks | Measured]) -> dict[str, tuple[str, str]]:
    """Return (``unreadable`` or ``truncated``, why) for each file that has such a problem, by relative path."""
    problems: dict[str, tuple[str, str]] = {}
    for path, one in probed.items():
        if isinstance(one, Measured):
            if one.problem:
                problems[path] = (one.problem, one.problem_text)
        elif one.problem:
            problems[path] = ("unreadable", one.problem)
        elif one.truncated:
            problems[path] = ("truncated", _shortfall(one))
    return problems


def _shortfall(chunks: Chunks) -> str:
    if chunks.frames_present is None or chunks.frames_promised is None:
        return "the file ends before its header says it does"
    return f"{chunks.frames_present:,} of {chunks.frames_promised:,} frames are there"


def metadata_texts(probed: Mapping[str, Chunks]) -> dict[str, tuple[tuple[str, str], ...]]:
    """Return the texts carried inside each file, as (where, text), for files that carry any."""
    return {path: chunks.texts for path, chunks in probed.items() if chunks.texts}
