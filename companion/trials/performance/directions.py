"""What a maker says a control does, read as a direction of sound by a small table. It does not guess.

A direction runs from the control's low end to its high end: ``+1`` brighter, ``-1`` darker.
"""

from __future__ import annotations

import re
from typing import Final

import msgspec


class Direction(msgspec.Struct, frozen=True, kw_only=True):
    """A way in which a sound can change. more, less: what it is called both ways. weights: the features it shows in."""

    id: str
    more: str
    less: str
    weights: dict[str, float]


DIRECTIONS: Final[dict[str, Direction]] = {
    one.id: one
    for one in (
        Direction(id="loud", more="louder", less="softer", weights={"level": 1.0}),
        Direction(id="bright", more="brighter", less="darker", weights={"bright": 1.0}),
        Direction(
            id="long", more="longer release", less="shorter release", weights={"release late": 0.5, "tail late": 0.5}
        ),
        Direction(id="wet", more="wetter", less="drier", weights={"release late": 0.5, "tail late": 0.5}),
        Direction(id="wide", more="wider", less="narrower", weights={"width": 1.0}),
        Direction(id="high", more="higher", less="lower", weights={"pitch": 1.0}),
        Direction(id="slow", more="slower attack", less="faster attack", weights={"rise": 0.6, "attack 25": -0.4}),
        Direction(id="vibrato", more="more vibrato", less="less vibrato", weights={"pitch moves": 1.0}),
        Direction(id="tremolo", more="more tremolo", less="less tremolo", weights={"level moves": 1.0}),
        Direction(id="noisy", more="noisier", less="cleaner", weights={"flat": 1.0}),
        Direction(id="right", more="further right", less="further left", weights={"pan": 1.0}),
    )
}

_WORDS: Final[dict[str, tuple[str, int]]] = {
    **dict.fromkeys(("loud", "louder", "loudest", "level", "volume"), ("loud", 1)),
    **dict.fromkeys(("quiet", "quieter", "soft", "softer", "silence", "silent", "faint", "nothing"), ("loud", -1)),
    **dict.fromkeys(
        ("bright", "brighter", "brightness", "brilliance", "brilliant", "open", "opens", "cutoff", "treble"),
        ("bright", 1),
    ),
    **dict.fromkeys(("dark", "darker", "dull", "duller", "muffled", "closed", "mellow", "closes"), ("bright", -1)),
    "release": ("long", 1),
    **dict.fromkeys(("wet", "wetter", "reverb", "reverberation", "hall", "echo"), ("wet", 1)),
    **dict.fromkeys(("dry", "drier"), ("wet", -1)),
    **dict.fromkeys(("wide", "wider", "width", "stereo", "broad"), ("wide", 1)),
    **dict.fromkeys(("narrow", "narrower", "mono"), ("wide", -1)),
    **dict.fromkeys(("pitch", "tune", "tuning"), ("high", 1)),
    **dict.fromkeys(("swell", "swells"), ("slow", 1)),
    "vibrato": ("vibrato", 1),
    "tremolo": ("tremolo", 1),
    **dict.fromkeys(("breath", "noise", "noisy", "noisier", "hiss", "breathy"), ("noisy", 1)),
    **dict.fromkeys(("clean", "cleaner"), ("noisy", -1)),
    "right": ("right", 1),
    "left": ("right", -1),
}
_LENGTH: Final = {"long": 1, "longer": 1, "short": -1, "shorter": -1}
_SPEED: Final = {
    "slow": 1,
    "slower": 1,
    "soft": 1,
    "gentle": 1,
    "fast": -1,
    "faster": -1,
    "quick": -1,
    "hard": -1,
    "sharp": -1,
}
_MORE: Final = frozenset(
    {
        "more",
        "add",
        "adds",
        "raise",
        "raises",
        "increase",
        "increases",
        "higher",
        "deepens",
        "deeper",
        "stronger",
        "lengthens",
        "brings",
    }
)
_LESS: Final = frozenset(
    {
        "less",
        "fewer",
        "no",
        "without",
        "off",
        "remove",
        "removes",
        "reduce",
        "reduces",
        "lower",
        "lowers",
        "damp",
        "damps",
        "cut",
        "cuts",
        "takes",
        "shortens",
    }
)
_TOPICS: Final = frozenset({"attack", "onset", "release", "sustain", "decay", "tail"})
_SPLIT: Final = re.compile(r"^\W*from\b(?P<low>.+?)\bto\b(?P<high>.+)$", re.IGNORECASE | re.DOTALL)


def said(effect: str) -> tuple[str, int] | None:
    """Return (direction's id, +1 or −1) that the words ``effect`` name, or None where they name none, or several.

    ``from A to B`` is read end by end; anything else as what turning it up does.
    """
    text = effect.casefold()[:400]
    parted = _SPLIT.match(text)
    topic = frozenset(re.findall(r"[a-z]+", text)) & _TOPICS
    if not parted:
        return _one(_side(text, topic))
    low, high = _side(parted["low"], topic), _side(parted["high"], topic)
    found = {name: sign for name, sign in high.items() if sign != 0}
    for name, sign in low.items():
        if sign == 0:
            continue
        if found.get(name, -sign) != -sign:
            del found[name]  # both ends are said to be the same: nothing is promised
        else:
            found.setdefault(name, -sign)
    return _one(found)


def _one(found: dict[str, int]) -> tuple[str, int] | None:
    told = [(name, sign) for name, sign in found.items() if sign != 0]
    return told[0] if len(told) == 1 else None


def _side(text: str, topic: frozenset[str]) -> dict[str, int]:
    """Return what one end, or a whole sentence, names: sign by direction; 0 where it names both ways.

    topic: what the whole sentence is about, where words such as “soft” and “long” mean something of their own there.
    """
    words = re.findall(r"[a-z]+", text)
    found: dict[str, int] = {}
    held = set(words) | topic
    if "hand" in held:  # the left hand is no place
        return {}
    if "attack" in held or "onset" in held:
        speeds = {_SPEED[word] for word in words if word in _SPEED} | {
            _LENGTH[word] for word in words if word in _LENGTH
        }
        if speeds:
            return {"slow": speeds.pop() if len(speeds) == 1 else 0}
    if held & {"release", "sustain", "decay", "tail"}:
        lengths = {_LENGTH[word] for word in words if word in _LENGTH}
        if lengths:
            return {"long": lengths.pop() if len(lengths) == 1 else 0}
    turn = 1
    for word in words:
        if word in _LESS:
            turn = -1
        elif word in _MORE:
            turn = 1
        if word in _WORDS:
            name, sign = _WORDS[word]
            # "less bright", "no voice": a word of less turns what follows it; "lower" alone is a word of its own.
            sign *= turn
            found[name] = sign if found.get(name, sign) == sign else 0
            turn = 1
    return found
