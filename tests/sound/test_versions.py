"""Only what changed is measured again: rows of the cache that claim other values show which were taken anew."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

import companion.sound.measures.batch as batch
from companion.core.cache import Cache, Table
from companion.core.progress import QUIET
from companion.sound.measures.batch import known_measures, measure_files
from companion.sound.measures.contents import Memory, contents_of
from companion.sound.measures.measured import Measured, outdated
from companion.sound.measures.pool import Reply, Request
from companion.sound.measures.versions import (
    CLICKS,
    DIGEST,
    EDGES,
    FORMAT,
    LEVELS,
    LOUDNESS,
    MEASURES,
    NOISE,
    PITCH,
    FileMeasure,
)
from companion.sound.measures.worker import answer

SHA = "ab" * 32
TABLE = "sound-5"


@pytest.fixture
def path(write: Any, sine: Any) -> Path:
    """A tone of 440 Hz that comes late and dies away into noise, in two equal channels."""
    noise = 1e-5 * np.random.default_rng(1).standard_normal(72_000)
    noise[4_800 : 4_800 + 48_000] += sine(440, 1.0) * np.exp(-np.arange(48_000) / 6_000)
    found: Path = write("a.wav", np.column_stack((noise, noise)))
    return found


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Measure here: what is taken anew does not depend on who takes it, and starting workers takes seconds."""

    def run(requests: Iterable[Request], *_: Any) -> Iterator[Reply]:
        for one in requests:
            yield Reply(one.key, *answer(one.arguments))

    monkeypatch.setattr(batch, "run_requests", run)


def look(path: Path, cache: Cache) -> Measured:
    return measure_files([("a.wav", path, SHA)], cache, QUIET)["a.wav"]


def keep(cache: Cache, measured: Measured) -> None:
    cache.put(TABLE, [(bytes.fromhex(SHA), msgspec.msgpack.encode(measured))])


def kept(cache: Cache) -> Measured:
    row = cache.get(TABLE, bytes.fromhex(SHA))
    assert row is not None
    return msgspec.msgpack.decode(row, type=Measured)


def altered(one: Measured, **versions: int) -> Measured:
    """Claim, in a field of each of several measures, what is not so, and other versions of some measures."""
    return msgspec.structs.replace(
        one,
        digest="another",
        peak_dbfs=-99.0,
        loudness_lufs=-99.0,
        onset_s=99.0,
        pitch_cents=99.0,
        noise_floor_dbfs=-199.0,
        not_judged={"onset_s": "untrue", "bandwidth_hz": "untrue"},
        versions={**one.versions, **{name.replace("_", "-"): version for name, version in versions.items()}},
    )


def anew(one: Measured, before: Measured) -> set[str]:
    claimed = altered(before)
    fields = ("digest", "peak_dbfs", "loudness_lufs", "onset_s", "pitch_cents", "noise_floor_dbfs")
    return {name for name in fields if getattr(one, name) != getattr(claimed, name)}


@pytest.mark.parametrize(
    ("behind", "fields"),
    [
        (LOUDNESS, {"loudness_lufs"}),
        (DIGEST, {"digest"}),
        (EDGES, {"onset_s"}),
        (LEVELS, {"peak_dbfs", "onset_s", "pitch_cents", "noise_floor_dbfs"}),  # and what is computed from them
        (PITCH, {"pitch_cents", "noise_floor_dbfs"}),
        (FORMAT, {"digest", "peak_dbfs", "loudness_lufs", "onset_s", "pitch_cents", "noise_floor_dbfs"}),
    ],
)
def test_a_measure_of_another_version_is_taken_again_and_no_other(
    path: Path, behind: FileMeasure, fields: set[str]
) -> None:
    with Cache(None) as cache:
        first = look(path, cache)
        for version in (behind.version - 1, behind.version + 1):  # of an older companion, and of a newer one
            keep(cache, altered(first, **{behind.id: version}))
            second = look(path, cache)
            assert anew(second, first) == fields
            assert all(getattr(second, name) == getattr(first, name) for name in fields)
            assert second.versions == first.versions
            assert kept(cache).versions == first.versions, "once is enough"
            assert ("onset_s" in second.not_judged) is ("onset_s" not in fields), "as is the reason for not judging"


def test_what_is_up_to_date_is_not_opened(path: Path) -> None:
    with Cache(None) as cache:
        first = look(path, cache)
        assert first.versions == {measure.id: measure.version for measure in MEASURES}
        keep(cache, altered(first))
        path.unlink()
        assert anew(look(path, cache), first) == set()


def test_what_the_first_building_kept_counts_as_version_one(path: Path) -> None:
    """Its rows carry no versions; of a library that was measured only what was raised since is measured anew."""
    with Cache(None) as cache:
        first = look(path, cache)
        claimed = msgspec.structs.replace(altered(first), versions={})
        behind = outdated(claimed)
        assert {measure.id for measure in behind} >= {measure.id for measure in MEASURES if measure.version > 1}
        assert DIGEST not in behind
        keep(cache, claimed)
        second = look(path, cache)
        for measure in MEASURES:
            expected = first if measure in behind else claimed
            assert all(getattr(second, name) == getattr(expected, name) for name in measure.fields), measure.id
        assert second.held == first.versions


def test_an_unreadable_file_is_tried_again_only_when_the_reader_changed(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"no sound at all")
    with Cache(None) as cache:
        first = look(path, cache)
        assert first.problem == "unreadable"
        claim = msgspec.structs.replace(first, problem_text="as it was")
        keep(cache, msgspec.structs.replace(claim, versions={**first.versions, LOUDNESS.id: 0, CLICKS.id: 0}))
        assert look(path, cache).problem_text == "as it was"
        keep(cache, msgspec.structs.replace(claim, versions={**first.versions, FORMAT.id: 0}))
        assert look(path, cache).problem_text == first.problem_text


def test_sound_that_was_read_before_and_cannot_be_today_stays_remembered(path: Path) -> None:
    with Cache(None) as cache:
        first = look(path, cache)
        behind = msgspec.structs.replace(first, versions={**first.versions, LOUDNESS.id: 0})
        keep(cache, behind)
        sound = path.read_bytes()
        path.write_bytes(b"")
        assert look(path, cache).problem_text == "the file is empty"
        assert kept(cache) == behind
        path.write_bytes(sound)
        assert look(path, cache) == first


def test_what_is_known_is_known_for_the_measures_asked_for(path: Path) -> None:
    with Cache(None) as cache:
        first = look(path, cache)
        keep(cache, msgspec.structs.replace(first, versions={**first.versions, PITCH.id: 0}))
        sha = bytes.fromhex(SHA)
        assert set(known_measures(cache, [sha], [FORMAT, LOUDNESS])) == {sha}
        assert known_measures(cache, [sha], [NOISE]) == {}
        assert known_measures(cache, [sha]) == {}


def test_the_worker_is_asked_for_what_is_behind(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that was never measured, one of whose measures two are behind, and one that is up to date."""
    asked: dict[str, Any] = {}

    here: Any = vars(batch)["run_requests"]

    def run(requests: Any, *rest: Any) -> Any:
        asked.update({Path(str(one.arguments[0], "utf-8")).name: one.arguments[1] for one in requests})
        return here(requests, *rest)

    def known(cache: Cache, **shas: Mapping[str, int]) -> list[tuple[str, Path, str]]:
        files = []
        for name, versions in shas.items():
            copy = path.with_name(f"{name}.wav")
            copy.write_bytes(path.read_bytes())
            one = msgspec.structs.replace(first, versions={**first.versions, **versions})
            files.append((copy.name, copy, name * 64))
            cache.put(TABLE, [(bytes.fromhex(name * 64), msgspec.msgpack.encode(one))])
        return files

    with Cache(None) as cache:
        first = look(path, cache)
        files = known(cache, b={}, c={PITCH.id: 0})
        monkeypatch.setattr(batch, "run_requests", run)
        measure_files([*files, ("new.wav", path, "dd" * 32)], cache, QUIET)
    assert asked == {"c.wav": ["pitch", "noise", "clicks"], "a.wav": [measure.id for measure in MEASURES]}


def test_what_is_found_is_kept_in_batches(path: Path) -> None:
    """So that a power cut in the middle of 20,000 files costs 256 of them, not all."""
    with Cache(None) as cache:
        table = Table(cache, "numbers", 1, int)
        files = [(f"{number}.wav", path, f"{number:064x}") for number in range(300)]
        memory = Memory(files, table, lambda name: name != "7.wav")
        for number, content in enumerate(memory.contents):
            memory.keep(content, number)
        keys = [content.key for content in memory.contents]
        assert len(table.get_many(keys)) == 256
        memory.close()
        assert sorted(table.get_many(keys).values()) == [number for number in range(300) if number != 7]
        memory.keep(contents_of([("a.wav", path, "")])[0], 999)
        memory.close()
        assert len(cache.everything(table.name)) == 299, "without a hash there is nothing to remember it by"
