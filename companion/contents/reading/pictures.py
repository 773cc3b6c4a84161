"""Pictures: whether they open, and the metadata they carry."""

import warnings
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import msgspec

from companion.contents.versions import PICTURES_READ
from companion.core.cache import Cache, Table
from companion.core.entries import Entry, Kind
from companion.core.files import unchanged
from companion.core.progress import Watch
from companion.core.regular import buffered

MOST_PIXELS: Final = 64_000_000
"""Over this a picture is not unpacked: 64 megapixels are 256 MB of memory, and no instrument's face needs them."""
MOST_TEXT: Final = 4096
_NOT_TEXT: Final = frozenset(["exif", "icc_profile", "photoshop", "jfif", "dpi", "transparency", "gamma", "srgb"])


class Picture(msgspec.Struct, frozen=True, kw_only=True):
    """problem: why it does not open; empty when it does. metadata: (field, text) pairs."""

    problem: str = ""
    metadata: tuple[tuple[str, str], ...] = ()


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if isinstance(value, (tuple, list)):
        value = " ".join(map(str, value[:16]))
    return str(value)[:MOST_TEXT]


def _metadata(image: Any) -> tuple[tuple[str, str], ...]:
    from PIL.ExifTags import GPSTAGS, IFD, TAGS

    found: list[tuple[str, str]] = []
    exif = image.getexif()
    found.extend(
        (f"EXIF {TAGS.get(tag, tag)}", _text(value)) for tag, value in exif.items() if tag not in (0x8769, 0x8825)
    )
    found.extend((f"EXIF {TAGS.get(tag, tag)}", _text(value)) for tag, value in exif.get_ifd(IFD.Exif).items())
    found.extend((f"GPS {GPSTAGS.get(tag, tag)}", _text(value)) for tag, value in exif.get_ifd(IFD.GPSInfo).items())
    texts = {**image.info, **getattr(image, "text", {})}
    for name, value in texts.items():
        if isinstance(value, (str, bytes)) and str(name).lower() not in _NOT_TEXT:
            found.append((str(name)[:64], _text(value)))
    return tuple(found[:256])


def read_picture(path: Path) -> Picture:
    """Return what the file at ``path`` is as a picture. Never raises for its content, nor unpacks a bomb."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with buffered(path) as stream, Image.open(stream) as image:
                width, height = image.size
                if width * height > MOST_PIXELS:
                    return Picture(problem=f"{width:,} × {height:,} pixels are too many to open")
                metadata = _metadata(image)
                image.load()
                return Picture(metadata=metadata)
    except Image.DecompressionBombError:
        return Picture(problem="it claims more pixels than any picture has")
    except Exception as error:  # whatever a damaged file makes the decoder do costs that file only
        return Picture(problem=_why_closed(error, path))


def picture_size(path: Path) -> tuple[int, int] | str:
    """Return (width, height) in pixels as a picture's header says, or why it says none. Nothing is unpacked."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with buffered(path) as stream, Image.open(stream) as image:
                return image.size
    except Image.DecompressionBombError:
        return "it claims more pixels than any picture has"
    except Exception as error:  # whatever a damaged file makes the reader do costs that file only
        return _why_closed(error, path)


def _why_closed(error: Exception, path: Path) -> str:
    reason = str(error)[:200] or error.__class__.__name__
    return f"it does not open: {reason}".replace(str(path), path.name)


def read_pictures(folder: Path, entries: Iterable[Entry], cache: Cache, watch: Watch) -> dict[str, Picture]:
    """Return each picture among ``entries`` by path, remembered by content; vector drawings are left alone."""
    chosen = [e for e in entries if e.kind is Kind.PICTURE and e.suffix != ".svg" and not e.problem and e.size]
    watch.stage("Opening pictures", len(chosen))
    kept = Table(cache, PICTURES_READ.id, PICTURES_READ.version, Picture)
    found: dict[str, Picture] = {}
    for entry in chosen:
        key = bytes.fromhex(entry.sha256)
        picture = kept.get(key)
        if picture is None:
            picture = read_picture(folder / entry.path)
            if unchanged(folder, entry):
                kept.put([(key, picture)])
        found[entry.path] = picture
        watch.step()
    return found
