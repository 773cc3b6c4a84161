"""Away: how each kind of test is made, those recorded, and a form to record one."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Final

from textual import on
from textual.content import Content

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.text import visible
from companion.trials.away import KINDS
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import RESULT_MARK, RESULT_STYLE, Piece, age, content, labelled
from companion.tui.parts.fields import Field
from companion.tui.parts.form import Form
from companion.tui.parts.page import Page

if TYPE_CHECKING:
    from companion.steps.looks.controls import AwayView

FIELDS: Final = (
    Field("kind", "What was tried", shape="choice", choices={kind: kind for kind in KINDS}),
    Field("result", "How it went", shape="choice", choices={"pass": "it played", "fail": "it did not"}),
    Field(
        "reached_originals",
        "Did the engine reach for your own files?",
        shape="choice",
        choices={"": "no", "yes": "yes"},
    ),
    Field("who", "Who", "first name or initials, never more; may stay empty"),
    Field("engine_version", "Their engine version", "decides whether the minimum holds"),
    Field("edition", "Its edition"),
    Field("system", "System", "such as Windows 11"),
    Field("unused", "Keys or controls the piece never used", "with commas between", "words"),
    Field("notes", "Notes", shape="long"),
)
WRONG_FIELD: Final = {"who": "who", "engine version": "engine_version"}
"""Which field a refusal is about, by the place it names."""


def kinds_content(view: AwayView, width: int) -> Content:
    """Return each kind of test with how to make it."""
    pieces: list[Piece] = []
    for guide in view.kinds:
        done = [test for test in view.here if test.kind == guide.kind]
        mark = f"  {len(done)} recorded" if done else "  not done yet"
        pieces += [(guide.title, "bold"), (mark, "$foreground-muted"), f"\n{guide.shows}\n"]
        pieces += [labelled(f" {number}.", step, width, 3) for number, step in enumerate(guide.steps, start=1)]
        pieces.append("\n")
    return content(*pieces, ("Press n when it is done.", "$foreground-muted"))


def away_test_content(test: AwayTest) -> Content:
    """Return one recorded test in a few lines."""
    facts = [test.system, f"engine {test.engine_version}" if test.engine_version else "", test.edition, test.who]
    where = ", ".join(visible(fact) for fact in facts if fact)
    word = "passed" if test.result == "pass" else "failed"
    reached = "  it reached for the originals\n" if test.reached_originals else ""
    return content(
        (f"{RESULT_MARK[test.result]} {word}", RESULT_STYLE[test.result]),
        f"  {test.kind}, {age(test.at)}\n",
        f"  {where}\n" if where else "",
        (reached, "$warning"),
        f"  {test.notes}\n" if test.notes else "",
    )


def tests_content(view: AwayView, _width: int) -> Content:
    """Return the tests of this content, then those of other content."""
    if not view.here and not view.elsewhere:
        return content("No away test is recorded yet. Press n to record one.")
    pieces: list[Piece] = [("Of exactly this content\n", "bold")]
    pieces += [away_test_content(test) for test in reversed(view.here)] or ["  none yet\n"]
    if view.elsewhere:
        pieces.append(("\nOf other content: they do not count for this one\n", "bold"))
        pieces += [away_test_content(test) for test in reversed(view.elsewhere)]
    return content(*pieces)


class AwayBody(Body):
    """Guides, tests, form, findings."""

    PARTS: ClassVar = (
        BodyPart("guides", "How to", Page),
        BodyPart("tests", "Tests", Page),
        BodyPart("new", "New test", lambda: Form(FIELDS, {}, done="Record", every=True)),
        FOUND,
    )
    KEYS: ClassVar = (StepKey("n", "new", "New test", "record a test"),)
    NEXT: ClassVar = "n"
    _view: AwayView | None = None

    def fetch(self) -> None:
        """Ask for the guides and the tests."""
        shop = self.shop
        self.ask("Reading the away tests", lambda _: shop.away(), self._show)

    def _show(self, view: AwayView) -> None:
        self._view = view
        self.part_opened()

    def part_opened(self) -> None:
        """Fill the part that is open."""
        if self._view:
            self.show_page(self.part, partial(kinds_content if self.part == "guides" else tests_content, self._view))

    async def step_new(self) -> None:
        """Go to the form."""
        await self.go("new")
        self.enter()

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop, form, values = self.shop, event.form, event.values
        reached, unused = values.pop("reached_originals") == "yes", tuple(values.pop("unused"))
        test = AwayTest(**values, reached_originals=reached, unused=unused)
        form.show_problems({})

        def refused(error: CompanionError) -> None:
            if key := WRONG_FIELD.get(error.where):
                form.show_problems({key: error.line})
                form.boxes[key].box.focus()

        async def recorded(_: None) -> None:
            for box in form.boxes.values():
                box.put(box.before)
            await self.go("tests")
            self.enter()

        self.companion.write(
            "Recording the test", lambda _: shop.record_away(test), "The away test is recorded.",
            then=recorded, failed=refused,
        )  # fmt: skip
