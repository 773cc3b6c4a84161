"""Make *Slate Choir*, the demo instrument, out of nothing but numbers.

    python demo_project/make_demo.py            write it
    python demo_project/make_demo.py --check    say which files differ from what would be written

Needs numpy and Pillow. Sounds may differ by one step of 16 bits between computers, since sines do; a file that agrees
to that is left as it is.
"""

from __future__ import annotations

import io
import struct
import sys
import unicodedata
import zipfile
import zlib
from pathlib import Path, PurePosixPath
from typing import Final

import numpy as np
from faults import BRUSHED, CAVE, FACTS, HUMMED, PATCH, SCRIPT, SPOIL, STRUCK, Sound, quantised
from riff import sampler, wave
from synthesis import RATE, brushed, cave, hummed, struck
from texts import FACTS as FACTS_TEXT
from texts import LICENCE, MENDED_FACTS, MENDED_SCRIPT, READING
from texts import SCRIPT as SCRIPT_TEXT

FOLDER: Final = Path(__file__).resolve().parent / "Slate Choir"
NOTES: Final = {"E2": 52, "A2": 57, "C3": 60, "E3": 64, "G3": 67, "C4": 72}
"""Names with middle C as C3."""
OURS: Final = (".companion", "releases", "release-words")


def good_sounds() -> dict[str, Sound]:
    """Return every sound without a fault, by path."""
    sounds = {CAVE: Sound(quantised(cave()), RATE)}
    for name, note in NOTES.items():
        for take in (1, 2):
            for velocity in (40, 110):
                path = f"{STRUCK}_{name}_v{velocity}_rr{take}.wav"
                sounds[path] = Sound(quantised(struck(note, velocity, take)), RATE, note)
            sounds[f"{BRUSHED}_{name}_v80_rr{take}.wav"] = Sound(quantised(brushed(note, take)), RATE, note)
        signal, loop = hummed(note)
        sounds[f"{HUMMED}_{name}_v80_rr1.wav"] = Sound(quantised(signal), RATE, note, loop)
    return dict(sorted(sounds.items()))


def written(sound: Sound) -> bytes:
    """Return a sound as the bytes of its file."""
    after = (*sound.after, *([sampler(sound.root, sound.rate, sound.loop)] if sound.root is not None else []))
    data = wave(sound.frames, sound.rate, bits=sound.bits, before=sound.before, after=after)
    return data[: int(len(data) * sound.cut)]


def patch(references: list[tuple[str, str]]) -> bytes:
    """Return a patch of the invented engine: numbers, and paths with their length before and a zero behind.

    references: (encoding, path). Only the engine reads such a file; for everybody else it is bytes.
    """
    body = bytearray()
    for index, (encoding, path) in enumerate(references):
        text = path.encode(encoding)
        level, pan = 1.0 - index / 512, (index % 5 - 2) / 8
        body += struct.pack("<HHffI", 0x0210 if encoding == "utf-8" else 0x0211, index, level, pan, len(text))
        body += text + (b"\0" if encoding == "utf-8" else b"\0\0")
    head = struct.pack("<4sHHII", b"EENG", 7, 2, len(references), len(body))
    return head + bytes(body) + struct.pack("<I", zlib.crc32(body))


def good_references(samples: list[str]) -> list[tuple[str, str]]:
    """Return what the patch refers to, as it should; some paths are held wide, as engines do."""
    wide = [("utf-16-le" if "/Brushed/" in path or "/Hummed/" in path else "utf-8", path) for path in samples]
    return [*wide, ("utf-8", CAVE), ("utf-8", "Pictures/Panel.png"), ("utf-8", SCRIPT)]


def bad_references(samples: list[str]) -> list[tuple[str, str]]:
    """Return what the patch refers to when the demo is opened first: six paths that fail elsewhere."""
    swaps = {
        f"{BRUSHED}_E3_v80_rr2.wav": "Samples/brushed/brushed_E3_v80_rr2.wav",
        f"{HUMMED}_G3_v80_rr1.wav": "Samples\\Hummed\\hummed_G3_v80_rr1.wav",
        CAVE: unicodedata.normalize("NFD", CAVE),
    }
    return [
        *((encoding, swaps.get(path, path)) for encoding, path in good_references(samples)),
        ("utf-16-le", f"{HUMMED}_G3_v80_rr2.wav"),
        ("utf-8", f"/Users/slatehand/Slate Choir/{STRUCK}_C3_v40_rr1.wav"),
        ("utf-16-le", f"D:\\Quay Room\\Slate Choir\\{BRUSHED}_C3_v80_rr2.wav".replace("/", "\\")),
    ]


def picture() -> bytes:
    """Return the panel, six slabs before a dark wall, as a PNG without metadata."""
    from PIL import Image, ImageDraw

    image = Image.new("RGB", (640, 240), (24, 28, 32))
    draw = ImageDraw.Draw(image)
    for index in range(6):
        left, height = 40 + 96 * index, 170 - 14 * index
        draw.line([(left + 40, 0), (left + 40, 30)], fill=(120, 104, 80), width=2)
        draw.polygon(
            [(left, 34), (left + 78, 30), (left + 74, 30 + height), (left + 6, 24 + height)],
            fill=(74 + 6 * index, 84 + 5 * index, 96 + 4 * index),
        )
        draw.line([(left + 10, 60), (left + 68, 54 + height // 2)], fill=(50, 58, 66), width=1)
    stream = io.BytesIO()
    image.save(stream, "PNG", optimize=True)
    return stream.getvalue()


def extras() -> bytes:
    """Return an archive within the instrument: what nobody unpacks twice."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        member = zipfile.ZipInfo("Slabs.txt", (2026, 2, 11, 21, 40, 0))
        member.create_system = 3
        archive.writestr(member, "The third slab from the left has a crack; we kept it for its voice.\n")
    return stream.getvalue()


def facts(*, mended: bool) -> str:
    """Return ``release.toml`` as the maker wrote it, or with what it lacks."""
    if not mended:
        return FACTS_TEXT
    text = FACTS_TEXT
    minimum = MENDED_FACTS["engine.minimum"]
    text = text.replace('minimum = "7.0"  # somebody asked whether it runs on theirs', f'minimum = "{minimum}"')
    added = "".join(f'{key} = "{MENDED_FACTS[f"instrument.{key}"]}"\n' for key in ("contact", "rights"))
    return text.replace('maker = "Quay Room"\n', f'maker = "Quay Room"\n{added}')


def files(*, mended: bool = False) -> dict[str, bytes]:
    """Return every file of the demo by relative path: with its faults, or as it is once they are mended."""
    sounds = good_sounds()
    samples = [path for path in sounds if path != CAVE]
    found = {path: written(sound) for path, sound in sounds.items()}
    found |= {
        FACTS: facts(mended=mended).encode(),
        "Licence.txt": LICENCE.encode(),
        "Pictures/Panel.png": picture(),
        PATCH: patch(good_references(samples)),
        SCRIPT: MENDED_SCRIPT.encode(),
        "Reading/How to play.txt": READING.encode(),
    }
    if not mended:
        found |= {path: written(spoil(sounds[path])) for path, spoil in SPOIL.items()}
        found |= {
            f"{STRUCK}_E3_v40_rr2.wav": found[f"{STRUCK}_E3_v40_rr1.wav"],
            f"{BRUSHED}_C4_v80_rr3.wav": written(Sound(quantised(brushed(NOTES["C4"], 3)), RATE, NOTES["C4"])),
            PATCH: patch(bad_references(samples)),
            SCRIPT: SCRIPT_TEXT.encode("cp1252"),
            "Reading/How to play.txt": b"",
            "Slate Choir - Copy.eeng": patch(good_references(samples[: len(samples) // 2])),
            "Extras.zip": extras(),
            "Samples/Thumbs.db": bytes.fromhex("d0cf11e0a1b11ae1") + bytes(504),
            "Samples/Brushed/._brushed_E2_v80_rr1.wav": bytes.fromhex("0005160700020000") + bytes(74),
        }
    return found


def agrees(path: str, old: bytes, new: bytes) -> bool:
    """Tell whether two versions of a file are the same: sounds to one step of 16 bits, pictures by their pixels."""
    if old == new:
        return True
    if path.endswith(".png"):
        from PIL import Image

        return Image.open(io.BytesIO(old)).tobytes() == Image.open(io.BytesIO(new)).tobytes()
    if not path.endswith(".wav") or len(old) != len(new) or b"data" not in new:
        return False
    begin = new.index(b"data") + 8
    end = min(begin + struct.unpack_from("<I", new, begin - 4)[0], len(new))
    if old[:begin] != new[:begin] or old[end:] != new[end:]:
        return False
    first, second = (_frames(data, begin, end) for data in (old, new))
    return bool(np.abs(first - second).max() <= 1)


def _frames(data: bytes, begin: int, end: int) -> np.ndarray[tuple[int], np.dtype[np.int32]]:
    width = struct.unpack_from("<H", data, data.index(b"fmt ") + 22)[0] // 8
    raw = np.frombuffer(data[begin : end - (end - begin) % width], np.uint8).reshape(-1, width)
    return np.ascontiguousarray(raw[:, -2:]).view("<i2").ravel().astype(np.int32)


def differences(folder: Path) -> list[str]:
    """Return a line for each file of ``folder`` that is missing, too many or other than it should be."""
    wanted = files()
    present = {
        unicodedata.normalize("NFC", path.relative_to(folder).as_posix())
        for path in folder.rglob("*")
        if path.is_file() and path.relative_to(folder).parts[0] not in OURS
    }
    lines = [f"missing: {path}" for path in sorted(wanted.keys() - present)]
    lines += [f"too many: {path}" for path in sorted(present - wanted.keys())]
    for path in sorted(wanted.keys() & present):
        if not agrees(path, (folder / path).read_bytes(), wanted[path]):
            lines.append(f"differs: {path}")
    return lines


def write(folder: Path, *, mended: bool = False) -> None:
    """Write the demo into ``folder``; a file that agrees already is not touched, and nothing is removed."""
    for path, data in files(mended=mended).items():
        target = folder / PurePosixPath(path)
        if target.is_file() and agrees(path, target.read_bytes(), data):
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)


def main(arguments: list[str]) -> int:
    """Write the demo, or with ``--check`` only compare; 1 when something differs."""
    if arguments not in ([], ["--check"]):
        print(__doc__)
        return 2
    if not arguments:
        write(FOLDER)
    lines = differences(FOLDER)
    print("\n".join(lines) or f"{len(files())} files agree")
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
