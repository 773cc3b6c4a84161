"""The demo is what its script makes, carries every fault it lists, and is clean once they are mended.

Nothing of the companion judges here but its facts: each fault is looked for by its plain meaning.
"""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import struct
import subprocess
import unicodedata
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from companion.core.facts import facts_from_toml

Signal = NDArray[np.float64]
ROOT = Path(__file__).resolve().parents[2] / "demo_project"
DEMO = ROOT / "Slate Choir"
FULL = {"Struck": "Samples/Struck", "Brushed": "Samples/Brushed", "Hummed": "Samples/Hummed"}
NOTES = {"E2": 52, "A2": 57, "C3": 60, "E3": 64, "G3": 67, "C4": 72}


@pytest.fixture(scope="module")
def listed() -> list[tuple[str, str]]:
    """What the README lists: (rule, path), or (rule, key of the facts)."""
    rows = re.findall(r"^\| `([a-z-]+)` \| `([^`]+)` \|", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE)
    return [
        (rule, "/".join([FULL.get(path.split("/")[0], path.split("/")[0]), *path.split("/")[1:]]))
        for rule, path in rows
    ]


@pytest.fixture
def mended(tmp_path: Path, demo_folder: Path, mend_demo: Callable[..., None]) -> Path:
    mend_demo(demo_folder)
    return demo_folder


def read(folder: Path, path: str) -> tuple[Signal, int]:
    samples, rate = soundfile.read(folder / path, dtype="float64")
    return samples, rate


def waves(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.glob("Samples/*/[!.]*.wav"))


def db(value: float) -> float:
    return float(20 * np.log10(max(value, 1e-9)))


def chunks(data: bytes) -> dict[bytes, bytes]:
    found, place = {}, 12
    while place + 8 <= len(data):
        size = struct.unpack_from("<I", data, place + 4)[0]
        found[data[place : place + 4]] = data[place + 8 : place + 8 + size]
        place += 8 + size + (size & 1)
    return found


def loop(data: bytes) -> tuple[int, int, int]:
    """Return root note, loop start and loop end of a file's smpl chunk."""
    body = chunks(data)[b"smpl"]
    return (struct.unpack_from("<I", body, 12)[0], *struct.unpack_from("<II", body, 44))


def references(folder: Path) -> list[str]:
    """Read the invented patch as its engine would: by the lengths in front of its paths."""
    data = (folder / "Slate Choir.eeng").read_bytes()
    _, _, _, count, _ = struct.unpack_from("<4sHHII", data)
    place, found = 16, []
    for _ in range(count):
        tag, _, _, _, size = struct.unpack_from("<HHffI", data, place)
        found.append(data[place + 16 : place + 16 + size].decode("utf-8" if tag == 0x210 else "utf-16-le"))
        place += 16 + size + (1 if tag == 0x210 else 2)
    assert place == len(data) - 4
    return found


def pitch(samples: Signal, rate: int) -> float:
    """Return the MIDI note of the lowest strong partial, by the phase advance of its bin between two windows."""
    size, hop = 8192, 256
    begin = int(0.05 * rate)
    padded = np.pad(samples[begin : begin + size + hop], (0, max(0, begin + size + hop - len(samples))))
    first, second = (np.fft.rfft(padded[at : at + size] * np.hanning(size)) for at in (0, hop))
    strong = np.flatnonzero(np.abs(first) > 0.25 * np.abs(first).max())
    peak = int(strong[0] + np.argmax(np.abs(first[strong[0] : strong[0] + 8])))
    expected = 2 * np.pi * hop * peak / size
    advance = np.angle(second[peak] * np.conj(first[peak]) * np.exp(-1j * expected))
    return float(69 + 12 * np.log2((expected + advance) / hop * rate / (2 * np.pi) / 440))


def named(path: str) -> int:
    return NOTES[path.rpartition("/")[2].split("_")[1]]


def head_level(samples: Signal, rate: int) -> float:
    return db(float(np.sqrt(np.mean(samples[: int(0.4 * rate)] ** 2))))


# The files as such


def test_the_committed_files_are_what_the_script_makes(demo_maker: Any) -> None:
    assert demo_maker.differences(DEMO) == []


def test_a_changed_file_would_be_seen(demo_maker: Any, demo_folder: Path) -> None:
    sample, text = demo_folder / "Samples/Struck/struck_C3_v40_rr1.wav", demo_folder / "Licence.txt"
    data = bytearray(sample.read_bytes())
    data[4001] ^= 0x10
    sample.write_bytes(data)
    text.unlink()
    (demo_folder / "more.txt").write_text("more")
    assert demo_maker.differences(demo_folder) == [
        "missing: Licence.txt",
        "too many: more.txt",
        "differs: Samples/Struck/struck_C3_v40_rr1.wav",
    ]


def test_it_is_small_and_every_system_can_hold_it() -> None:
    files = [path for path in DEMO.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 3_000_000
    names = [unicodedata.normalize("NFC", path.relative_to(DEMO).as_posix()) for path in files]
    assert len({name.casefold() for name in names}) == len(names)
    for name in names:
        assert not re.search(r'[<>:"\\|?*\x00-\x1f]|[. ](/|$)', name), name
        assert len(name) < 80
        for part in name.split("/"):
            assert part.split(".")[0].upper() not in {"CON", "PRN", "AUX", "NUL"}


def test_the_readme_lists_what_the_script_puts_in(demo_maker: Any, listed: list[tuple[str, str]]) -> None:
    there = [(fault.rule, fault.key or fault.path) for fault in demo_maker.faults.FAULTS]
    assert sorted(listed) == sorted(there)


def test_the_facts_read() -> None:
    facts = facts_from_toml((DEMO / "release.toml").read_text("utf-8"))
    assert [control.name for control in facts.controls] == ["Body", "Air", "Brush", "Cave"]
    assert [layer.name for layer in facts.layers] == ["struck", "brushed", "hummed"]


# Each fault, by its plain meaning


def _facts(folder: Path) -> Any:
    return facts_from_toml((folder / "release.toml").read_text("utf-8"))


def _resolved(folder: Path) -> list[str]:
    return [path for path in references(folder) if (folder / path).is_file()]


def _on_disk(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def _is_other_spelling(folder: Path, fold: Callable[[str], str]) -> bool:
    disk = {fold(path) for path in _on_disk(folder)}
    return any(path not in _on_disk(folder) and fold(path) in disk for path in references(folder))


def _nfc(text: str) -> str:
    return unicodedata.normalize("NFC", text)


def _flat_top(folder: Path, path: str) -> bool:
    samples, _ = read(folder, path)
    return int(np.sum(np.abs(samples) > 0.999)) > 100


def _correlation(first: Signal, second: Signal) -> float:
    length = min(len(first), len(second))
    return float(np.corrcoef(first[:length], second[:length])[0, 1])


def _seam(folder: Path, path: str) -> float:
    """Return the step at the loop's seam, against the largest step inside the loop."""
    samples, _ = read(folder, path)
    _, start, end = loop((folder / path).read_bytes())
    return float(abs(samples[start] - samples[end]) / np.abs(np.diff(samples[start : end + 1])).max())


def _bits(folder: Path, path: str) -> int:
    return int(struct.unpack_from("<H", chunks((folder / path).read_bytes())[b"fmt "], 14)[0])


def _low_bytes(folder: Path, path: str) -> bool:
    data = np.frombuffer(chunks((folder / path).read_bytes())[b"data"], np.uint8)
    return _bits(folder, path) == 24 and not data[::3].any()


def _hum(folder: Path, path: str) -> float:
    """Return the level at 50 Hz against that between 60 and 100 Hz, in dB."""
    samples, rate = read(folder, path)
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 8 * rate))
    return db(float(spectrum[8 * 50] / spectrum[8 * 65 : 8 * 95].max()))


def _high(folder: Path, path: str) -> float:
    """Return the level in the top third of the band, in dB against all."""
    samples, _ = read(folder, path)
    power = np.abs(np.fft.rfft(samples)) ** 2
    return float(10 * np.log10(power[len(power) * 2 // 3 :].sum() / power.sum()))


def _first(folder: Path, path: str) -> float:
    samples, _ = read(folder, path)
    return float(np.abs(samples[0]) / np.abs(samples).max())


def _last(folder: Path, path: str) -> float:
    samples, _ = read(folder, path)
    return float(np.abs(samples[-200:]).max() / np.abs(samples).max())


def _quiet_start(folder: Path, path: str) -> float:
    samples, rate = read(folder, path)
    return float(np.flatnonzero(np.abs(samples) > 0.01 * np.abs(samples).max())[0] / rate)


def _quiet_end(folder: Path, path: str) -> float:
    samples, rate = read(folder, path)
    return float((len(samples) - np.flatnonzero(np.abs(samples) > 1e-4)[-1]) / rate)


def _sides(folder: Path, path: str) -> float | None:
    """Return what the right channel is of the left: a factor, or None for one channel."""
    samples, _ = read(folder, path)
    return (
        None
        if samples.ndim == 1
        else float(np.vdot(samples[:, 0], samples[:, 1]) / np.vdot(samples[:, 0], samples[:, 0]))
    )


def _click(folder: Path, path: str) -> float:
    """Return the largest second difference against the largest among its neighbours of 3 to 40 frames away."""
    from scipy.ndimage import maximum_filter1d

    samples, _ = read(folder, path)
    bends = np.pad(np.abs(np.diff(samples, 2)), 40)
    width = maximum_filter1d(bends, 38)  # 38 frames, moved by 21: 3 to 40 frames to each side
    around = np.maximum(np.roll(width, 21), np.roll(width, -21))
    return float(np.max(bends / np.maximum(around, 1e-3)))


def _text(folder: Path, path: str) -> str:
    return (folder / path).read_bytes().decode("utf-8", "replace")


def _tell_names(folder: Path, path: str) -> bool:
    return b"slatehand" in (folder / path).read_bytes()


def _promised(folder: Path, path: str) -> int:
    data = (folder / path).read_bytes()
    return int(struct.unpack_from("<I", data, 4)[0]) + 8 - len(data)


def _other_take(path: str) -> str:
    return path.replace("rr2", "rr1") if "rr2" in path else path.replace("rr1", "rr2")


LOOKS: dict[str, Callable[[Path, str], bool]] = {
    "fact-missing": lambda f, k: not _facts(f).instrument.contact,
    "rights-unstated": lambda f, k: not _facts(f).instrument.rights,
    "minimum-below-saved": lambda f, k: _facts(f).engine.minimum != _facts(f).engine.saved_with,
    "reference-missing": lambda f, p: "Samples/Hummed/hummed_G3_v80_rr2.wav" in references(f),
    "reference-case": lambda f, p: _is_other_spelling(f, str.casefold),
    "reference-normalisation": lambda f, p: _is_other_spelling(f, _nfc),
    "path-absolute": lambda f, p: any(re.match(r"[A-Z]:\\", path) for path in references(f)),
    "path-home": lambda f, p: any(path.startswith("/Users/") for path in references(f)),
    "path-backslash": lambda f, p: any(path.startswith("Samples\\") for path in references(f)),
    "path-climbs": lambda f, p: "../" in _text(f, p),
    "script-encoding": lambda f, p: "\ufffd" in _text(f, p),
    "sample-unused": lambda f, p: (f / p).is_file() and p not in references(f),
    "stray-system-file": lambda f, p: (f / p).is_file(),
    "stray-working-file": lambda f, p: (f / p).is_file(),
    "stray-unasked": lambda f, p: (f / p).is_file() and p not in references(f) and p not in _text(f, "release.toml"),
    "nested-archive": lambda f, p: zipfile.is_zipfile(f / p),
    "file-empty": lambda f, p: (f / p).stat().st_size == 0,
    "metadata-private": _tell_names,
    "file-truncated": lambda f, p: _promised(f, p) > 0,
    "clipped": _flat_top,
    "silent": lambda f, p: not read(f, p)[0].any(),
    "duplicate": lambda f, p: (f / p).read_bytes() == (f / _other_take(p)).read_bytes(),
    "rate-mixed": lambda f, p: read(f, p)[1] != 22_050,
    "depth-mixed": lambda f, p: _bits(f, p) != 16,
    "depth-padded": _low_bytes,
    "loop-invalid": lambda f, p: loop((f / p).read_bytes())[2] >= len(read(f, p)[0]),
    "loop-seam": lambda f, p: _seam(f, p) > 1.5,
    "wrong-root": lambda f, p: loop((f / p).read_bytes())[0] != named(p) if "Hummed" in p else False,
    "off-pitch": lambda f, p: abs(pitch(*read(f, p)) - named(p)) > 0.3,
    "level-step": lambda f, p: (
        head_level(*read(f, p)) < head_level(*read(f, "Samples/Struck/struck_C3_v110_rr2.wav")) - 8
    ),
    "dc-offset": lambda f, p: abs(float(read(f, p)[0].mean())) > 0.01,
    "late-onset": lambda f, p: _quiet_start(f, p) > 0.05,
    "starts-hot": lambda f, p: _first(f, p) > 0.1,
    "ends-hot": lambda f, p: _last(f, p) > 0.1,
    "click-inside": lambda f, p: _click(f, p) > 8,
    "hum": lambda f, p: _hum(f, p) > 20,
    "tail-wasteful": lambda f, p: _quiet_end(f, p) > 1,
    "band-empty": lambda f, p: _high(f, p) < -70,
    "takes-same": lambda f, p: abs(_correlation(read(f, p)[0], read(f, _other_take(p))[0])) > 0.999,
    "channel-dead": lambda f, p: _sides(f, p) == 0,
    "polarity-inverted": lambda f, p: (_sides(f, p) or 0) < -0.99,
    "mono-as-stereo": lambda f, p: _sides(f, p) == 1,
    "impulse-cut": lambda f, p: _last(f, p) > 0.001,
}
"""For each rule: is the fault there? Written from what the word means, not from what the companion does."""


def test_every_listed_fault_is_there(listed: list[tuple[str, str]]) -> None:
    assert [(rule, path) for rule, path in listed if not LOOKS[rule](DEMO, path)] == []


def test_no_listed_fault_is_there_once_mended(listed: list[tuple[str, str]], mended: Path) -> None:
    def still(rule: str, path: str) -> bool:
        with contextlib.suppress(FileNotFoundError):
            return LOOKS[rule](mended, path)
        return False

    assert [(rule, path) for rule, path in listed if still(rule, path)] == []


def test_a_mend_of_one_rule_leaves_the_others(demo_folder: Path, mend_demo: Callable[..., None]) -> None:
    mend_demo(demo_folder, ["clipped", "fact-missing"])
    assert not LOOKS["clipped"](demo_folder, "Samples/Struck/struck_C3_v110_rr1.wav")
    assert _facts(demo_folder).instrument.contact
    assert not _facts(demo_folder).instrument.rights
    assert "# From left to right" in (demo_folder / "release.toml").read_text("utf-8"), "comments stay"
    assert LOOKS["silent"](demo_folder, "Samples/Brushed/brushed_E3_v80_rr1.wav")


# The neighbours are innocent: no sound has a fault that is not listed for it, and after mending none has any

PER_SAMPLE = (
    "metadata-private",
    "file-truncated",
    "clipped",
    "silent",
    "rate-mixed",
    "depth-mixed",
    "wrong-root",
    "dc-offset",
    "late-onset",
    "starts-hot",
    "ends-hot",
    "click-inside",
    "hum",
    "tail-wasteful",
    "channel-dead",
    "polarity-inverted",
    "mono-as-stereo",
)


def test_the_mended_sounds_have_none_of_the_faults(mended: Path) -> None:
    paths = waves(mended)
    assert len(paths) == 42
    assert [(rule, path) for rule in PER_SAMPLE for path in paths if LOOKS[rule](mended, path)] == []
    assert [path for path in paths if _high(mended, path) < -70] == []
    for path in paths:
        samples, rate = read(mended, path)
        assert rate == 22_050
        assert abs(pitch(samples, rate) - named(path)) < 0.08, path
        assert db(float(np.abs(samples).max())) < -1, path
        assert samples[0] == samples[-1] == 0, path
        assert loop((mended / path).read_bytes())[0] == named(path) if "Hummed" in path else True


def test_mended_loops_repeat_themselves_exactly(mended: Path) -> None:
    for path in waves(mended):
        if "Hummed" not in path:
            continue
        samples, _ = read(mended, path)
        _, start, end = loop((mended / path).read_bytes())
        assert _seam(mended, path) <= 1
        # One frame behind the loop still lies before the release, and must be its first frame again.
        assert abs(samples[end + 1] - samples[start]) < 2 / 32768, path


def test_mended_levels_lie_together_and_hard_is_louder_than_soft(mended: Path) -> None:
    groups: dict[str, list[float]] = {}
    for path in waves(mended):
        layer, _, velocity, _ = path.rpartition("/")[2].split("_")
        groups.setdefault(f"{layer} {velocity}", []).append(head_level(*read(mended, path)))
    assert sorted(groups) == ["brushed v80", "hummed v80", "struck v110", "struck v40"]
    assert all(max(levels) - min(levels) < 0.5 for levels in groups.values())
    assert min(groups["struck v110"]) > max(groups["struck v40"]) + 6


def test_mended_takes_differ(mended: Path) -> None:
    for path in waves(mended):
        if "rr2" in path:
            first, second = read(mended, path)[0], read(mended, _other_take(path))[0]
            size = 1 << (2 * len(first)).bit_length()
            product = np.fft.rfft(first, size) * np.conj(np.fft.rfft(second, size))
            likeness = np.abs(np.fft.irfft(product)).max() / np.sqrt((first @ first) * (second @ second))
            assert likeness < 0.96, path


def test_the_mended_patch_names_every_sample_as_it_is_on_disk(mended: Path) -> None:
    refers = references(mended)
    assert all(path in _on_disk(mended) for path in refers)
    assert sorted(set(refers)) == sorted(
        [*waves(mended), "Impulses/Höhle.wav", "Pictures/Panel.png", "Scripts/Sway.txt"]
    )
    assert all(path in _on_disk(mended) for path in re.findall(r'"([^"]+)"', _text(mended, "Scripts/Sway.txt")))


def test_mending_gives_what_the_script_calls_mended(demo_maker: Any, mended: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    demo_maker.write(other, mended=True)
    for path in _on_disk(other) | _on_disk(mended):
        if path == "release.toml":
            assert _facts(mended) == _facts(other)
        else:
            assert (mended / path).read_bytes() == (other / path).read_bytes(), path


def test_the_picture_opens_and_tells_nothing() -> None:
    from PIL import Image

    with Image.open(io.BytesIO((DEMO / "Pictures/Panel.png").read_bytes())) as picture:
        picture.load()
        assert picture.size == (640, 240)
        assert not picture.info


@pytest.mark.skipif(shutil.which("git") is None, reason="needs git")
def test_git_never_changes_a_line_ending_of_the_demo() -> None:
    asked = subprocess.run(
        ["git", "check-attr", "text", "--", "Slate Choir/release.toml", "Slate Choir/Samples/Thumbs.db"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    if asked.returncode:
        pytest.skip("not a checkout")
    assert [line.rpartition(" ")[2] for line in asked.stdout.splitlines()] == ["unset", "unset"]
