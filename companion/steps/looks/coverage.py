"""What a piece of music uses of the instrument."""

from __future__ import annotations

from pathlib import Path

import msgspec

from companion.core.evidence import AwayTest
from companion.core.findings import Finding
from companion.core.text import visible
from companion.core.units import note_name
from companion.steps.desk import Desk
from companion.steps.looks.performance import playable_of


class Coverage(msgspec.Struct, frozen=True, kw_only=True):
    """What a piece uses. keys: of the instrument's, how many of how many. velocities: lowest and hardest. voices: the
    most at once. beyond: keys it plays that the instrument does not have. unused: what it never touched, in words.
    """

    file: str
    seconds: float
    notes: int
    keys: tuple[int, int]
    velocities: tuple[int, int]
    voices: int
    repeats: int
    controllers: tuple[int, ...]
    beyond: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


def coverage_of(desk: Desk, path: Path) -> Coverage:
    """Return what a piece of music uses of the instrument, and what it never touched."""
    from companion.trials.away_rules import AwayModel, music_shallow
    from companion.trials.performance.music import read_piece, spans, untouched

    piece, playable = read_piece(path), playable_of(desk)
    named = {key: note_name(key, playable.middle_c) for key in range(128)}
    known = set(playable.keys)
    never = [key for key in playable.keys if key not in piece.keys]
    unused = untouched(piece, playable.keys, playable.takes, desk.facts.controls, desk.facts.limits.voices or 0)
    if never:
        runs = ", ".join(f"{named[a]}–{named[b]}" if b > a else named[a] for a, b in spans(never))
        unused[0] = f"keys {runs}"
    words = tuple(visible(text) for text in unused)
    as_test = AwayTest(kind="a piece of music", result="pass", unused=words)
    return Coverage(
        file=path.name,
        seconds=piece.seconds,
        notes=piece.notes,
        keys=(len(known & set(piece.keys)), len(known)),
        velocities=(min(piece.velocities), max(piece.velocities)),
        voices=piece.voices,
        repeats=piece.repeats,
        controllers=tuple(piece.controls),
        beyond=tuple(named[key] for key in piece.keys if key not in known),
        unused=words,
        findings=tuple(music_shallow(AwayModel(facts=desk.facts, tests=(as_test,)))),
    )
