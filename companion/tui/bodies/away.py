"""Away: how each kind of test is made, those recorded, and a form to record one."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Final

from textual import on
from textual.content import Content

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.text import visible
from companion.tui.fields import Field
from companion.tui.form import Form
from companion.tui.page import Page
from companion.tui.parts import Body, Part
from companion.tui.shown import RESULT_MARK, RESULT_STYLE, Piece, age, labelled, said

if TYPE_CHECKING:
    from companion.steps.looks.controls import AwayView

FIELDS: Final = (
    Field(
        key="kind",
        label="What was tried",
        shape="choice",
        choices=tuple(
            (kind, kind) for kind in ("originals hidden", "another computer", "another player", "a piece of music")
        ),
    ),
    Field(key="result", label="How it went", shape="choice", choices=(("pass", "it played"), ("fail", "it did not"))),
    Field(
        key="reached_originals",
        label="Did the engine reach for your own files?",
        shape="choice",
        choices=(("", "no"), ("yes", "yes")),
    ),
    Field(key="who", label="Who", hint="first name or initials, never more; may stay empty"),
    Field(key="engine_version", label="Their engine version", hint="decides whether the minimum holds"),
    Field(key="edition", label="Its edition"),
    Field(key="system", label="System", hint="such as Windows 11"),
    Field(key="unused", label="Keys or controls the piece never used", hint="with commas between", shape="words"),
    Field(key="notes", label="Notes", shape="long"),
)
WRONG_FIELD: Final = {"who": "who", "engine version": "engine_version"}
"""Which field a refusal is about, by the place it names."""


def kinds_shown(view: AwayView, width: int) -> Content:
    """Return each kind of test with how to make it."""
    pieces: list[Piece] = []
    for guide in view.kinds:
        done = [test for test in view.here if test.kind == guide.kind]
        mark = f"  {len(done)} recorded" if done else "  not done yet"
        pieces += [(guide.title, "bold"), (mark, "$foreground-muted"), f"\n{guide.shows}\n"]
        pieces += [labelled(f" {number}.", step, width, 3) for number, step in enumerate(guide.steps, start=1)]
        pieces.append("\n")
    return said(*pieces, ("Press n when it is done.", "$foreground-muted"))


def test_shown(test: AwayTest) -> Content:
    """Return one recorded test in a few lines."""
    facts = [test.system, f"engine {test.engine_version}" if test.engine_version else "", test.edition, test.who]
    where = ", ".join(visible(fact) for fact in facts if fact)
    word = "passed" if test.result == "pass" else "failed"
    reached = "  it reached for the originals\n" if test.reached_originals else ""
    return said(
        (f"{RESULT_MARK[test.result]} {word}", RESULT_STYLE[test.result]),
        f"  {test.kind}, {age(test.at)}\n",
        f"  {where}\n" if where else "",
        (reached, "$warning"),
        f"  {test.notes}\n" if test.notes else "",
    )


def tests_shown(view: AwayView, _width: int) -> Content:
    """Return the tests of this content, then those of other content."""
    if not view.here and not view.elsewhere:
        return said("No away test is recorded yet. Press n to record one.")
    pieces: list[Piece] = [("Of exactly this content\n", "bold")]
    pieces += [test_shown(test) for test in reversed(view.here)] or ["  none yet\n"]
    if view.elsewhere:
        pieces.append(("\nOf other content: they do not count for this one\n", "bold"))
        pieces += [test_shown(test) for test in reversed(view.elsewhere)]
    return said(*pieces)


class AwayBody(Body):
    """Guides, tests, form, findings."""

    ACTIONS: ClassVar[frozenset[str]] = frozenset({"new"})

    def __init__(self, step_id: str) -> None:
        super().__init__(step_id)
        self._view: AwayView | None = None

    def parts(self) -> tuple[Part, ...]:
        """Return the four parts."""
        return (
            Part("guides", "How to", Page),
            Part("tests", "Tests", Page),
            Part("new", "New test", lambda: Form(FIELDS, {}, done="Record", every=True)),
            self.findings_part(),
        )

    def fetch(self) -> None:
        """Ask for the guides and the tests."""
        if shop := self.companion.workshop:
            self.companion.begin("away", "Reading the away tests", lambda _: shop.away(), self._came, owner=self)

    def _came(self, view: AwayView) -> None:
        self._view = view
        self.went()

    def went(self) -> None:
        """Fill the part that is open."""
        page = self.made(self.part)
        if self._view and isinstance(page, Page):
            page.show(partial(kinds_shown if self.part == "guides" else tests_shown, self._view))

    @property
    def unsaved(self) -> bool:
        """Whether the form holds something that was not recorded."""
        form = self.made("new")
        return isinstance(form, Form) and form.unsaved

    async def step_new(self) -> None:
        """Go to the form."""
        await self.go("new")
        self.enter()

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop, form = self.companion.workshop, event.form
        if shop is None:
            return
        told = event.values
        test = AwayTest(
            kind=told["kind"],
            result=told["result"],
            who=told["who"],
            engine_version=told["engine_version"],
            edition=told["edition"],
            system=told["system"],
            notes=told["notes"],
            reached_originals=told["reached_originals"] == "yes",
            unused=tuple(told["unused"]),
        )
        form.tell({})

        def refused(error: CompanionError) -> None:
            if key := WRONG_FIELD.get(error.where):
                form.tell({key: error.line})
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
