"""Screens on a text: edited in place, its conflicts settled side by side, seen as a player sees it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar, Final

import msgspec
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Button, Static, TextArea

from companion.core.text import visible, visible_lines
from companion.tui.parts.companion import companion_of
from companion.tui.parts.content import Piece, content
from companion.tui.parts.foot import Foot
from companion.tui.parts.reading import ReadingScreen
from companion.tui.parts.wording import length_content

if TYPE_CHECKING:
    from companion.steps.looks.wording import Worded

MOST_SEEN: Final = 60_000
"""Characters of a preview; the file itself is written whole."""


class EditScreen(ModalScreen[None]):
    """The text in a field. What is written goes to the file when it is kept, and nowhere before."""

    DEFAULT_CSS = """
    EditScreen { background: $background; }
    EditScreen .head { height: auto; padding: 0 1; }
    EditScreen TextArea, EditScreen TextArea:focus { height: 1fr; border: none; padding: 0 1; background: $panel; }
    EditScreen .row { height: 1; padding: 0 1; }
    EditScreen .keys { width: 1fr; height: 1; color: $foreground-muted; text-align: right; }
    """
    AUTO_FOCUS = "TextArea"
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+s", "keep", "Write it", priority=True),
        Binding("escape", "back", "Back", priority=True),
    ]

    def __init__(self, came: Worded, keep: Callable[[str, EditScreen], None]) -> None:
        """``keep`` gets the text and this screen, which closes once it is written."""
        super().__init__()
        self.came, self._keep = came, keep
        self._wrong = ""

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static("", markup=False, classes="head")
        yield TextArea(self.came.draft.text, tab_behavior="focus", soft_wrap=True, show_line_numbers=False)
        with Horizontal(classes="row"):
            yield Button("Write it", id="keep", action="screen.keep")
            yield Button("Back", id="back", action="screen.back")
            yield Static(content("Tab leaves the text, Ctrl+S writes it, Esc goes back"), classes="keys")
        yield Foot()

    def on_mount(self) -> None:
        """Say what it is of."""
        self._show()

    @property
    def text(self) -> str:
        """What is written."""
        return self.query_one(TextArea).text

    @property
    def changed(self) -> bool:
        """Whether that differs from what came."""
        return self.is_mounted and self.text != self.came.draft.text

    def on_text_area_changed(self) -> None:
        """Count anew."""
        self._show()

    def _show(self) -> None:
        now = msgspec.structs.replace(self.came, draft=msgspec.structs.replace(self.came.draft, text=self.text))
        mark = ("  ● not kept yet", "bold $warning") if self.changed else ""
        wrong = (f"\n✗ {self._wrong}", "$error") if self._wrong else ""
        name = visible(self.came.draft.target.name)
        self.query_one(".head", Static).update(content((name, "bold"), "  ", length_content(now), mark, wrong))

    def say(self, wrong: str) -> None:
        """Say what went wrong; what was written stays."""
        self._wrong = wrong
        self._show()

    def action_keep(self) -> None:
        """Write it."""
        if self.changed or self.came.standing is None:
            self._keep(self.text, self)
        else:
            self.dismiss()

    def action_back(self) -> None:
        """Go back; ask first when something written would be lost."""
        from companion.tui.parts.dialogs import Confirm

        if self.changed:
            text = "What you changed here would be lost."
            self.app.push_screen(Confirm("Not kept yet", text, "Go back without it", lambda _: self.dismiss()))
        else:
            self.dismiss()


class SettleScreen(ModalScreen[None]):
    """One conflict after the other: the maker's words on the left, the draft's on the right."""

    DEFAULT_CSS = """
    SettleScreen { background: $background; }
    SettleScreen .head { height: auto; padding: 0 1; text-style: bold; }
    SettleScreen .sides { height: 1fr; }
    SettleScreen VerticalScroll { width: 1fr; padding: 0 1; }
    SettleScreen .right { border-left: vkey $border-blurred; }
    SettleScreen Static { height: auto; }
    """
    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("m", "settle('mine')", "Mine stand"),
        Binding("d", "settle('draft')", "The draft’s stand"),
        Binding("n", "next", "Next"),
        Binding("escape,q", "back", "Back"),
    ]

    def __init__(self, came: Worded, keep: Callable[[Worded], None]) -> None:
        """``keep`` gets the text once something was settled and the screen is left."""
        super().__init__()
        self.came, self._first, self._keep = came, came, keep
        self._place = 0

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static("", markup=False, classes="head")
        with Horizontal(classes="sides"):
            with VerticalScroll(classes="left"):
                yield Static("", markup=False)
            with VerticalScroll(classes="right"):
                yield Static("", markup=False)
        yield Foot()

    def on_mount(self) -> None:
        """Show the first."""
        self._show()

    def _show(self) -> None:
        clashes = self.came.draft.clashes
        self._place = min(self._place, len(clashes) - 1)
        clash = clashes[self._place]
        head = f"{self.came.draft.target.name}: {self._place + 1} of {len(clashes)} to settle"
        self.query_one(".head", Static).update(content(visible(head)))
        left, right = self.query_one(".left Static", Static), self.query_one(".right Static", Static)
        left.update(content(("Yours\n\n", "bold $secondary"), visible_lines(clash.own)))
        right.update(
            content(
                ("The draft’s\n\n", "bold $primary"), visible_lines("\n".join(clash.drafted)),
                ("\n\nBefore, the draft said\n\n", "$foreground-muted"), visible_lines(clash.old),
            )
        )  # fmt: skip

    def action_settle(self, which: str) -> None:
        """Settle the one that is shown; after the last one go back."""
        from companion.steps.looks.wording import settled

        draft = settled(self.came.draft, "mine" if which == "mine" else "draft", self._place)
        self.came = msgspec.structs.replace(self.came, draft=draft)
        if draft.clashes:
            self._show()
        else:
            self.action_back()

    def action_next(self) -> None:
        """Go to the next."""
        self._place = (self._place + 1) % len(self.came.draft.clashes)
        self._show()

    def action_back(self) -> None:
        """Keep what was settled, and go back."""
        self.dismiss()
        if self.came is not self._first:
            self._keep(self.came)


def seen_content(text: str, name: str) -> Content:
    """Return a text as a reader sees it: headings, paragraphs and lists, without the marks of its format."""
    from companion.words.plain import passages

    pieces: list[Piece] = []
    for one in passages(text[:MOST_SEEN], name):
        if one.heading:
            pieces += [("\n" if pieces else "", ""), (f"{visible(one.text)}\n", "bold")]
        else:
            pieces.append(f"  • {visible(one.text)}\n" if one.item else f"\n{visible(one.text)}\n")
    if len(text) > MOST_SEEN:
        pieces.append(("\n… and more: the file has the rest", "$foreground-muted"))
    return content(*pieces)


class SeenScreen(ReadingScreen):
    """A text as a player sees it."""

    def __init__(self, came: Worded) -> None:
        super().__init__()
        self._came = came

    def text(self) -> Content:
        """Return the text."""
        draft = self._came.draft
        back = ("\nEsc goes back", "$foreground-muted")
        return content(seen_content(draft.text, draft.target.name), back)


def copy(screen_text: str, of: ModalScreen[None] | Vertical) -> None:
    """Hand a text to the terminal's clipboard (OSC 52), and say so: not every terminal takes it."""
    app = companion_of(of)
    app.copy_to_clipboard(screen_text)
    app.show_notice(
        f"{len(screen_text):,} characters are handed to the terminal’s clipboard. Where nothing arrives, your terminal "
        "does not take it: companion draft prints the text."
    )
