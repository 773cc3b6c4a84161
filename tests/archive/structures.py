"""Archives taken apart and put together otherwise: what a stranger, or a careless program, may make of a good one."""

from __future__ import annotations

import io
import random
import struct
import zipfile
import zlib
from collections.abc import Callable
from typing import Any, Final

LOCAL: Final = ("need", "flags", "method", "time", "date", "crc", "packed", "size")
"""Fields of a local header, in its order (APPNOTE 4.3.7); ``name`` and ``extra`` follow."""
CENTRAL: Final = ("made", *LOCAL)
"""Fields of an entry of the directory (4.3.12); then lengths, ``disk``, ``inner``, ``outer`` and ``offset``."""
Fields = dict[str, Any]


class Taken:
    """One archive: its members, what lies between its parts, and what its end says where that is not the truth."""

    def __init__(self, data: bytes) -> None:
        self.members: list[Fields] = []
        self.prefix = self.before_directory = self.after_directory = self.suffix = b""
        self.comment, self.end, self.shift = b"", Fields(), 0
        self.wide: Fields | None = None
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            self.comment = archive.comment
            at = archive.start_dir
            for member in archive.infolist():
                self.members.append(self._member(data, member.header_offset, at))
                at += 46 + sum(struct.unpack_from("<3H", data, at + 28))

    @staticmethod
    def _member(data: bytes, start: int, at: int) -> Fields:
        local = dict(zip(LOCAL, struct.unpack_from("<5H3I", data, start + 4), strict=True))
        name, extra = struct.unpack_from("<2H", data, start + 26)
        central = dict(zip(CENTRAL, struct.unpack_from("<6H3I", data, at + 4), strict=True))
        lengths = struct.unpack_from("<3H", data, at + 28)
        central["disk"], central["inner"], central["outer"] = struct.unpack_from("<HHI", data, at + 34)
        body, after = start + 30 + name + extra, at + 46
        local["name"], local["extra"] = data[start + 30 : start + 30 + name], data[start + 30 + name : body]
        central["name"] = data[after : after + lengths[0]]
        central["extra"] = data[after + lengths[0] : after + lengths[0] + lengths[1]]
        central["comment"] = data[after + lengths[0] + lengths[1] : after + sum(lengths)]
        stream = data[body : body + central["packed"]]
        tail = b""
        if local["flags"] & 8:
            local["flags"] &= ~8
            central["flags"] &= ~8
            local["crc"], local["packed"], local["size"] = central["crc"], central["packed"], central["size"]
        return {"local": local, "central": central, "stream": stream, "tail": tail, "offset": None, "gap": b""}

    def together(self) -> bytes:
        """Put it together; every offset and count is right that was not set otherwise."""
        body, directory = self.prefix, b""
        for member in self.members:
            local = member["local"]
            member["at"] = len(body)
            fields = struct.pack("<4s5H3I", b"PK\3\4", *(local[field] for field in LOCAL))
            body += fields + struct.pack("<2H", len(local["name"]), len(local["extra"]))
            body += local["name"] + local["extra"] + member["stream"] + member["tail"] + member["gap"]
        for member in self.members:
            central = member["central"]
            offset = member["at"] - self.shift if member["offset"] is None else member["offset"]
            directory += struct.pack("<4s6H3I", b"PK\1\2", *(central[field] for field in CENTRAL))
            lengths = (len(central[part]) for part in ("name", "extra", "comment"))
            directory += struct.pack("<5HI", *lengths, central["disk"], central["inner"], central["outer"])
            directory += struct.pack("<I", offset & 0xFFFFFFFF)
            directory += central["name"] + central["extra"] + central["comment"]
        body += self.before_directory
        start = len(body) - self.shift
        body += directory + self.after_directory
        count = len(self.members)
        said = {
            "disk": 0, "first": 0, "here": count, "all": count, "size": len(directory), "start": start,
            "comment": len(self.comment),
        }  # fmt: skip
        if self.wide is not None:
            true = {"size": len(directory), "start": start, "count": count, "length": 44, "need": 45, "at": len(body)}
            wide = {**true, **self.wide}
            body += struct.pack("<4sQ2H2I", b"PK\6\6", wide["length"], 45, wide["need"], 0, 0)
            body += struct.pack("<4Q", wide["count"], wide["count"], wide["size"], wide["start"])
            body += struct.pack("<4sIQI", b"PK\6\7", 0, wide["at"] - self.shift, wide.get("disks", 1))
            said |= {"start": 0xFFFFFFFF, "size": 0xFFFFFFFF, "here": 0xFFFF, "all": 0xFFFF}
        said |= self.end
        end = (
            said[field] & mask for field, mask in zip(said, (0xFFFF,) * 4 + (0xFFFFFFFF,) * 2 + (0xFFFF,), strict=True)
        )
        return body + struct.pack("<4s4H2IH", b"PK\5\6", *end) + self.comment + self.suffix


def _both(member: Fields, chance: random.Random) -> list[Fields]:
    return chance.choice(([member["local"]], [member["central"]], [member["local"], member["central"]]))


def described(taken: Taken, member: Fields, chance: random.Random) -> None:
    """A data descriptor: with or without its mark, in 32 or 64 bits, right or wrong, or only said to be there."""
    local, central = member["local"], member["central"]
    for one in _both(member, chance) if chance.random() < 0.2 else (local, central):
        one["flags"] |= 8
    crc, packed, size = central["crc"], central["packed"], central["size"]
    if chance.random() < 0.3:
        crc, packed, size = chance.choice(((crc ^ 1, packed, size), (crc, packed + 1, size), (crc, packed, size + 1)))
    shape = "<I2Q" if chance.random() < 0.3 else "<3I"
    mark = b"PK\x07\x08" if chance.random() < 0.7 else b""
    member["tail"] = b"" if chance.random() < 0.1 else mark + struct.pack(shape, crc, packed, size)
    if chance.random() < 0.8:
        local["crc"] = local["packed"] = local["size"] = 0


def widened(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Zip64: sizes in the extra field, right, wrong, too few or too many; and the end in its wide form."""
    central = member["central"]
    for one in _both(member, chance):
        values = [central["size"], central["packed"]]
        if one is central and chance.random() < 0.3:
            values.append(0)
        if chance.random() < 0.3:
            values = chance.choice((values[:1], values[::-1], [*values, 7], [values[0] + 1, *values[1:]], []))
        field = struct.pack("<2H", 1, 8 * len(values)) + b"".join(struct.pack("<Q", value) for value in values)
        one["extra"] = chance.choice((field + one["extra"], one["extra"] + field))
        for name in chance.choice((("size", "packed"), ("size", "packed"), ("size",), ("packed",), ())):
            one[name] = 0xFFFFFFFF
        one["need"] = chance.choice((20, 45))
    if chance.random() < 0.6:
        wrong = ({"count": 1}, {"start": 9}, {"size": 3}, {"length": 60}, {"at": 5}, {"disks": 2}, {"need": 62})
        taken.wide = {} if chance.random() < 0.6 else chance.choice(wrong)


def at_odds(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Local header and directory disagree."""
    one, field = chance.choice((member["local"], member["central"])), chance.choice((*LOCAL, "name"))
    if field == "name":
        one["name"] = chance.choice((one["name"].upper(), one["name"] + b"x", one["name"][:-1], b"S/other.txt"))
    else:
        one[field] = chance.choice((0, 1, one[field] ^ 1, one[field] ^ 8, one[field] + 1, 0xFFFF)) & 0xFFFF


def flagged(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Bits of the flags, encryption's among them."""
    bit = 1 << chance.choice((0, 0, 1, 2, 4, 5, 6, 6, 7, 10, 11, 12, 13, 13, 14, 15))
    for one in _both(member, chance):
        one["flags"] ^= bit
    if bit in (1, 64) and chance.random() < 0.4:
        field = struct.pack("<2H", 0x0017, 8) + chance.randbytes(8)
        member["local"]["extra"] += field
        member["central"]["extra"] += field


def remarked(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Comments: of members and of the whole, with lengths that lie, and with what looks like an end in them."""
    texts = (
        b"",
        b"hello",
        b"PK\5\6" + bytes(18),
        b"PK\1\2" + bytes(50),
        b"x" * 70,
        "ü".encode(),
        b"\xfc\xff\0\n",
        b"y" * 65535,
    )
    if chance.random() < 0.5:
        member["central"]["comment"] = chance.choice(texts[:-1])
    taken.comment = chance.choice(texts)
    if chance.random() < 0.4:
        taken.end["comment"] = len(taken.comment) + chance.choice((-1, 1, 3, 200))


def over_disks(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Fields that tell of several disks, and counts that do not agree."""
    if chance.random() < 0.5:
        member["central"]["disk"] = chance.choice((1, 2, 0xFFFF))
    count = len(taken.members)
    for field in chance.sample(("disk", "first", "here", "all"), chance.choice((0, 1, 1, 2))):
        taken.end[field] = chance.choice((0, 1, count - 1, count + 1, 0xFFFF))


def named(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Names in every encoding, and such as systems read otherwise."""
    words = (
        "ü.txt",
        "石.wav",
        "e\u0301.wav",
        "A" * 200,
        "a b.txt",
        "é",
        "\U0001f3b9.wav",
        "..txt",
        "a\u202eb",
        "x\u200by",
    )
    raw = chance.choice(words).encode(
        chance.choice(("utf-8", "utf-8", "cp437", "cp850", "utf-16-le", "shift_jis")), "replace"
    )
    odd = (
        b"a\\b.txt", b"../up.txt", b"/abs.txt", b"C:/x.txt", b"a//b.txt", b"./a.txt", b"a/./b.txt", b"nul", b"aux.txt",
        b"dot.", b"space ", b"a\0b", b"a\nb", b"\xc0\xaf.txt", b"\xed\xa0\x80.txt", b"\xff\xfe", b"", b"a:b.txt",
        b"a*b", b"~/x", b"-x", b"a/b/../c.txt", b"sub", b"sub/", b"b.wav/", b"A.TXT", b"con.d/x", b"\x1b[2J.txt",
        b"\xef\xbb\xbfa.txt",
    )  # fmt: skip
    name = b"S/" + raw if chance.random() < 0.5 else chance.choice((b"S/", b"")) + chance.choice(odd)
    for one in (member["local"], member["central"]) if chance.random() < 0.85 else _both(member, chance):
        one["name"] = name
        one["flags"] = chance.choice((one["flags"], one["flags"] | 0x800, one["flags"] & ~0x800))
    if chance.random() < 0.25:
        told = chance.choice((name, "S/ü.txt".encode(), b"S/other"))
        sums = chance.choice((zlib.crc32(name), 5))
        field = struct.pack("<2HBI", 0x7075, 5 + len(told), 1, sums) + told
        for one in _both(member, chance):
            one["extra"] += field


def timed(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Times that are none, and fields that tell others."""
    for one in _both(member, chance):
        one["time"], one["date"] = chance.choice((0, 0xFFFF, chance.randrange(65536))), chance.choice((0, 0xFFFF, 0x21))
        stamps = struct.pack("<I", chance.choice((0, 0x7FFFFFFF, 0xFFFFFFFF)))
        if chance.random() < 0.5:
            one["extra"] += struct.pack("<2HB", 0x5455, 5, chance.choice((1, 3, 7, 255))) + stamps
        if chance.random() < 0.2:
            one["extra"] += struct.pack("<2H2I", 0x000A, chance.choice((8, 32)), 0, 0x180001) + chance.randbytes(24)


def told_otherwise(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Attributes: modes, kinds of file, systems it says to be made on."""
    central = member["central"]
    mode = chance.choice(
        (0, 0o100000, 0o100644, 0o104755, 0o040755, 0o120777, 0o020666, 0o060666, 0o010644, 0o140755, 0o100333)
    )
    central["outer"] = chance.choice(
        (mode << 16, mode << 16 | 0x10, mode << 16 | 1, 0x10, 0x08, 0x40, 0xFFFFFFFF, mode)
    )
    central["made"] = chance.choice((0, 3, 3, 3, 7, 10, 11, 14, 19, 30, 255)) << 8 | chance.choice((20, 30, 63, 0))
    central["inner"] = chance.choice((0, 0, 1, 2, 0xFFFF))


def sized(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Sizes, packed and unpacked, that are not those of the bytes; other methods; bytes behind the end."""
    local, central = member["local"], member["central"]
    how = chance.randrange(6)
    if how == 0:
        field, by = chance.choice(("size", "packed")), chance.choice((-1, 1, 5, -5, 1000))
        for one in _both(member, chance):
            one[field] = max(0, one[field] + by)
    elif how == 1:
        member["stream"] += chance.choice((b"\0", b"PK\7\x08", chance.randbytes(9)))
        if chance.random() < 0.7:
            local["packed"] = central["packed"] = len(member["stream"])
    elif how == 2:
        method = chance.choice((0, 1, 6, 8, 9, 12, 14, 19, 93, 95, 97, 98, 99))
        for one in _both(member, chance):
            one["method"] = method
    elif how == 3:
        data, method = chance.choice(
            ((b"\3\0", 8), (b"", 0), (b"", 8), (b"\1\0\0\xff\xff", 8), (b"\0\0\0\xff\xff\3\0", 8))
        )
        member["stream"] = data
        local |= {"packed": len(data), "size": 0, "crc": 0, "method": method}
        central |= {"packed": len(data), "size": 0, "crc": 0, "method": method}
    elif how == 4:
        for one in _both(member, chance):
            one["crc"] ^= chance.choice((1, 0xFFFFFFFF, 1 << 31))
    else:
        member["stream"] = member["stream"][: -chance.choice((1, 2, 7))]


def overlapping(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Members that share bytes, stand twice in the directory, or begin within others."""
    import copy

    twin = copy.deepcopy(member)
    how = chance.randrange(4)
    if how == 0:  # twice in the directory, once in the body
        twin["offset"] = len(taken.prefix)
        twin["central"]["name"] += b"2"
    elif how == 1:
        twin["local"]["name"] += b"2"
        twin["central"]["name"] += b"2"
    if how == 2:
        member["offset"] = chance.choice((0, 1, 30, 4, 1 << 31, 0xFFFFFFFF))
    elif how == 3:
        chance.shuffle(taken.members)
    else:
        taken.members.insert(chance.randrange(len(taken.members) + 1), twin)


def between(taken: Taken, member: Fields, chance: random.Random) -> None:
    """Bytes in front, between, and behind; a second archive; records that nobody asked for."""
    junk = chance.choice(
        (b"\0", b"MZ" + bytes(60), b"#!/bin/sh\n", b"PK\3\4" + bytes(26), b"PK\5\6" + bytes(18), chance.randbytes(40))
    )
    extra = b"PK\6\x08" + struct.pack("<I", 4) + b"abcd"
    signature = b"PK\5\5" + struct.pack("<H", 4) + b"abcd"
    how = chance.randrange(6)
    if how == 0:
        taken.prefix = junk
        taken.shift = chance.choice((0, len(junk)))
    elif how == 1:
        member["gap"] = junk
    elif how == 2:
        taken.before_directory = chance.choice((junk, extra))
    elif how == 3:
        taken.after_directory = chance.choice((junk, signature))
    elif how == 4:
        taken.suffix = junk
    else:
        other = Taken(taken.together())
        taken.prefix = other.together()
        taken.shift = chance.choice((0, len(taken.prefix)))


KINDS: Final[tuple[Callable[[Taken, Fields, random.Random], None], ...]] = (
    *(described, widened, at_odds, flagged, remarked, over_disks),
    *(named, timed, told_otherwise, sized, overlapping, between),
)


def put_together_otherwise(data: bytes, chance: random.Random) -> tuple[bytes, str]:
    """Return another archive made of one, in one way or two, and which."""
    taken, done = Taken(data), []
    for kind in chance.sample(KINDS, chance.choice((1, 1, 1, 2))):
        kind(taken, chance.choice(taken.members), chance)
        done.append(kind.__name__)
    return taken.together(), " and ".join(done)
