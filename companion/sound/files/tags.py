"""ID3v2 tags (informal standards 2.3 and 2.4), found at the head of MPEG audio and inside RIFF and AIFF chunks."""

from typing import BinaryIO, Final

from companion.sound.files.chunks import MOST_TEXT, Chunks, ChunksBuilder

_ENCODINGS: Final = ("latin-1", "utf-16", "utf-16-be", "utf-8")


def read_mp3(stream: BinaryIO, size: int) -> Chunks:
    """Return the tag of an MPEG audio file; its format is left to the decoder."""
    found = ChunksBuilder("MP3")
    found.values["coding"] = "MPEG layer III"
    stream.seek(0)
    read_id3(found, stream.read(min(size, MOST_TEXT)))
    return found.chunks()


def _size(raw: bytes, *, synchsafe: bool) -> int:
    size = 0
    for byte in raw:
        size = size << (7 if synchsafe else 8) | (byte & 0x7F if synchsafe else byte)
    return size


def read_id3(found: ChunksBuilder, body: bytes) -> None:
    """Keep the texts of an ID3v2.3 or 2.4 tag: ``T…``, ``W…``, ``COMM`` and ``PRIV`` frames."""
    if body[:3] != b"ID3" or len(body) < 20 or body[3] not in (3, 4):
        return
    end = min(len(body), 10 + _size(body[6:10], synchsafe=True))
    place = 10
    if body[5] & 0x40:
        place += _size(body[10:14], synchsafe=body[3] == 4) + (4 if body[3] == 3 else 0)
    while place + 10 <= end and body[place : place + 1].isalpha():
        name = body[place : place + 4].decode("latin-1")
        length = _size(body[place + 4 : place + 8], synchsafe=body[3] == 4)
        content = body[place + 10 : min(end, place + 10 + length)]
        place += 10 + length
        if name[0] == "T" or name == "COMM":
            _text(found, name, content)
        elif name[0] == "W" or name == "PRIV":
            found.text(f"ID3 {name}", content)


def _text(found: ChunksBuilder, name: str, content: bytes) -> None:
    if not content or content[0] >= len(_ENCODINGS):
        return
    rest = content[4:] if name == "COMM" else content[1:]
    text = rest.decode(_ENCODINGS[content[0]], "replace").replace("\ufeff", "")
    found.text(f"ID3 {name}", " ".join(part for part in text.split("\0") if part).encode("utf-8", "replace"))
