"""The foot of every screen: the last notice, how far the work is, and the keys that do something here."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from companion.core.progress import Progress
from companion.steps.table import STEP_IDS
from companion.tui.parts.content import age, content
from companion.tui.parts.segments import Segments, Word

SHOWN_KEYS: Final = {
    "escape": "Esc", "question_mark": "?", "enter": "Enter", "tab": "Tab", "space": "Space", "plus": "+", "minus": "−",
    "left": "←", "right": "→", "right_square_bracket": "]", "left_square_bracket": "[", "comma": ",", "full_stop": ".",
    "ctrl+p": "Ctrl+P", "ctrl+q": "Ctrl+Q", "ctrl+s": "Ctrl+S", "delete": "Del",
}  # fmt: skip
_BAR: Final = 16


def step_digit(step_id: str) -> str:
    """Return the digit that opens a step: 1 to 9, 0 for the tenth, none for those after it."""
    place = STEP_IDS.index(step_id) + 1
    return str(place % 10) if place <= 10 else ""


def is_typed_into(widget: Widget | None) -> bool:
    """Return whether a letter pressed now would be typed into ``widget``."""
    return widget is not None and widget.check_consume_key("x", "x")


class KeysLine(Segments):
    """The keys that do something where the focus is; each can be clicked."""

    DEFAULT_CSS = """
    KeysLine { background: $panel; padding: 0 1; }
    """

    _known: list[Word] | None = None

    def on_mount(self) -> None:
        """Follow the screen's bindings."""
        self.screen.bindings_updated_signal.subscribe(self, self._changed)

    def _changed(self, _screen: Screen[Any]) -> None:
        words = self._active_words()
        if words != self._known:
            self._known = words
            self.refresh(layout=True)

    def words(self) -> list[Word]:
        """Return the keys shown, as they stood when the bindings last changed."""
        if self._known is None:
            self._known = self._active_words()
        return self._known

    def _active_words(self) -> list[Word]:
        """Return what can be done now; letters are left out while they would be typed into a field."""
        typing = is_typed_into(self.screen.focused)
        by_action: dict[str, Binding] = {}
        for active in self.screen.active_bindings.values():
            binding = active.binding
            letter = len(binding.key) == 1 or binding.key == "question_mark"
            if binding.show and active.enabled and not (typing and letter):
                by_action.setdefault(binding.action, binding)
        # What the open step alone offers stands first, in its own order, whichever steps were open before.
        own = getattr(self.app, "step_keys", ())
        first = {f"step('{name}')": place for place, name in enumerate(own)}
        shown = sorted(by_action.values(), key=lambda key: first.get(key.action, len(first)))
        return [
            (key.key, content((SHOWN_KEYS.get(key.key, key.key), "bold $primary"), f" {key.description}"))
            for key in shown
        ]

    def chosen(self, key: str) -> None:
        """Do what the key would."""
        self.app.simulate_key(key)


class FootLine(Static):
    """One line of the foot; away while there is nothing to show in it."""

    DEFAULT_CSS = """
    FootLine { height: auto; padding: 0 1; background: $surface; display: none; }
    FootLine.-on { display: block; }
    """

    def put(self, text: Content | None) -> None:
        """Show a text; None takes the line away."""
        self.set_class(text is not None, "-on")
        if text is not None:
            self.update(text)


class JobLine(FootLine):
    """How far the work is, with a bar."""

    DEFAULT_CSS = "JobLine { max-height: 3; }"

    def show(self, progress: Progress | None, what: str = "", *, stopping: bool = False) -> None:
        """Show how far the work is; ``progress`` None with ``what`` empty takes the line away."""
        stops = ("  c stops", "$foreground-muted")
        if stopping:
            self.put(content(f"Stopping cleanly: {what} …"))
        elif progress:
            full = round(progress.fraction * _BAR)
            share = f"{progress.fraction:4.0%} " if progress.total else "     "
            bar = (("━" * full, "$primary"), ("─" * (_BAR - full), "$border-blurred"))
            self.put(content(*bar, f" {share}", progress.line, stops))
        else:
            self.put(content(f"{what} …", stops) if what else None)


class NoticeLine(FootLine):
    """What there is to report; it stays until the next thing is done, so that no error flies past."""

    DEFAULT_CSS = "NoticeLine { max-height: 5; }"

    def show(self, notices: Sequence[tuple[str, bool]]) -> None:
        """Show sentences, each with whether something went wrong, one a line; none takes the line away."""
        marks = [("✗ ", "bold $error") if wrong else ("› ", "$primary") for _, wrong in notices]
        lines = [content(mark, text) for mark, (text, _) in zip(marks, notices, strict=True)]
        self.put(Content("\n").join(lines) if lines else None)


class DueLine(FootLine):
    """One quiet line while a snapshot is due, with the key that takes it; a click does too."""

    DEFAULT_CSS = "DueLine { height: 1; text-wrap: nowrap; text-overflow: ellipsis; }"

    def show(self, because: str, since: str = "") -> None:
        """Show why a snapshot is due, and when (ISO 8601) the last was taken; nothing takes the line away."""
        when = f" ({age(since)})" if since else ""
        offer = content(("k", "bold $primary"), " Keep a snapshot  ", (f"{because}{when}", "$foreground-muted"))
        self.put(offer if because else None)

    async def on_click(self) -> None:
        """Do what the key would."""
        await self.app.run_action("keep")


class HearLine(FootLine):
    """What is heard, where in it, and how loud."""

    DEFAULT_CSS = "HearLine { height: 1; text-wrap: nowrap; text-overflow: ellipsis; }"


class Foot(Vertical):
    """What is due, notice, progress, what is heard, and keys, docked at the bottom."""

    DEFAULT_CSS = """
    Foot { dock: bottom; height: auto; }
    """

    def compose(self) -> ComposeResult:
        """Lay the lines."""
        yield DueLine(markup=False)
        yield NoticeLine(markup=False)
        yield JobLine(markup=False)
        yield HearLine(markup=False)
        yield KeysLine()
