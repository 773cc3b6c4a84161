"""Which members may be run on the player's computer.

Told by their first bytes and not by the disk they lie on: Windows and memory sticks know no bit for it, or set it for
every file, and the same content has to give the same archive.
"""

from typing import Final

_BEGINNINGS: Final = (
    b"#!",  # a script that names what runs it (execve(2))
    b"\x7fELF",  # System V ABI, chapter 4
    b"\xfe\xed\xfa\xce",  # Mach-O, 32 and 64 bits, either byte order, and for several processors (loader.h, fat.h)
    b"\xfe\xed\xfa\xcf",
    b"\xce\xfa\xed\xfe",
    b"\xcf\xfa\xed\xfe",
    b"\xca\xfe\xba\xbe",
)


def is_program(content: bytes | bytearray | memoryview) -> bool:
    """Tell from the beginning of a file whether it is a script or a program."""
    return bytes(content[:4]).startswith(_BEGINNINGS)
