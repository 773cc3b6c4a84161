"""Every action of the app has its plain command, and what Enter and the mouse do is the same everywhere."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from typing import Any, Final

import click
import pytest
from textual.binding import Binding
from textual.widgets import Input

from companion.cli.modules import NAMES
from companion.steps.table import STEPS
from companion.tui.app import CompanionApp
from companion.tui.bodies import body_of
from companion.tui.frame.explained import Explained
from companion.tui.frame.help import Help
from companion.tui.parts.dialogs import Ask, Confirm, Dialog
from companion.tui.parts.editing import EditScreen, SeenScreen, SettleScreen
from companion.tui.parts.foot import KeysLine
from companion.tui.parts.picture import PictureScreen
from companion.tui.parts.reading import ReadingScreen
from companion.tui.parts.reports import AnswerReport
from companion.tui.parts.row import RowScreen
from companion.tui.snapshots.drawer import Drawer
from companion.tui.snapshots.restore import Restore
from tests.tui.conftest import Bench, Opened

HERE: Final = ""
"""Moves about, or says how things are shown: there is nothing to do by a command."""

COMMANDS: Final[dict[str, str]] = {
    # wherever one is
    "waive": "waive FOLDER RULE PATH --reason R",
    "renew": "waive FOLDER RULE PATH --again",
    "part": HERE,
    **{f"open('{step.id}')": f"explain {step.id}" for step in STEPS},
    "look": "check FOLDER STEP",
    "check_all": "check FOLDER",
    "draw": "show FOLDER PATH",
    "hear": "play FOLDER PATH",
    "louder(-1)": "play FOLDER PATH --level -30",
    "louder(1)": "play FOLDER PATH --level -18",
    "other_take": "play FOLDER PATH --snapshot 1",
    "snapshots": "snapshots FOLDER",
    "keep": "snapshot FOLDER -m LABEL",
    "elsewhere": "shelf",
    "stop": HERE,
    "colours": HERE,
    "command_palette": HERE,
    "help": "explain",
    "quit": HERE,
    "escape": HERE,
    # in a step
    "contents.ship": "contents FOLDER --ship PATH",
    "contents.stay": "contents FOLDER --stay PATH",
    "sound.edit": "fact FOLDER naming.pattern PATTERN",
    "controls.pass": "answer FOLDER TRIAL pass",
    "controls.fail": "answer FOLDER TRIAL fail --note N",
    "controls.note": "answer FOLDER TRIAL note --note N",
    "controls.jump": "trials FOLDER",
    "controls.perform": "perform FOLDER",
    "controls.judge": "judge FOLDER BOUNCE",
    "controls.edit": "fact FOLDER controls",
    "controls.none": "fact FOLDER none controls",
    "away.new": "away FOLDER --kind KIND --result pass",
    "away.make": "kit make FOLDER --for NAME",
    "away.receive": "receive FOLDER FILE",
    "needs.edit": "fact FOLDER engine.minimum VERSION",
    "words.write": "draft FOLDER readme --write",
    "words.edit_text": "draft FOLDER readme --write",
    "words.settle": "draft FOLDER readme --write --settle mine",
    "words.see": "draft FOLDER readme --format html",
    "words.copy": "draft FOLDER readme",
    "words.format": "draft FOLDER readme --format txt",
    "archive.build": "pack FOLDER",
    "out.release": "release FOLDER",
    "out.upload": "upload FOLDER FILE",
    "out.take_in": "report add FOLDER --text WORDS",
    "out.answer": "report answer FOLDER NAME TEXT --as fixed",
    "out.about": "report edit FOLDER NAME --about WHAT",
    "out.close": "report close FOLDER NAME --why REASON",
    # among the snapshots
    "drawer.take": "snapshot FOLDER -m LABEL",
    "drawer.mark": "compare FOLDER 1 2",
    "drawer.restore": "restore FOLDER 1",
    "drawer.draw": "show FOLDER --as history",
    # in a picture
    "picture.zoom": "show FOLDER PATH --at 0.1",
    "picture.another": "show FOLDER PATH --as spectrum",
    "picture.finding": "check FOLDER",
    "picture.file": "show FOLDER PATH",
    "picture.enter": "show FOLDER PATH",
    "picture.leave_out": "contents FOLDER --stay PATH",
    # in a text
    "edit.keep": "draft FOLDER readme --write",
    "settle.settle": "draft FOLDER readme --write --settle draft",
    "settle.next": HERE,
}
"""By action: the plain command that does it. What the app does with arrows, fields and lists is not an action here."""

MOVES: Final = {"move", "page", "whole", "back", "hear", "louder", "other_take", "stop", "command_palette", "help"}
"""Of pictures and boxes: what moves about in them, and what is the same everywhere."""


def bare(action: str) -> str:
    return action.removeprefix("app.").removeprefix("screen.")


def actions() -> Iterator[str]:
    """Yield every action there is, with the place it is in where it is not the app's."""
    for binding in CompanionApp.BINDINGS:
        assert isinstance(binding, Binding)
        yield binding.action
    for step in STEPS:
        for key in body_of(step.body).KEYS:
            yield f"{step.id}.{key.action}"
    for place, screen in (
        ("drawer", Drawer),
        ("picture", PictureScreen),
        ("edit", EditScreen),
        ("settle", SettleScreen),
    ):
        for binding in screen.BINDINGS:
            assert isinstance(binding, Binding)
            if (name := bare(binding.action).partition("(")[0]) not in MOVES:
                yield f"{place}.{name}"


def test_every_action_is_in_the_table_and_no_other() -> None:
    assert set(actions()) == set(COMMANDS)


@pytest.mark.parametrize("line", sorted({line for line in COMMANDS.values() if line}))
def test_a_plain_command_stands_as_it_is_written(line: str) -> None:
    name, *words = line.split()
    command: click.Command = getattr(importlib.import_module(NAMES[name]), name)
    if isinstance(command, click.Group):
        below = next((word for word in words if word in command.commands), "")
        words = [word for word in words if word != below]
        command = command.commands[below or "record"]
    options = {one for param in command.params if isinstance(param, click.Option) for one in param.opts}
    assert {word for word in words if word.startswith("-") and not word[1:].isdigit()} <= options
    arguments = [param for param in command.params if isinstance(param, click.Argument)]
    takes_flags = {
        one for param in command.params if isinstance(param, click.Option) and param.is_flag for one in param.opts
    }
    plain: list[str] = []
    before = ""
    for word in words:
        if not word.startswith("-") and not (before.startswith("-") and before not in takes_flags):
            plain.append(word)
        before = word
    assert len(plain) <= len(arguments) or any(argument.nargs == -1 for argument in arguments)


# -- Enter --------------------------------------------------------------------------------------------------------


def boxes(one: type[Any]) -> Iterator[type[Any]]:
    for below in one.__subclasses__():
        yield below
        yield from boxes(below)


def test_in_every_box_enter_does_what_has_been_written_and_else_no_harm() -> None:
    """A box that asks for words begins in its field, and Enter keeps them; one that asks yes or no begins on Back."""
    assert set(boxes(Dialog)) == {Ask, AnswerReport, Confirm, Restore}
    assert {box.AUTO_FOCUS for box in (Ask, AnswerReport, RowScreen)} == {"LineInput"}
    assert (Confirm.AUTO_FOCUS, Restore.AUTO_FOCUS) == ("#back", "#back")
    for box in (Confirm, Restore):
        assert box.KEYS_LINE.startswith("y "), "what is done for good is done by its own key"
        assert not any("enter" in key.key.split(",") for key in box.BINDINGS if isinstance(key, Binding))
    for asking in (Ask, AnswerReport, RowScreen, Confirm, Restore):
        back = {
            one
            for key in asking.BINDINGS
            if isinstance(key, Binding) and bare(key.action) == "back"
            for one in key.key.split(",")
        }
        assert "escape" in back
    assert set(boxes(ReadingScreen)) == {Help, Explained, SeenScreen}
    (leave,) = (key for key in ReadingScreen.BINDINGS if isinstance(key, Binding))
    assert {"escape", "enter"} <= set(leave.key.split(",")), "what is only read is left by either"


async def test_enter_on_back_leaves_a_box_and_in_a_field_without_words_says_what_is_needed(
    bench: Bench, opened: Opened
) -> None:
    done: list[object] = []
    async with opened(bench) as hand:
        hand.app.push_screen(Confirm("Take it?", "", "Take", done.append))
        await hand.press("enter")
        assert (done, len(hand.app.screen_stack)) == ([], 1)
        hand.app.push_screen(Ask("Words?", "", "Keep", done.append, needed="Write some."))
        await hand.press("enter")
        assert hand.shows("Write some.")
        await hand.write("some")
        await hand.press("enter")
        assert (done, len(hand.app.screen_stack)) == (["some"], 1)


# -- the mouse ----------------------------------------------------------------------------------------------------


async def test_a_click_on_a_key_at_the_foot_is_that_key(
    bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    pressed: list[str] = []
    async with opened(bench, (120, 40)) as hand:
        await hand.press("4")
        monkeypatch.setattr(hand.app, "simulate_key", pressed.append)
        line = hand.app.screen.query_one(KeysLine)
        words = line.words()
        for key, _ in words:
            line.chosen(key)
        assert pressed == [key for key, _ in words]
        assert len(words) > 5


async def test_buttons_do_by_a_click_what_their_keys_do(bench: Bench, opened: Opened) -> None:
    done: list[object] = []
    async with opened(bench) as hand:
        for button, expected in (("#back", []), ("#done", ["words"])):
            hand.app.push_screen(Ask("Words?", "", "Keep", done.append, needed="Write some."))
            await hand.rest()
            hand.app.screen.query_one(Input).value = "words"
            await hand.pilot.click(button)
            await hand.rest()
            assert (done, len(hand.app.screen_stack)) == (expected, 1)
