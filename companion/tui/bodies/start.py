"""The first questions in a folder without facts: what was found there, and what has to be asked."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from textual import on
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from companion.core.text import visible
from companion.steps.deeds.start import PATCHES
from companion.tui.parts.companion import companion_of
from companion.tui.parts.content import content
from companion.tui.parts.fields import BY_KEY, Field, Shape, text_of, value_of
from companion.tui.parts.form import FieldBox, Form
from companion.tui.parts.offers import asked_of

if TYPE_CHECKING:
    from companion.steps.deeds.start import Proposal


def _shape(proposal: Proposal) -> Shape:
    """Return how the patches are written: on one line like all that is asked here, unless a name holds a comma."""
    return "lines" if any("," in patch for patch in proposal.facts.contents.patches) else "words"


ROOM: Final = 32
"""Lines of a terminal from which on examples of how names are read stand above the first question."""


def told(lines: Sequence[str], height: int) -> list[str]:
    """Return what was found, in a low terminal without examples: the first question is to stand in sight."""
    return [line for line in lines if height >= ROOM or "/" not in line.partition(" ")[0]]


NAMES: Final = "How are the file names to be read?"


def refusal(key: str, text: str) -> str:
    """Return what is wrong with an answer; nothing where it can be taken, or is left blank."""
    from companion.core.versions import instrument_version
    from companion.steps.checks.facts import licence_problem

    text, problem = text.strip(), ""
    if text and key == "instrument.licence":
        problem = licence_problem(text)
    elif text and key == "instrument.version" and instrument_version(text) is None:
        problem = "numbers with dots between, such as 1.0"
    return f"“{text}” is not one. Write {problem}; or nothing, for later." if problem else ""


def asked_fields(proposal: Proposal, pattern: str) -> list[Field]:
    """Return the questions as fields. pattern: how names would be read, to be chosen, not typed; empty: not known."""
    asked = [one for one in proposal.asks if one[0] != "contents.patches"]
    fields = []
    for key, question in (
        ("instrument.title", "What is the instrument called?"),
        ("contents.patches", PATCHES),
        *asked,
    ):
        known = BY_KEY.get(key) or Field(key, key)
        if key == "naming.pattern" and pattern:
            choices = {"": "left open", pattern: visible(pattern)}
            fields.append(Field(key, NAMES, shape="choice", choices=choices))
        else:
            shape = _shape(proposal) if key == "contents.patches" else known.shape
            fields.append(Field(key, question, "", shape, known.choices, rows=2))
    return fields


class StartForm(Vertical):
    """The questions; what is answered is written as ``release.toml``."""

    def compose(self) -> ComposeResult:
        """Lay out the line that stands until the folder has been looked through."""
        yield Static(content("Looking at the folder …"))

    def on_mount(self) -> None:
        """Ask for the proposal, once: what is written meanwhile is not thrown away."""
        companion = companion_of(self)
        companion.begin("start", "Looking at the folder", companion.shop.propose, self._show_questions, owner=self)

    async def _show_questions(self, proposal: Proposal) -> None:
        lines, patterns = zip(*map(asked_of, proposal.lines), strict=True) if proposal.lines else ((), ())
        pattern = next(filter(None, patterns), "")
        fields = asked_fields(proposal, pattern)
        intro = content(
            "There is no release.toml here yet. This is what was found:\n",
            *(f"  {line}\n" for line in told(lines, self.app.size.height)),
            "\nThe rest only you can tell. Leave blank what you do not know yet.",
        )
        texts = {field.key: text_of(field, value_of(proposal.facts, field.key)) for field in fields}
        form = Form(
            fields, texts, done="Write release.toml", every=True, counted=True,
            intro=Static(intro, classes="intro"), refuse=refusal,
        )  # fmt: skip
        await self.remove_children()
        await self.mount(form)
        self.query(FieldBox).first().box.focus()
        form.call_after_refresh(form.scroll_home, animate=False)  # what was found stands above the first question

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        companion = companion_of(self)
        answers = {
            key: value
            for key, value in event.values.items()
            if value not in ("", [], None) or key == "contents.patches"  # no patch is what was said, not left blank
        }
        companion.write(
            "Writing release.toml",
            lambda watch: companion.shop.start(answers, watch),
            "release.toml is written.",
            then=lambda _: companion.start_anew(),
        )
