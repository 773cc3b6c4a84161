"""What the report on an archive over its limit says of lossless packing, against the archive and FLAC on disk."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
import tomlkit

import companion.sound.measures.lossless as lossless
import companion.steps.looks.savings as savings
from companion.archive.whole_rules import archive_differs
from companion.core.errors import Cancelled
from companion.core.progress import Progress, Watch
from companion.sound.measures.contents import AudioFile
from companion.workshop import Workshop

_SAID = "Lossless packing"
_DEPTH = {"PCM_U8": "PCM_S8", "PCM_16": "PCM_16", "PCM_24": "PCM_24"}


@pytest.fixture
def mended(demo_folder: Path, mend_demo: Callable[..., None]) -> Path:
    mend_demo(demo_folder)
    return demo_folder


@pytest.fixture
def plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every count in the sentences to the byte."""
    monkeypatch.setattr(savings, "decimal_bytes", lambda count: f"{count} B")


def limited(folder: Path, most: int) -> None:
    facts = folder / "release.toml"
    document = tomlkit.parse(facts.read_text("utf-8"))
    limits = document.setdefault("limits", tomlkit.table())
    limits["upload_bytes"] = most
    facts.write_text(tomlkit.dumps(document), "utf-8", newline="\n")


def mend_told(folder: Path, most: int) -> str:
    """Pack under a limit and return the mend of the finding on the size; empty where there is none."""
    limited(folder, most)
    packed = Workshop.open(folder).pack()
    assert packed.kept
    return "".join(finding.mend for finding in packed.findings if finding.rule == "size-over-limit")


def saved_on_disk(folder: Path, scratch: Path) -> tuple[int, int]:
    """The archive's size, and what FLAC files of its samples, written to disk, would take less than its members."""
    (archive,) = (folder / "releases").glob("*.zip")
    saved = 0
    with zipfile.ZipFile(archive) as packed:
        for member in packed.infolist():
            if member.filename.endswith((".wav", ".aiff")):
                path = folder / member.filename.partition("/")[2]
                subtype = soundfile.info(path).subtype
                if subtype in _DEPTH:
                    sound, rate = soundfile.read(path, dtype="int32")
                    soundfile.write(scratch, sound, rate, _DEPTH[subtype], format="FLAC")
                    saved += max(0, member.compress_size - scratch.stat().st_size)
    return archive.stat().st_size, saved


def repeating(folder: Path) -> None:
    """Lay a sample there that deflate, which looks for repeats, packs smaller than FLAC does."""
    once = np.random.default_rng(5).integers(-(2**15), 2**15, 2_000).astype(np.int16) // 4
    soundfile.write(folder / "Samples" / "Struck" / "struck_A3_v40_rr1.wav", np.tile(once, 20), 48_000)


@pytest.mark.usefixtures("plainly")
def test_the_figure_is_what_the_archive_would_shrink_by(mended: Path, tmp_path: Path) -> None:
    repeating(mended)
    told = mend_told(mended, 1)
    size, saved = saved_on_disk(mended, tmp_path / "one.flac")
    assert saved > 10_000
    assert f"would save {saved} B of the archive, {size - 1 - saved} B too little to keep the limit" in told
    assert told.index("The heaviest are") < told.index(_SAID)


@pytest.mark.usefixtures("plainly")
def test_whether_it_alone_is_enough_to_the_byte(mended: Path, tmp_path: Path) -> None:
    mend_told(mended, 1)
    size, saved = saved_on_disk(mended, tmp_path / "one.flac")
    assert "of the archive, enough to keep the limit" in mend_told(mended, size - saved)
    assert "of the archive, 1 B too little to keep the limit" in mend_told(mended, size - saved - 1)


def test_apart_from_what_was_measured_before_packing(mended: Path) -> None:
    samples = mended / "Samples"
    one = min(samples.rglob("*.wav"))
    one.with_name("twice.wav").write_bytes(one.read_bytes())
    limited(mended, 1)
    Workshop.open(mended).check(("sound",))
    first, then = mend_told(mended, 1).split(". Of the ")
    assert "would save" in first.partition(_SAID)[2]
    assert "before packing" in then
    assert _SAID not in then
    assert ".." not in first


def test_loops_in_the_files_are_minded(mended: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looped = "; loops stored in the files would not come along"
    assert looped in mend_told(mended, 1)
    real = lossless.flac_sizes
    has = {path for path, one in Workshop.open(mended).desk().probes.items() if one.loops}
    assert has

    def without(files: list[AudioFile], *rest: object, **more: object) -> dict[str, int | None]:
        found = real(files, *rest, **more)  # type: ignore[arg-type]
        return {path: None if path in has else size for path, size in found.items()}

    monkeypatch.setattr(lossless, "flac_sizes", without)
    told = mend_told(mended, 1)
    assert _SAID in told
    assert looped not in told


def test_nothing_is_read_or_told_where_the_limit_is_kept(mended: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lossless, "flac_sizes", lambda *_, **__: pytest.fail("no sample is to be read"))
    assert mend_told(mended, 10**9) == ""


def test_nothing_is_told_where_nothing_would_be_saved(mended: Path) -> None:
    for path in (*mended.rglob("*.wav"), *mended.rglob("*.aif*")):
        sound, rate = soundfile.read(path, dtype="float32")
        soundfile.write(path, sound, rate, "FLOAT")
    told = mend_told(mended, 1)
    assert "The heaviest are" in told
    assert _SAID not in told


def test_other_findings_stay_what_they_are(mended: Path) -> None:
    other = archive_differs.finding("Samples/a.wav")
    assert savings.with_savings(Workshop.open(mended).desk(), [other], mended / "nowhere.zip") == [other]


def test_proven_again_it_says_the_same(mended: Path) -> None:
    told = mend_told(mended, 1)
    again = Workshop.open(mended).check(("archive",)).step("archive")
    assert [finding.mend for finding in again.findings if finding.rule == "size-over-limit"] == [told]


def test_stopped_while_counting_the_old_archive_stands(mended: Path) -> None:
    mend_told(mended, 10**9)
    (archive,) = (mended / "releases").glob("*.zip")
    before = archive.read_bytes()
    page = next(mended.rglob("*.txt"))
    page.write_text(f"{page.read_text('utf-8')}\nmore\n", "utf-8")
    limited(mended, 1)

    def stop(progress: Progress) -> None:
        if "FLAC" in progress.what:
            watch.cancel()

    watch = Watch(stop, every=0)
    with pytest.raises(Cancelled):
        Workshop.open(mended).pack(watch)
    assert watch.cancelled
    assert archive.read_bytes() == before
    assert {path.name for path in archive.parent.iterdir()} == {archive.name, f"{archive.name}.sha256"}
