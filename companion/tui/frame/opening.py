"""The first screen where no folder was named: the instruments that are known, any other folder, or the demo."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final

from textual import events, on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from companion.core.one_file import is_one_file
from companion.core.progress import Watch
from companion.core.text import shorten, visible
from companion.tui.frame.theme import BASE, dress
from companion.tui.parts.companion import Companion
from companion.tui.parts.content import content, short_path
from companion.tui.parts.foot import Foot
from companion.tui.parts.listing import Listing
from companion.tui.parts.place import PlaceInput, folder_meant

if TYPE_CHECKING:
    from companion.steps.deeds.shelf import Shelved

HERE: Final = "here"
DEMO: Final = "demo"


def known_row(folder: Path, told: Shelved | None, width: int) -> Content:
    """Return two lines on an instrument: what it is and how far, where it lies and what is next."""
    name = visible(folder.name or str(folder))
    place = short_path(str(folder), width - 2)
    if told is None:
        return content((shorten(name, width), "bold"), ("\n  ", ""), (place, "$foreground-muted"))
    if told.problem:
        why = f"  {shorten(visible(told.problem), max(16, width - len(name) - 2))}"
        return content((shorten(name, width), "bold"), (why, "$warning"), ("\n  " + place, "$foreground-muted"))
    title = shorten(visible(f"{told.title or folder.name} {told.version}".strip()), width // 2)
    stands = f"  {told.settled} of {told.steps} steps" + (f", next: {visible(told.next)}" if told.next else "")
    return content((title, "bold"), shorten(stands, max(8, width - len(title))), (f"\n  {place}", "$foreground-muted"))


class Instruments(Listing):
    """Those that are known, and what else there is to open."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "select", "Open it"),
        Binding("tab", "app.focus_next", "Any folder"),
    ]


class Opening(Companion):
    """Asks for a folder. ``chosen`` is the one that was picked, None where nothing was."""

    TITLE = "Release Companion"
    CSS = BASE
    DEFAULT_CSS = """
    Opening #asked { padding: 0 1; height: auto; margin: 0 0 1 0; }
    Opening #all { padding: 0 1; height: 1fr; }
    Opening Instruments { height: auto; max-height: 60%; margin: 0 0 1 0; }
    Opening #offered { height: auto; max-height: 3; color: $foreground-muted; }
    """
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        # No letters: each belongs to the name of a folder, of which a disk may be called X: or Q:.
        Binding("delete", "forget", "Forget it", tooltip="no longer list the instrument; nothing in it is touched"),
        Binding("ctrl+q", "quit", "Quit", priority=True),
        Binding("escape", "escape", "", show=False),
        Binding("ctrl+c", "quit", "Quit", show=False),
    ]
    chosen: Path | None = None

    def __init__(
        self, folders: Sequence[Path], here: Path | None, demo: Path, *, light: bool = False, few: bool = False
    ) -> None:
        """folders: those that are known. here: one to offer beside them. demo: where a copy of the demo would lie."""
        super().__init__()
        self._folders, self._here, self._demo = list(folders), here, demo
        self._told: dict[Path, Shelved] = {}
        dress(self, light=light, few=few)

    def compose(self) -> ComposeResult:
        """Lay out the list, the field below it, and the foot."""
        with Vertical(id="all"):
            yield Static(content(("Release Companion", "bold"), "  Which instrument shall it be?"), id="asked")
            yield Instruments(markup=False)
            yield Static(content(("Any folder", "bold"), ("  type it, paste it or drop it here", "$foreground-muted")))
            yield PlaceInput()
            yield Static("", markup=False, id="offered")
        yield Foot()

    def on_mount(self) -> None:
        """Show what there is at once, and how each stands as that is found out."""
        self._fill()
        (self.query_one(Instruments) if self._folders else self.query_one(PlaceInput)).focus()
        self.call_after_refresh(self._look_at_next)

    def on_resize(self) -> None:
        """Lay the rows out anew."""
        self._fill()

    # -- the list ---------------------------------------------------------------------------------------------------

    def _fill(self) -> None:
        listing, width = self.query_one(Instruments), max(40, self.size.width - 4)
        at = listing.highlighted
        options = [Option(known_row(one, self._told.get(one), width), id=f"{n}") for n, one in enumerate(self._folders)]
        muted = "$foreground-muted"
        if self._here:
            row = content(("The folder you are in", "bold"), (f"\n  {short_path(str(self._here), width - 2)}", muted))
            options.append(Option(row, id=HERE))
        row = content(
            ("The demo instrument", "bold"), "  a copy of it to try things on",
            (f"\n  {short_path(str(self._demo), width - 2)}", muted),
        )  # fmt: skip
        options.append(Option(row, id=DEMO))
        listing.clear_options()
        listing.add_options(options)
        listing.highlighted = min(at or 0, len(options) - 1)

    def _look_at_next(self) -> None:
        folder = next((one for one in self._folders if one not in self._told), None)
        if folder is None or self.leaving:
            return

        def look(watch: Watch) -> Shelved:
            from companion.workshop import stands

            return stands(folder, watch)

        self.begin("look", "Looking at the instruments", look, lambda told: self._looked(folder, told))

    def _looked(self, folder: Path, told: Shelved) -> None:
        self._told[folder] = told
        self._fill()
        self._look_at_next()

    @on(OptionList.OptionSelected)
    def _picked(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        match event.option_id:
            case "here":
                self._open(str(self._here))
            case "demo":
                self._copy_demo()
            case number:
                self._open(str(self._folders[int(number or 0)]), exact=True)

    def action_forget(self) -> None:
        """No longer list the instrument under the cursor."""
        from companion.core.shelf import forget

        at = self.query_one(Instruments).highlighted
        if at is None or at >= len(self._folders):
            return
        folder = self._folders.pop(at)
        self._fill()
        self.refresh_bindings()
        self.write("Forgetting it", lambda _: forget(folder), "It is no longer listed; nothing in it was touched.")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer to forget only what is known."""
        return action != "forget" or bool(self._folders)

    # -- the field --------------------------------------------------------------------------------------------------

    async def on_event(self, event: events.Event) -> None:
        """Lead what is typed, pasted or dropped beside the field into it, before it goes to whatever has the focus.

        Here and at once: a message from the list would arrive behind the letters that follow.
        """
        if isinstance(event, events.Key | events.Paste):
            self._lead(event)
        await super().on_event(event)

    def _lead(self, event: events.Key | events.Paste) -> None:
        field = next(iter(self.screen.query(PlaceInput)), None)
        if field is None or self.focused is field:
            return
        if isinstance(event, events.Paste):
            event.text = event.text.strip()
            field.select_all()  # a name that is dropped is a whole one
        elif event.is_printable:
            field.cursor_position = len(field.value)  # one that was being typed goes on
        else:
            return
        self.screen.set_focus(field, from_app_focus=True)  # which leaves the selection as it is

    @on(PlaceInput.Submitted)
    def _named(self, event: PlaceInput.Submitted) -> None:
        event.stop()
        if event.value.strip():
            self._open(event.value)

    @on(PlaceInput.Completing)
    def _complete(self, event: PlaceInput.Completing) -> None:
        """Complete what is typed: in a thread, for a disk may be slow."""
        from companion.tui.parts.place import completed

        field, text = self.query_one(PlaceInput), event.text

        def show(found: tuple[str, tuple[str, ...]]) -> None:
            if field.value == text:
                field.value = found[0]
                field.cursor_position = len(found[0])
            names = "  ".join(found[1][:40])
            self.query_one("#offered", Static).update(content(names))

        self.begin("complete", "Completing", lambda _: completed(text), show)

    def _open(self, text: str, *, exact: bool = False) -> None:
        self.begin("open", "Opening it", lambda _: Path(text) if exact else folder_meant(text), self._choose)

    def _copy_demo(self) -> None:
        target = self._demo

        def copy(_: Watch) -> Path:
            from companion.workshop import copy_demo

            copy_demo(target)
            return target

        self.begin("open", "Copying the demo", copy, self._choose)

    def _choose(self, folder: Path) -> None:
        self.chosen = folder
        self.leave()

    def action_escape(self) -> None:
        """Esc: back to the list."""
        self.query_one(Instruments).focus()

    async def action_quit(self) -> None:
        """Quit."""
        self.leave()

    @property
    def plays(self) -> bool:
        """Nothing plays here."""
        return False

    def look_again(self) -> None:
        """Nothing is to be looked at again here."""


def choose_folder(*, light: bool, few: bool = False) -> Path | None:
    """Open the screen and return the folder that was chosen; None where the person quit."""
    from companion.core.shelf import known
    from companion.steps.deeds.demo import demo_place

    opening = Opening(known(), _here(), demo_place(), light=light, few=few)
    opening.run()
    return opening.chosen


def _here() -> Path | None:
    """Return the folder one is in, where it could be one to release: not the home, a whole disk, nor the program's."""
    try:
        here = Path.cwd()
        ours = Path(sys.executable).resolve().parent if is_one_file() else None
        return None if here in (Path.home(), here.parent, ours) else here
    except (OSError, RuntimeError):
        return None
