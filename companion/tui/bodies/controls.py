"""Controls: the trials one after the other, each answered with a key, and the performance with its bounces."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Literal

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import OptionList, Static

from companion.core.pasted import place_of
from companion.core.text import plural
from companion.steps.model import State, StepStatus
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.companion import companion_of
from companion.tui.parts.content import RESULT_MARK, RESULT_STYLE, age, content, labelled
from companion.tui.parts.dialogs import Ask
from companion.tui.parts.listing import ListingBesideDetail
from companion.tui.parts.page import Detail
from companion.tui.parts.performance import PerformancePane, judged_line, performed_line

if TYPE_CHECKING:
    from companion.steps.looks.bounces import PerformanceView
    from companion.steps.looks.controls import TrialView

RESULT_WORD = {"pass": "passed", "fail": "failed", "note": "noted"}


def trial_row(view: TrialView, result: str) -> Content:
    """Return a trial on one line with its answer as mark and word."""
    if not result:
        return content(("· ", "$foreground-muted"), view.trial.title)
    style = RESULT_STYLE[result]
    proven = "proven by measurement" if result == "pass" else f"{RESULT_WORD[result]}, measured"
    word = proven if view.measured else RESULT_WORD[result]
    return content((f"{RESULT_MARK[result]} ", style), view.trial.title, (f"  {word}", style))


def trial_detail(view: TrialView, width: int) -> Content:
    """Return what to do and to listen for in a trial, and how it was answered."""
    answer = view.answer
    given = f"{RESULT_WORD[answer.result]}, {age(answer.at)}. {answer.note}" if answer else ""
    return content(
        labelled("Answer", given, width, 6),
        labelled("Do", view.trial.instruction, width, 6),
        labelled("Listen", view.trial.expect, width, 6),
    )


def next_unanswered(results: list[str], start: int) -> int | None:
    """Return the index of the first trial after ``start``, round the end, that is neither passed nor failed."""
    count = len(results)
    order = [(start + step) % count for step in range(1, count + 1)] if count else []
    return next((index for index in order if results[index] not in ("pass", "fail")), None)


class TrialsView(Vertical):
    """The list of trials, and what to do and listen for in the one under the cursor."""

    DEFAULT_CSS = """
    TrialsView { height: 1fr; }
    TrialsView .count { height: auto; }
    TrialsView OptionList { height: 1fr; min-height: 3; }
    TrialsView Detail { max-height: 65%; }
    """

    def __init__(self) -> None:
        super().__init__(classes="beside -headed")
        self.views: tuple[TrialView, ...] = ()
        self.fresh: dict[str, str] = {}

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(content("Laying out the trials …"), classes="count over")
        yield ListingBesideDetail(markup=False)
        yield Detail("")

    def show(self, views: tuple[TrialView, ...]) -> None:
        """Show the trials; the cursor stays where it is."""
        listing = self.query_one(OptionList)
        same = [view.trial.id for view in views] == [view.trial.id for view in self.views]
        self.views = views
        self.fresh.clear()
        if same and views:
            for index, view in enumerate(views):
                listing.replace_option_prompt_at_index(index, trial_row(view, self.result(view)))
        else:
            listing.set_options(trial_row(view, self.result(view)) for view in views)
            if views:
                first = next_unanswered(self.results, -1)
                listing.highlighted = 0 if first is None else first
        self.on_resize()
        self.show_current()

    def on_resize(self) -> None:
        """Let what to do and to listen for stand whole where the list leaves room."""
        self.query_one(Detail).make_room(self.size.height - 1, len(self.views))

    def result(self, view: TrialView) -> str:
        """Return a trial's answer, one just given included."""
        return self.fresh.get(view.trial.id) or (view.answer.result if view.answer else "")

    @property
    def results(self) -> list[str]:
        """The answers in order; an empty one where there is none."""
        return [self.result(view) for view in self.views]

    @property
    def current(self) -> TrialView | None:
        """The trial under the cursor."""
        place = self.query_one(OptionList).highlighted
        return self.views[place] if place is not None and place < len(self.views) else None

    def answered(self, view: TrialView, result: str) -> None:
        """Show an answer at once, while it is being kept."""
        self.fresh[view.trial.id] = result
        place = self.views.index(view)
        self.query_one(OptionList).replace_option_prompt_at_index(place, trial_row(view, result))
        self.show_current()

    def jump(self) -> bool:
        """Go to the next trial that is neither passed nor failed; return whether there is one."""
        listing = self.query_one(OptionList)
        found = next_unanswered(self.results, -1 if listing.highlighted is None else listing.highlighted)
        if found is not None:
            listing.highlighted = found
        return found is not None

    def show_current(self) -> None:
        """Show the count and the trial under the cursor."""
        asked = [view for view in self.views if not view.measured]
        done = sum(self.result(view) in ("pass", "fail") for view in asked)
        count = self.query_one(".count", Static)
        if not self.views:
            stated = "controls" in companion_of(self).shop.facts.instrument.without
            none = "The facts state that there are no controls. Press e to edit them."
            ask = "No control to try. Press e to say which there are, or o to state that there are none."
            count.update(content(none if stated else ask))
        else:
            measured = f", {len(self.views) - len(asked)} measured" if len(asked) < len(self.views) else ""
            count.update(content((f"{done} of {plural(len(asked), 'trial')} answered{measured}", "bold")))
        view = self.current
        self.query_one(Detail).show(partial(trial_detail, view) if view else lambda _: Content(""))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Show the trial the cursor is on."""
        event.stop()
        self.show_current()


class ControlsBody(Body):
    """Trials, the performance, and findings."""

    PARTS: ClassVar = (
        BodyPart("trials", "Trials", TrialsView),
        BodyPart("performance", "Performance", PerformancePane),
        FOUND,
    )
    KEYS: ClassVar = (
        StepKey("p", "pass", "Pass", "pass"),
        StepKey("f", "fail", "Fail", "fail, and say what was heard"),
        StepKey("n", "note", "Note", "note something about the trial"),
        StepKey("j", "jump", "Next unanswered", "the next trial not answered"),
        StepKey("m", "perform", "Write MIDI", "write the performance as MIDI, to be bounced in the host"),
        StepKey("b", "judge", "Judge bounce", "judge a bounce of the performance"),
        StepKey("e", "edit", "Edit facts", "edit the facts that declare the controls"),
        StepKey("o", "none", "There are none", "state that the instrument has no controls"),
    )
    NEXT: ClassVar = "j"
    AGAIN: ClassVar = "Then try it again: p passes it."

    @classmethod
    def next_thing(cls, step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
        """Return the next thing; where nothing says whether there are controls, that comes first."""
        if step.state is State.UNKNOWN and any(finding.rule == "controls-none" for finding in step.findings):
            return "o", "Declare the controls (e), or state that there are none."
        if step.state in (State.OPEN, State.STALE):
            return "p", "Try what is asked; p passes it, f fails it."
        return super().next_thing(step, before)

    _performance: PerformanceView | None = None

    @property
    def trials(self) -> TrialsView:
        """The list of trials: the first part, so it is there as soon as the body is."""
        return self.query_one(TrialsView)

    def offers(self, action: str) -> bool:
        """Offer answers only where there is a trial."""
        if action in ("pass", "fail", "note", "jump"):
            shown = [view.current for view in self.query(TrialsView) if view.current] if self.part == "trials" else []
            # What was measured of a control an ear may contradict.
            return bool(shown) and (action == "jump" or shown[0].trial.kind != "measured")
        if action == "none":
            facts = self.shop.facts
            return self.shop.writable and not (facts.controls or "controls" in facts.instrument.without)
        if action in ("perform", "judge"):
            return self.part == "performance" and not self.companion.working
        return super().offers(action)

    def fetch(self) -> None:
        """Ask for the trials and their answers, and for what is known of the performance."""
        shop = self.shop
        self.ask("Laying out the trials", lambda _: (shop.trials(), shop.performance()), self._show)

    def _show(self, came: tuple[tuple[TrialView, ...], PerformanceView]) -> None:
        views, self._performance = came
        self.trials.show(views)
        self.companion.refresh_bindings()
        self._show_performance()

    def part_opened(self) -> None:
        """Fill the part that is open."""
        self._show_performance()

    def _show_performance(self) -> None:
        if self._performance:
            for pane in self.query(PerformancePane):
                pane.show(self._performance)

    async def on_performance_pane_chosen(self, event: PerformancePane.Chosen) -> None:
        """Go to the findings, where the fault of a slot stands."""
        event.stop()
        await self.go(FOUND.id)
        self.enter()

    def step_perform(self) -> None:
        """Write the performance."""
        shop = self.shop
        self.companion.work("Writing the performance", lambda watch: shop.perform(watch=watch), performed_line)

    def step_judge(self) -> None:
        """Ask for a bounce and judge it; one that lies waiting is offered."""
        view = self._performance
        question = Ask(
            "Which bounce?",
            "Drop the sound file here, or give its path.",
            "Judge",
            self._judge,
            needed="Name the sound file that the host bounced.",
            preset=f"{view.folder}/{view.waiting[0]}" if view and view.waiting else "",
        )
        self.companion.push_screen(question)

    def _judge(self, words: str) -> None:
        shop, path = self.shop, place_of(words)
        if path is None:
            return
        self.companion.work(
            "Judging the bounce",
            lambda watch: shop.judge(path, watch=watch),
            judged_line,
            wrong=lambda bounce: not bounce.kept or any(finding.blocks for finding in bounce.findings),
        )

    def step_pass(self) -> None:
        """Keep a pass and go on."""
        self._keep("pass", "")

    def step_fail(self) -> None:
        """Ask what was heard, and keep a fail."""
        self._ask("fail", "What went wrong?", "A failed trial needs words: what did you hear?")

    def step_note(self) -> None:
        """Ask for a note, and keep it beside the trial."""
        self._ask("note", "What is worth noting?", "A note needs words.")

    def step_jump(self) -> None:
        """Go to the next trial not answered."""
        if not self.trials.jump():
            self.companion.show_notice("Every trial is answered.")
        self.trials.query_one(OptionList).focus()

    async def step_edit(self) -> None:
        """Go to the facts that declare the controls."""
        await self.companion.open_step("facts", enter=True, part="controls")

    def step_none(self) -> None:
        """State as a fact that there are no controls."""
        shop = self.shop
        without = [*shop.facts.instrument.without, "controls"]
        self.companion.write(
            "Keeping the facts",
            lambda _: shop.save_facts({"instrument.without": without}),
            "Kept as a fact: the instrument has no controls.",
        )

    def _ask(self, result: Literal["fail", "note"], head: str, needed: str) -> None:
        if view := self.trials.current:
            keep = partial(self._keep, result, view=view)
            self.companion.push_screen(Ask(head, view.trial.title, "Keep", keep, needed=needed))

    def _keep(self, result: Literal["pass", "fail", "note"], note: str, view: TrialView | None = None) -> None:
        shop, trials = self.shop, self.trials
        view = view or trials.current
        if view is None:
            return
        trial = view.trial
        trials.answered(view, result)
        self.companion.write(
            "Keeping the answer",
            lambda _: shop.answer(trial.id, result, note),
            f"{trial.title}: {RESULT_WORD[result]}.",
            failed=lambda _: trials.show(trials.views),
        )
        if result != "note":
            trials.jump()
