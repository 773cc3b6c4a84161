"""The systems players have: their ids in the facts, their names, and how people write them."""

import re
from typing import Final

SYSTEM_NAMES: Final = {"windows": "Windows", "macos": "macOS", "linux": "Linux"}

_WORDS: Final = {
    "windows": re.compile(r"\bwin(?:dows|\d|\b)", re.IGNORECASE),
    "macos": re.compile(
        r"\bi?mac(?:os|book|\d|\b)|\bos ?x\b|\bdarwin|\b(?:tahoe|sequoia|sonoma|ventura|monterey|big ?sur|catalina"
        r"|mojave|(?:high )?sierra|el capitan|yosemite|mavericks)\b",
        re.IGNORECASE,
    ),
    "linux": re.compile(
        r"linux|\b(?:[kx]?ubuntu|debian|fedora|arch|mint|(?:open)?suse|red ?hat|rhel|centos|rocky|alpine|gentoo|nixos"
        r"|manjaro|slackware|raspbian|raspberry pi os)\b",
        re.IGNORECASE,
    ),
}
"""What each is known by: its own name, and those that its versions and distributions go by."""


def system_of(text: str) -> str:
    """Return ``windows``, ``macos`` or ``linux`` for a system as a person writes it, or an empty string."""
    return next((system for system, words in _WORDS.items() if words.search(text)), "")


def system_name(system: str) -> str:
    """Return a system as people write it: ``macos`` is ``macOS``; anything but the three ids comes back as it is."""
    return SYSTEM_NAMES.get(system.strip().lower(), system.strip())


def system_family(text: str) -> str:
    """Return what :func:`system_of` tells, or the text in lower case where that is none of the three."""
    return system_of(text) or text.strip().lower()
