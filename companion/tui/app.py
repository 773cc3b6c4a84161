"""The app: opens a folder, keeps the checklist before the maker's eyes, and hands every action to the workshop."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.widgets import OptionList

from companion.core.progress import Watch
from companion.steps.model import Status
from companion.steps.table import BY_ID, STEP_IDS, STEPS, looks_with
from companion.tui.frame.colours import keep_colours
from companion.tui.frame.looking import EVERY_MINUTE, Looking
from companion.tui.frame.theme import BASE, dress, theme_of
from companion.tui.parts.companion import await_call
from companion.tui.parts.foot import Foot, is_typed_into, step_digit

if TYPE_CHECKING:
    from textual.command import Provider

    from companion.tui.parts.body import Body
    from companion.workshop import Workshop


def _palette() -> type[Provider]:
    """Return what the palette searches in; imported when it is first opened."""
    from companion.tui.frame.palette import Everything

    return Everything


def open_workshop(folder: Path) -> Workshop:
    """Open a folder; the workshop is imported here, in a thread, after the first paint."""
    from companion.workshop import Workshop

    return Workshop.open(folder)


def get_ready(_: Watch, *, for_good: bool) -> None:
    """Import, in a thread, what the steps and pictures need: done when a key is pressed it would hold the app.

    for_good: whether the app is all that runs in this process. Then what stands by now is left out of every search for
    garbage, which would hold the app for longer than anything else does.
    """
    from importlib import import_module

    from companion.tui.bodies import body_of

    for step in STEPS:
        body_of(step.body)
    for name in ("parts.picture", "parts.tour", "parts.wording", "parts.editing", "snapshots.drawer", "frame.help"):
        import_module(f"companion.tui.{name}")
    if for_good:
        gc.freeze()
        gc.set_threshold(20_000, 20, 100)


class CompanionApp(Looking):
    """One working folder in a terminal."""

    TITLE = "Release Companion"
    CSS = BASE
    COMMANDS: ClassVar[set[Any]] = {_palette}
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012
        (0, "-narrow"),
        (110, "-wide"),
        (170, "-huge"),
    ]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("v", "waive", "Waive", tooltip="waive the finding or the rule under the cursor, or take it back"),
        Binding("g", "renew", "Waive again", tooltip="give the lapsed waiver of the finding under the cursor again"),
        Binding("t", "part", "Part", tooltip="the next part of a step: another page of its form, its findings"),
        *(Binding(step_digit(step.id), f"open('{step.id}')", step.title, show=False) for step in STEPS[:10]),
        Binding("r", "look", "Look again", tooltip="look again at the open step, after a change in the folder"),
        Binding("a", "check_all", "All steps", tooltip="look at every step"),
        Binding("d", "draw", "Draw", tooltip="draw what is under the cursor, else the whole instrument"),
        Binding("space", "hear", "Play, stop", tooltip="play the sample under the cursor, or stop"),
        Binding("comma", "louder(-1)", "Softer", tooltip="while something plays: softer"),
        Binding("full_stop", "louder(1)", "Louder", tooltip="while something plays: louder"),
        Binding("h", "other_take", "The other", tooltip="while it plays: the take or version it is compared with"),
        Binding("s", "snapshots", "Snapshots", tooltip="snapshots: take, compare, restore"),
        Binding("k", "keep", "Keep a snapshot", show=False, tooltip="keep a snapshot at once"),
        Binding("c", "stop", "Stop", tooltip="stop what runs"),
        Binding(
            "l", "colours", "Light or dark", show=False, tooltip="light colours or dark ones, kept for the next time"
        ),
        Binding("ctrl+p", "command_palette", "Find", show=False, tooltip="find a step, action, file, rule or snapshot"),
        Binding(
            "ctrl+o", "elsewhere", "Other instrument", show=False, tooltip="another instrument, folder or the demo"
        ),
        Binding("question_mark", "help", "Help"),
        Binding("q", "quit", "Quit", tooltip="quit"),
        Binding("escape", "escape", "", show=False, tooltip="out of a field; stop what runs; back to the checklist"),
        Binding("ctrl+q", "quit", "Quit", show=False, priority=True),
        Binding("ctrl+c", "quit", "Quit", show=False),
    ]

    def __init__(
        self,
        folder: Path,
        opener: Callable[[Path], Workshop] = open_workshop,
        *,
        follow: bool = False,
        light: bool = False,
        few: bool = False,
    ) -> None:
        """follow: look again whenever the folder changes. light: begin in the light colours. few: there are sixteen."""
        # An empty NO_COLOR means unset (no-color.org); the toolkit would take it for set.
        if os.environ.get("NO_COLOR") == "":
            del os.environ["NO_COLOR"]
        super().__init__(folder)
        self._bound: set[tuple[str, str]] = set()
        self._opener = opener
        self._follow = follow
        self.goes_elsewhere = False
        self._few = few
        dress(self, light=light, few=few)

    def compose(self) -> ComposeResult:
        """Lay out the checklist and the workspace."""
        with Horizontal():
            yield self.rail
            yield self.workspace
        yield Foot()

    def on_mount(self) -> None:
        """Paint first, then open the folder."""
        self.rail.steps.focus()
        self.call_after_refresh(self.open_folder)
        self.set_interval(EVERY_MINUTE, self.due_by_now)

    # -- the folder and its status --------------------------------------------------------------------------------

    def open_folder(self) -> None:
        """Open the folder in a thread."""
        self.begin(
            "open", "Opening the folder", lambda _: self._opener(self.folder), self._opened,
            failed=lambda error: self.workspace.show_trouble(error.line),
        )  # fmt: skip

    def _opened(self, shop: Workshop) -> None:
        self.workshop = shop
        read_only = "This folder is read-only: look around, but nothing can be kept here."
        reason = shop.refusal.line if shop.refusal else read_only
        self.show_notice("" if shop.writable else reason, wrong=True)
        from companion.steps.deeds.hidden import BACK_IN_PLACE

        if shop.brought_back and shop.brought_back.names:
            self.show_notice(BACK_IN_PLACE)
        if shop.recovery:
            failed = bool(shop.unfinished or (shop.recovered and shop.recovered.failed))
            back = [BACK_IN_PLACE] if shop.brought_back and shop.brought_back.names else []
            self.show_notice(" ".join([*back, *shop.recovery]), wrong=failed)
        if shop.recovered and shop.recovered.edited:
            from companion.tui.snapshots.restore import ask_of_edited

            ask_of_edited(self, shop, shop.recovered)
        self.look_again()
        self.begin("ahead", "Getting ready", partial(get_ready, for_good=self._follow), lambda _: None)
        if self._follow:
            self._follow = False
            self.follow()
            if shop.has_facts:
                from companion.core.shelf import opened

                self.begin("known", "Noting the folder", lambda _: opened(shop.folder), lambda _: None)

    # -- steps ----------------------------------------------------------------------------------------------------

    @on(OptionList.OptionHighlighted, "Steps")
    async def _step_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Show the step the cursor is on, if it is there still; what opened a step moved the cursor itself."""
        step_id = STEP_IDS[event.option_index]
        if event.option_index == self.rail.steps.highlighted and step_id != self.workspace.step_id:
            self.step_left()
            await self.open_step(step_id)

    @on(OptionList.OptionSelected, "Steps")
    async def _step_selected(self, event: OptionList.OptionSelected) -> None:
        """Go to work in the step."""
        await self.open_step(STEP_IDS[event.option_index], enter=True)

    async def open_step(self, step_id: str, *, enter: bool = False, arrive: bool = False, part: str = "") -> None:
        """Open a step, one of its parts if named. enter: go to work in it; arrive: where its keys work."""
        if self.workshop is None or self.status is None:
            return
        body = await self.workspace.open(step_id)
        self._bind(body)
        self.rail.steps.highlighted = STEP_IDS.index(step_id)
        if part:
            await body.go(part)
        if enter:
            body.enter()
        elif arrive:
            body.arrive()
        self.refresh_bindings()

    def _bind(self, body: Body) -> None:
        """Bind the keys of a body for good; which of them do something is asked anew for every step."""
        self.step_keys = tuple(key.action for key in body.KEYS)
        for key in body.KEYS:
            if (key.key, key.action) not in self._bound:
                self._bound.add((key.key, key.action))
                self.bind(key.key, f"step('{key.action}')", description=key.label)

    async def action_open(self, step_id: str) -> None:
        """Open a step by its digit."""
        if step_id != self.workspace.step_id:
            self.step_left()
        await self.open_step(step_id, arrive=True)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer only what can be done now; keys that do nothing are not shown."""
        body = self.workspace.body
        match action:
            case "step":
                return body is not None and body.offers(str(parameters[0]))
            case "part" | "waive" | "renew":
                return body is not None and body.offers(action)
            case "look" | "check_all":
                return not self.working and (action == "look" or self.workshop is not None)
            case "stop":
                return self.jobs.work is not None and not self.jobs.work.watch.cancelled
            case "snapshots":
                return self.workshop is not None
            case "draw":
                return body is not None and self.workshop is not None and self.workshop.has_facts
            case "hear":
                return self.plays or (body is not None and body.to_hear() is not None)
            case "louder":
                return self.plays
            case "other_take":
                return self.plays and self.listening.compares
            case "keep":
                return self.workshop is not None and self.workshop.writable and not self.working
            case _:
                return True

    async def action_step(self, name: str) -> None:
        """Do what the open step offers under this name."""
        body = self.workspace.body
        if body and body.offers(name):
            await await_call(getattr(body, f"step_{name}"))

    async def action_part(self) -> None:
        """Go to the next part of the open step."""
        await self.action_step("part")

    async def action_waive(self) -> None:
        """Waive what is under the cursor."""
        await self.action_step("waive")

    async def action_renew(self) -> None:
        """Give the lapsed waiver of what is under the cursor again."""
        await self.action_step("renew")

    # -- actions --------------------------------------------------------------------------------------------------

    def action_look(self) -> None:
        """Run the open step's look; a step that is judged at every look, and a folder not open, are read again."""
        shop, body = self.workshop, self.workspace.body
        if shop is None:
            self.open_folder()
        elif body is None or not body.RUNS:
            self.look("Reading the folder again")
        else:
            self._check(f"Checking {BY_ID[body.step_id].title}", *looks_with(body.step_id, self.status))

    def action_check_all(self) -> None:
        """Run every step but the building of the archive."""
        if self.workshop:
            self._check("Checking all steps")

    def _check(self, what: str, *steps: str) -> None:
        shop = self.shop

        def check(watch: Watch) -> Status:
            shop.reload()
            return shop.check(steps, watch)

        def summary(status: Status) -> str:
            outcome = _outcome(status, *steps[-1:])
            return f"{outcome} Not kept: {shop.not_kept.line}" if shop.not_kept else outcome

        self.work(what, check, summary, wrong=lambda _: bool(shop.not_kept))

    def action_draw(self) -> None:
        """Draw what is under the cursor, else the whole instrument."""
        if body := self.workspace.body:
            body.draw()

    def action_hear(self) -> None:
        """Play what is under the cursor, or stop."""
        sight = self.workspace.body.to_hear() if self.workspace.body else None
        if sight:
            self.hear(sight)
        else:
            self.hush()

    def action_snapshots(self) -> None:
        """Open the drawer."""
        self.open_snapshots()

    def open_snapshots(self) -> None:
        """Open the drawer of snapshots."""
        from companion.tui.snapshots.drawer import Drawer

        self.push_screen(Drawer())

    def action_keep(self) -> None:
        """Take a snapshot at once, whether or not one is due."""
        from companion.tui.snapshots.keep import keep

        keep(self)

    def action_command_palette(self) -> None:
        """Open the palette."""
        from textual.command import CommandPalette

        if not isinstance(self.screen, CommandPalette):
            self.push_screen(
                CommandPalette(placeholder="A few letters of a step, an action, a file, a rule or a snapshot")
            )

    def action_help(self) -> None:
        """Show the keys."""
        from companion.tui.frame.help import Help

        self.push_screen(
            Help(self.folder, (key for key in self.BINDINGS if isinstance(key, Binding)), self.workspace.step_id)
        )

    def action_colours(self) -> None:
        """Turn light colours to dark ones and back, and keep that for the next time."""
        light = self.current_theme.dark
        self.theme = theme_of(light=light, few=self._few).name
        self.begin("colours", "Keeping the colours", lambda _: keep_colours(light=light), lambda _: None)

    def action_escape(self) -> None:
        """Esc: out of a field, then stop what runs, then back to the checklist."""
        body = self.workspace.body
        if body and is_typed_into(self.focused):
            body.leave_field()
        elif self.working:
            self.action_stop()
        else:
            self.focus_checklist()

    def focus_checklist(self) -> None:
        """Go back to the checklist."""
        self.rail.steps.focus()

    async def start_anew(self) -> None:
        """Make every body anew: the folder has just got its facts."""
        await self.workspace.forget()
        self.status = None

    async def action_quit(self) -> None:
        """Quit; ask first when work is on its way or something written is not kept."""
        self._ask_to_leave("quit")

    async def action_elsewhere(self) -> None:
        """Leave for another instrument, as for good."""
        self._ask_to_leave("go", elsewhere=True)

    def _ask_to_leave(self, how: str, *, elsewhere: bool = False) -> None:
        from companion.tui.parts.dialogs import Confirm

        def leave(_: None = None) -> None:
            self.goes_elsewhere = elsewhere
            self.leave()

        if self.leaving or isinstance(self.screen, Confirm):
            return
        job, unsaved = self.jobs.work, self.workspace.unsaved
        if job:
            text = "It is stopped cleanly first: what it has not finished stays as it was."
            self.push_screen(Confirm(f"{job.what} is still going on", text, f"Stop it and {how}", leave))
        elif unsaved:
            text = f"What you wrote in {unsaved} would be lost."
            self.push_screen(Confirm("Not kept yet", text, f"{how.title()} without it", leave))
        else:
            leave()


def _outcome(status: Status, step_id: str = "") -> str:
    if step_id:
        step = status.step(step_id)
        return f"{step.title}: {step.state.value}, {step.because}."
    left = f"; next: {status.next_step.title}" if status.next_step else ""
    return f"{status.count}{left}."
