"""Words and marks that names hold beside the note: touch, microphones, releases, takes, numbers that say nothing."""

from __future__ import annotations

import re
from typing import Final

DYNAMICS: Final = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
_TOUCHES: Final = {
    "softest": 10,
    "pianissimo": 25,
    "softer": 25,
    **dict.fromkeys(("soft", "softly", "quiet", "quietly", "gentle", "gently", "light", "lightly"), 40),
    "mezzopiano": 64,
    "medium": 75,
    "med": 75,
    "mid": 75,
    "middle": 75,
    "normal": 75,
    "mezzoforte": 76,
    **dict.fromkeys(("loud", "loudly", "hard", "strong", "strongly"), 115),
    "fortissimo": 121,
    "louder": 121,
    "harder": 121,
    "loudest": 127,
    "hardest": 127,
    "leise": 40,
    "weich": 40,
    "mittel": 75,
    "laut": 115,
    "hart": 115,
}
TOUCHES: Final = {mark: round(127 * (place + 1) / len(DYNAMICS)) for place, mark in enumerate(DYNAMICS)} | _TOUCHES
"""What a word or a mark for how hard a note is played stands for, 1 to 127; the order is what counts."""

MARKS: Final = frozenset(DYNAMICS) - {"p", "f"} | {
    "softest",
    "hardest",
    "loudest",
    "pianissimo",
    "fortissimo",
    "mezzoforte",
}
"""What says a touch in whatever company; other words do so only beside one another."""

MICROPHONES: Final = frozenset(
    (
        *("close", "near", "far", "mid", "middle", "distant", "room", "hall", "ambient", "ambience", "amb", "overhead"),
        *("overheads", "oh", "spot", "main", "mains", "tree", "stereo", "mono", "direct", "di", "amp", "contact"),
        *("front", "back", "rear", "surround", "outrigger", "wide", "side", "top", "bottom", "under", "inside"),
        *("outside", "left", "right", "centre", "center", "l", "r", "c", "lf", "rf", "clo", "rm", "mic", "mix", "nah"),
        *("fern", "raum", "player", "audience", "ribbon", "condenser", "dynamic", "tube", "xy", "ms", "ortf"),
    )
)
"""Words for where a microphone stands, or what it is; they count where two of them differ in nothing else."""

RELEASES: Final = frozenset(("release", "releases", "rel", "rels", "rls", "noteoff", "keyoff", "keyup"))
MAYBE_RELEASES: Final = frozenset(("off", "up", "r"))
"""Words for what sounds when a key is let go; the second kind only beside the same name without it."""

TAKE_LETTERS: Final = "abcdefgh"

PREFIXES: Final = {
    **dict.fromkeys(("v", "vel", "velo", "velocity", "vl", "dyn", "dynamic", "velocities"), "velocity"),
    **dict.fromkeys(("rr", "r", "take", "tk", "t", "var", "variation", "alt", "rep", "robin", "roundrobin"), "take"),
    **dict.fromkeys(("n", "note", "midi", "key", "nn", "mn", "root", "midinote", "keynumber"), "number"),
    **dict.fromkeys(("mic", "micro", "microphone", "pos", "position", "ch", "channel"), "microphone"),
    **dict.fromkeys(("lo", "lovel", "lv", "vmin", "velmin", "minvel", "min", "vlo"), "low_velocity"),
    **dict.fromkeys(("hi", "hivel", "hv", "vmax", "velmax", "maxvel", "max", "vhi"), "high_velocity"),
    **dict.fromkeys(("lokey", "lowkey", "keylo"), "low_key"),
    **dict.fromkeys(("hikey", "highkey", "keyhi"), "high_key"),
    **dict.fromkeys(("oct", "octave", "o", "okt", "oktave"), "octave"),
}
"""What a number behind such a word is."""

_DATE: Final = r"(?:19|20)[0-9]{2}(?P<gap>[-_. ]?)(?:0[1-9]|1[0-2])(?P=gap)(?:0[1-9]|[12][0-9]|3[01])(?![0-9])"
_EUROPEAN: Final = r"(?:0[1-9]|[12][0-9]|3[01])(?P<stroke>[-_.])(?:0[1-9]|1[0-2])(?P=stroke)(?:19|20)[0-9]{2}(?![0-9])"
_TEMPO: Final = r"(?i:[0-9]{2,3}(?:[.,][0-9]+)?[ _-]?bpm(?![a-z])|bpm[ _-]?[0-9]{2,3}(?![0-9]))"
_RATE: Final = (
    r"(?:(?:22050|32000|44100|48000|88200|96000|176400|192000)(?![0-9])(?:[ _-]?[hH][zZ])?"
    r"|(?:22|32|44|48|88|96|176|192)(?:[.,_][0-9])?[ _-]?[kK](?:[hH][zZ])?(?![A-Za-z]))"
)
_DEPTH: Final = r"(?i:(?:8|16|20|24|32|64)[ _-]?bits?(?![a-z])|(?:16|24|32)(?:b|f|fp)(?![a-z0-9]))"
NOTHING: Final = f"{_DATE}|{_EUROPEAN}|{_TEMPO}|{_RATE}|{_DEPTH}"
"""A regular expression for dates, tempos, sample rates and depths: numbers that say nothing of note or touch."""

HERTZ: Final = r"[0-9]{1,5}(?:[.,][0-9]+)?[ _-]?[hH][zZ](?![A-Za-z])"
_HERTZ: Final = re.compile(r"([0-9]{1,5})(?:[.,]([0-9]+))?[ _-]?[hH][zZ]")


def read_velocity(text: str) -> int | None:
    """Return a velocity 0–127 for a number, a dynamic mark or a word; numbers over 127 keep their order at 127."""
    if text.isascii() and text.isdigit():
        return min(127, int(text))
    return TOUCHES.get(text.lower())


def read_hertz(text: str) -> float | None:
    """Return a frequency written with its unit, ``440Hz`` or ``261.63 Hz``; None where it is none that has a note."""
    match = _HERTZ.fullmatch(text)
    value = float(f"{match[1]}.{match[2] or 0}") if match else 0.0
    return value if 8.0 <= value <= 12_600.0 else None
