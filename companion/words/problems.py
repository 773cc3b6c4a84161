"""Known problems: what a player is told of a finding, in words of the player's own side.

A rule speaks to the maker (“your home folder”); nothing of that belongs on a page. So each rule that a player may
hear of has a sentence here, and what has none is the maker's own affair and is never told.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Final

from companion.core.findings import Finding
from companion.core.text import plural

_POINTS_HOME: Final = (
    "The patch names places on the computer it was made on, so the engine may ask where its samples are"
)

PROBLEMS: Final[Mapping[str, str]] = {
    "patch-missing": "A patch that belongs to it is not in the download",
    "reference-missing": "The patch asks for a file that is not in the download",
    "reference-excluded": "The patch asks for a file that is not in the download",
    "symlink-outside": "A file that belongs to it is not in the download",
    "reference-case": "The patch spells a file’s name in another case, so that it is not found on some systems",
    "reference-normalisation": "The patch spells an accented name otherwise, so that it is not found on some systems",
    "file-empty": "A file in the download is empty",
    "file-unreadable": "A file in the download could not be read when it was checked",
    "file-truncated": "A recording is shorter than it should be",
    "picture-unreadable": "A picture does not open",
    "name-forbidden": "A file has a name that some systems do not accept",
    "name-reserved": "A file has a name that some systems do not accept",
    "name-ends-badly": "A file has a name that some systems do not accept",
    "name-twins": "Two files have names that are one and the same on some systems",
    "path-too-long": "Some names are so long that it is best unzipped near the top of a disk",
    "path-absolute": _POINTS_HOME,
    "path-home": _POINTS_HOME,
    "path-climbs": _POINTS_HOME,
    "script-encoding": "A script may show some letters wrongly",
    "clipped": "The tops of a wave are cut off",
    "not-finite": "A recording holds values that are no sound",
    "silent": "A recording is silent",
    "channel-dead": "One channel is silent while the other is not",
    "loop-invalid": "A loop’s points lie outside its recording",
    "peak-over": "A recording rises over full scale",
    "dc-offset": "A recording does not swing around zero",
    "late-onset": "There is silence before the sound begins",
    "starts-hot": "A sound begins abruptly",
    "ends-hot": "A sound is cut off before it has died away",
    "click-inside": "There is a click inside a sound",
    "loop-seam": "A loop can be heard where it goes back",
    "polarity-inverted": "One channel is the other turned upside down, so that it grows thin in mono",
    "hum": "Mains hum can be heard",
    "noise-builds-up": "With many voices at once the noise adds up",
    "impulse-late": "An impulse response begins with silence",
    "impulse-clipped": "An impulse response is cut off at the top",
    "impulse-cut": "An impulse response ends before it has died away",
    "wrong-root": "A key sounds another note than its own",
    "off-pitch": "A key is out of tune",
    "takes-same": "Two takes of a note are one recording",
    "note-gap": "Some keys or dynamics play nothing",
    "range-overlap": "On some keys two samples may sound at once",
    "level-step": "A key is much louder or softer than its neighbours",
    "dynamics-inverted": "A key played softer sounds louder",
    "layer-uneven": "One layer is far softer than the others",
}
"""What a player is told by rule, without the stop. A sentence holds for one file or key, or for several."""

CONCERNS: Final = frozenset(
    {"reference-case", "reference-normalisation", "picture-unreadable", "path-too-long", "note-gap"}
)
"""Warnings a player is told of although they were waived: meant or not, they meet them."""

MAKERS_OWN: Final = frozenset(
    {
        "references-unread", "note-unread", "names-open", "names-disagree", "sample-none", "unpitched-tuned",
        "sample-unused", "stray-unasked", "stray-system-file", "stray-working-file", "nested-archive", "name-invisible",
        "path-backslash", "patch-opaque", "patch-unsure", "metadata-private",
        "rate-mixed", "depth-mixed", "duplicate", "tail-wasteful", "mono-as-stereo", "depth-padded", "band-empty",
    }
)  # fmt: skip
"""Rules of the same steps that nothing is told of: they cost a player nothing, or are nobody's business."""


_NAMED_ONE_BY_ONE: Final = 3


def problem_lines(findings: Iterable[Finding], called: Callable[[str], str] = lambda _: "") -> tuple[str, ...]:
    """Return a line for each problem a player should know: which recordings, or how many files, it concerns.

    Told are open warnings, blockers that were waived, and the waived warnings of :data:`CONCERNS`. What blocks and is
    not waived does not ship, and of what could not be told nothing is said. called: what a player knows a sample by,
    such as ``E3, soft``; empty where nothing does.
    """
    files: dict[str, set[str]] = {}
    for finding in findings:
        if finding.rule in PROBLEMS and not finding.unknown and _ships(finding):
            files.setdefault(PROBLEMS[finding.rule], set()).update({finding.path} - {""})
    return tuple(_line(text, sorted(of), called) for text, of in files.items())


def _line(text: str, paths: list[str], called: Callable[[str], str]) -> str:
    names = [called(path) for path in paths] if len(paths) <= _NAMED_ONE_BY_ONE else []
    if names and all(names):
        return f"{text}: {'; '.join(names)}."
    return f"{text} ({plural(len(paths), 'file')})." if paths else f"{text}."


def _ships(finding: Finding) -> bool:
    if finding.severity == "blocks":
        return bool(finding.waived)
    return finding.severity == "warns" and (not finding.waived or finding.rule in CONCERNS)
