"""What audio files say of themselves, without decoding any sound, and what is wrong with them."""

from collections.abc import Mapping, Sequence
from contextlib import closing

import msgspec

from companion.core.cache import Cache, Table
from companion.core.progress import Watch
from companion.core.rules import AUDIO_HEADERS
from companion.sound.files.chunks import Chunks
from companion.sound.files.headers import read_chunks
from companion.sound.measures.batch import known_measures
from companion.sound.measures.contents import AudioFile, Memory, Still, always, contents_of
from companion.sound.measures.measured import Measured
from companion.sound.measures.versions import FORMAT


def probe_files(files: Sequence[AudioFile], cache: Cache, watch: Watch, *, still: Still = always) -> dict[str, Chunks]:
    """Return what each file's header and chunks say, by relative path, without decoding any sound.

    Where the sound step has already measured the same content, what it found unreadable or truncated counts too.
    """
    watch.stage("Reading audio headers", len(files), "files")
    results: dict[str, Chunks] = {}
    contents = contents_of(files)
    measured = known_measures(cache, [bytes.fromhex(one.sha) for one in contents if one.sha], [FORMAT])
    with closing(Memory(Table(cache, "sound-chunks", AUDIO_HEADERS.version, Chunks), still)) as memory:
        known = memory.known(contents)
        for content in contents:
            chunks = known.get(content.sha)
            if chunks is None:
                try:
                    chunks = read_chunks(content.path)
                    memory.keep(content, chunks)
                except OSError as error:
                    chunks = Chunks(problem=error.strerror or str(error))
            one = measured.get(bytes.fromhex(content.sha))
            if one is not None and not chunks.problem:
                chunks = _with_problem(chunks, one)
            results |= dict.fromkeys(content.names, chunks)
            watch.step(len(content.names))
    return {relative: results[relative] for relative, _, _ in files}


def _with_problem(chunks: Chunks, measured: Measured) -> Chunks:
    if measured.problem == "unreadable":
        return msgspec.structs.replace(chunks, problem=measured.problem_text)
    if measured.problem == "truncated":
        frames, promised = measured.frames, measured.frames_promised
        return msgspec.structs.replace(chunks, truncated=True, frames_present=frames, frames_promised=promised)
    return chunks


def audio_problems(probed: Mapping[str, Chunks]) -> dict[str, tuple[str, str]]:
    """Return (``unreadable`` or ``truncated``, why) for each file that has such a problem, by relative path."""
    problems: dict[str, tuple[str, str]] = {}
    for path, one in probed.items():
        if one.problem:
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
