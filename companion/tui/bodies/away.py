"""Away: how each kind of test is made, those recorded, and a form to record one."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Final

from textual import on
from textual.content import Content

from companion.core.errors import CompanionError
from companion.core.evidence import AwayTest
from companion.core.pasted import places_of
from companion.core.text import visible
from companion.trials.away import KINDS
from companion.trials.away_filing import WHY
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import RESULT_MARK, RESULT_STYLE, Piece, age, content, labelled
from companion.tui.parts.dialogs import Ask
from companion.tui.parts.fields import Field
from companion.tui.parts.form import Form
from companion.tui.parts.kits import came_line, kits_content, made_line
from companion.tui.parts.page import Page
from companion.workshop import now

if TYPE_CHECKING:
    from companion.steps.looks.controls import AwayView

UNSAID: Final = {"": "not said yet"}
"""What stands chosen before anyone has chosen: no test is recorded by pressing Enter."""

FIELDS: Final = (
    Field("kind", "What was tried", shape="choice", choices={**UNSAID, **{kind: kind for kind in KINDS}}),
    Field("result", "How it went", shape="choice", choices={**UNSAID, "pass": "it played", "fail": "it did not"}),
    Field("played", "What was done", "opened and played, in a few words"),
    Field("engine_version", "Version of the engine", "as it shows it itself"),
    Field("edition", "Its edition", "empty where there is only one"),
    Field("system", "System", "with its version, such as Windows 11"),
    Field(
        "reached_originals",
        "Did the engine open files outside the copy?",
        shape="choice",
        choices={**UNSAID, "no": "none that was seen", "yes": "yes"},
    ),
    Field("who", "Who", "first name or initials, or nobody"),
    Field("unused", "Keys or controls the piece never used", "with commas between", "words"),
    Field("notes", "What was heard or seen", shape="long"),
)
MUST_SAY: Final = {
    "kind": "Say which test it was.",
    "result": "Say how it went: nothing is recorded until you do.",
    "reached_originals": "Say whether it did: an instrument that plays from your own files plays nowhere else.",
}
"""What is chosen, not written, and what is said while it is not."""
NEEDED: Final = (*MUST_SAY, "played", "engine_version", "system")
"""What every test says: Enter goes from field to field until all of it stands, and then records."""

WRONG_FIELD: Final = {"who": "who", "engine version": "engine_version", "system": "system", "played": "played"}
"""Which field a refusal is about, by the place it names."""


NO_ARCHIVE: Final = "No archive is built yet. Key 9, then b, builds one to try and to send, proven or not.\n\n"


def kinds_content(view: AwayView, width: int, *, archive: bool = True) -> Content:
    """Return each kind of test with how to make it. archive: whether there is one to try."""
    pieces: list[Piece] = [] if archive else [(NO_ARCHIVE, "$warning")]
    for guide in view.kinds:
        done = [test for test in view.here if test.kind == guide.kind]
        mark = f"  {len(done)} recorded" if done else "  not done yet"
        pieces += [(guide.title, "bold"), (mark, "$foreground-muted"), f"\n{guide.shows}\n"]
        pieces += [labelled(f" {number}.", step, width, 3) for number, step in enumerate(guide.steps, start=1)]
        pieces.append("\n")
    return content(*pieces, ("Press n when it is done.", "$foreground-muted"))


def away_test_content(test: AwayTest) -> Content:
    """Return one recorded test in a few lines."""
    engine = f"{test.engine or 'engine'} {test.engine_version}" if test.engine_version else ""
    facts = [test.system, engine, test.edition, test.who]
    where = ", ".join(visible(fact) for fact in facts if fact)
    word = "passed" if test.result == "pass" else "failed"
    reached = "  it reached for the originals\n" if test.reached_originals else ""
    return content(
        (f"{RESULT_MARK[test.result]} {word}", RESULT_STYLE[test.result]),
        f"  {test.kind}, {age(test.at)}\n",
        f"  {where}\n" if where else "",
        (reached, "$warning"),
        f"  {test.played}\n" if test.played else "",
        f"  {test.notes}\n" if test.notes else "",
    )


def tests_content(view: AwayView, _width: int) -> Content:
    """Return the tests that count for this content, the others with the reason, and which would settle most."""
    pieces: list[Piece] = []
    if not view.here and not view.elsewhere:
        pieces.append("No away test is recorded yet. Press n to record one.\n")
    else:
        pieces.append(("Of exactly this content\n", "bold"))
        pieces += [away_test_content(test) for test in reversed(view.here)] or ["  none yet\n"]
    for why, words in WHY.items():
        several = [test for test in view.elsewhere if test.why == why]
        if several:
            pieces.append((f"\n{words[0].upper()}{words[1:]}: these do not count\n", "bold"))
            pieces += [away_test_content(test) for test in reversed(several)]
    return content(*pieces, f"\n{visible(view.next)}" if view.next else "")


class AwayBody(Body):
    """Guides, tests, kits, form, findings."""

    PARTS: ClassVar = (
        BodyPart("guides", "How to", Page),
        BodyPart("tests", "Tests", Page),
        BodyPart("kits", "Kits", Page),
        BodyPart("new", "New test", lambda: Form(FIELDS, {}, done="Record", every=True, needed=NEEDED)),
        FOUND,
    )
    KEYS: ClassVar = (
        StepKey("n", "new", "New test", "record a test"),
        StepKey("m", "make", "Make kit", "make a kit: one file for a helper"),
        StepKey("i", "receive", "Take in", "take in what a helper sent back of a kit"),
    )
    NEXT: ClassVar = "n"
    AGAIN: ClassVar = "Then n records the test made again."
    _view: AwayView | None = None
    _archive = False

    def offers(self, action: str) -> bool:
        """Offer kits only where something may be written, and nothing else runs."""
        if action in ("make", "receive"):
            return self.shop.writable and not self.companion.working
        return super().offers(action)

    def fetch(self) -> None:
        """Ask for the guides, the tests and the kits."""
        shop = self.shop
        self.ask(
            "Reading the away tests",
            lambda _: (shop.away(), any(shop.places.releases.glob("*.zip"))),
            self._show,
        )

    def _show(self, came: tuple[AwayView, bool]) -> None:
        self._view, self._archive = came
        self.part_opened()

    def part_opened(self) -> None:
        """Fill the part that is open."""
        if self._view is None:
            return
        builds = {
            "guides": partial(kinds_content, self._view, archive=self._archive),
            "tests": partial(tests_content, self._view),
            "kits": partial(kits_content, self._view.sent),
        }
        if self.part in builds:
            self.show_page(self.part, builds[self.part])

    def step_make(self) -> None:
        """Ask whom it is for, and make a kit."""
        question = Ask(
            "Make a test kit",
            "One file that holds the proven archive, a form, and the test performance. For whom? A first name or "
            "initials, or nobody.",
            "Make it",
            self._make,
            needed="",
        )
        self.companion.push_screen(question)

    def _make(self, who: str) -> None:
        shop = self.shop
        self.companion.work(
            "Making the kit", lambda watch: shop.make_kit(now(), who, watch=watch), made_line, lambda _: self.go("kits")
        )

    def step_receive(self) -> None:
        """Ask for what came back, and take it in."""
        question = Ask(
            "What came back of a kit",
            "Drop the file here, or give its path: the form, or a zip of it and the bounce. The bounces may lie beside "
            "the form: drop them all.",
            "Take it in",
            self._receive,
            needed="Name the file that the helper sent back.",
            hint="a path, such as ~/Downloads/Form.txt",
        )
        self.companion.push_screen(question)

    def _receive(self, words: str) -> None:
        shop, files = self.shop, places_of(words)
        self.companion.work(
            "Taking in what came back",
            lambda watch: shop.receive(files, now(), watch),
            came_line,
            lambda _: self.go("kits"),
            wrong=lambda came: came.result != "pass",
        )

    async def step_new(self) -> None:
        """Go to the form."""
        await self.go("new")
        self.enter()

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop, form, values = self.shop, event.form, event.values
        if unsaid := {key: says for key, says in MUST_SAY.items() if not values[key]}:
            form.show_problems(unsaid)
            form.boxes[next(iter(unsaid))].box.focus()
            return
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
