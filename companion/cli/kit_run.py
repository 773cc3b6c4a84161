"""A test kit tried at a helper's: in a terminal question by question, else by a form filled in an editor.

There is no working folder here, so none is opened.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from companion.cli.base import Output, print_remark, watching
from companion.core.errors import CompanionError
from companion.steps.deeds.kit_run import answer_kit, open_archive, open_kit, place_for

if TYPE_CHECKING:
    from companion.steps.deeds.kit_run import KitAtHelper
    from companion.trials.kits import Key


def told(file: Path, to: Path | None, *, quiet: bool) -> Output:
    """Open a kit and tell what to play and where the form lies."""
    from companion.cli.render.kit_run import form_lines, kit_lines, opened_lines

    with watching(quiet=quiet) as watch, place_for(to) as place:
        kit = open_kit(file, place, watch)
        opened = open_archive(kit, watch)
    lines = [*kit_lines(kit), *opened_lines(kit, opened), *form_lines(kit, file)]
    return Output({"kit": kit, "opened": opened, "answer": ""}, lines)


def answered(file: Path, form: Path, sounds: Sequence[Path], out: Path, *, quiet: bool) -> Output:
    """Make the file to send back of a form that was filled in an editor."""
    from companion.cli.render.kit_run import sent_lines
    from companion.core.files import read_capped
    from companion.trials.kits import MOST_FORM, read_form

    filled = read_form(read_capped(form, MOST_FORM, "form"), str(form))
    with (
        watching(quiet=quiet) as watch,
        tempfile.TemporaryDirectory(prefix="companion-kit-", ignore_cleanup_errors=True) as place,
    ):
        kit = open_kit(file, Path(place), watch)
        if filled.kit != kit.code:
            raise CompanionError(
                f"That form belongs to another kit, {filled.kit}", str(form), f"fill in the one of kit {kit.code}"
            )
        opened = open_archive(kit, watch)
        answer = answer_kit(kit, filled.answers, opened.seal, sounds, out, watch)
    code, lines = _ended(kit, dict(filled.answers))
    return Output({"kit": kit, "opened": opened, "answer": answer}, [*lines, *sent_lines(answer)], code)


def asked(file: Path, to: Path | None, out: Path) -> Output:
    """Open a kit, ask the questions of its form, and make the file to send back."""
    from companion.cli.asking import FIRST, ask, ask_sounds, say
    from companion.cli.render.kit_run import kit_lines, left_lines, opened_lines, sent_lines
    from companion.steps.deeds.kit_run import this_system
    from companion.trials.kits import QUESTIONS

    answers: dict[Key, str] = {}
    sounds: list[Path] = []
    seal, left = "", []
    with place_for(to) as place:
        with watching() as watch:
            kit = open_kit(file, place, watch)
        say(kit_lines(kit))
        try:
            ask(kit, FIRST[:1], answers, {})
            if not _too_old(kit, answers):
                ask(kit, FIRST[1:], answers, {"system": this_system()})
                with watching() as watch:
                    opened = open_archive(kit, watch)
                seal, left = opened.seal, left_lines(kit)
                say(["", *opened_lines(kit, opened)])
                ask(kit, [key for key in QUESTIONS if key not in FIRST], answers, {})
                sounds = ask_sounds(kit)
        except click.Abort:
            if answers:
                with watching() as watch:
                    kept = answer_kit(kit, answers, seal, [], out, watch)
                print_remark(f"\nWhat you answered is kept: {kept}. Fill in the rest there, in any editor.")
            raise
        with watching() as watch:
            answer = answer_kit(kit, answers, seal, sounds, out, watch)
    code, lines = _ended(kit, answers)
    return Output({}, ["", *lines, *sent_lines(answer), *left], code)


def _too_old(kit: KitAtHelper, answers: dict[Key, str]) -> bool:
    from companion.core.versions import engine_version
    from companion.trials.kits import version_in

    version, minimum = engine_version(version_in(answers.get("engine_version", ""))), engine_version(kit.minimum)
    return bool(version and minimum and version < minimum)


def _ended(kit: KitAtHelper, answers: dict[Key, str]) -> tuple[int, list[str]]:
    """Return the exit code, and what is to be said of how it went: 1 where it failed, or the engine is too old."""
    from companion.trials.kits import FilledForm, away_test_of

    if _too_old(kit, answers):
        says = f"{kit.engine} {answers['engine_version']} is older than {kit.minimum}, so that is all. Thank you!"
        return 1, [says]
    try:
        return int(away_test_of(FilledForm(kit=kit.code, answers=answers)).result == "fail"), []
    except CompanionError as error:
        return 1, [f"{error.what}: the maker will have to ask you."]
