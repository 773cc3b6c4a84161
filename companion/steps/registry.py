"""Which look belongs to which step. A plain table; nothing is discovered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from companion.steps.desk import Desk
from companion.steps.model import Look


def _facts(desk: Desk) -> Look:
    from companion.steps.looks.facts import check_facts

    last = desk.last_release
    same = last is not None and {(path, sha) for path, _, sha in last.files} == {(e.path, e.sha256) for e in desk.ships}
    findings = check_facts(desk.facts, {entry.path for entry in desk.ships}, last.version if last else "", same)
    return Look(findings=findings, details={"because": "complete and consistent"})


def _needs(desk: Desk) -> Look:
    from companion.steps.looks.needs import check_needs, engine_line

    line = engine_line(desk.facts, desk.away_here)
    return Look(findings=check_needs(desk.facts, desk.away_here), details={"because": f"{line.value}: {line.because}"})


def _contents(desk: Desk) -> Look:
    from companion.steps.looks.contents import look_contents

    return look_contents(desk)


def _paths(desk: Desk) -> Look:
    from companion.steps.looks.contents import look_paths

    return look_paths(desk)


def _sound(desk: Desk) -> Look:
    from companion.steps.looks.sound import look_sound

    return look_sound(desk)


def _controls(desk: Desk) -> Look:
    from companion.steps.looks.controls import look_controls

    return look_controls(desk)


def _away(desk: Desk) -> Look:
    from companion.steps.looks.controls import look_away

    return look_away(desk)


def _words(desk: Desk) -> Look:
    from companion.steps.looks.words import look_words

    return look_words(desk)


def _archive(desk: Desk) -> Look:
    from companion.steps.looks.archive import look_archive

    return look_archive(desk)


LOOKS: Final[dict[str, Callable[[Desk], Look]]] = {
    "facts": _facts,
    "contents": _contents,
    "paths": _paths,
    "sound": _sound,
    "controls": _controls,
    "away": _away,
    "needs": _needs,
    "words": _words,
    "archive": _archive,
}
"""The look of each step but ``out``, which rests on the states of the others."""
