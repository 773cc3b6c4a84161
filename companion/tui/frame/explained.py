"""What a rule means, why it matters, and how to mend what it finds."""

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from companion.core.describe import rule_words
from companion.core.rules import Rule
from companion.steps.table import BY_ID
from companion.tui.parts.content import SEVERITY_MARK, SEVERITY_STYLE, content, labelled

_WIDTH = 68


class Explained(ModalScreen[None]):
    """One rule in words."""

    DEFAULT_CSS = """
    Explained VerticalScroll {
        width: 76; max-width: 96%; height: auto; max-height: 96%;
        padding: 1 2; background: $surface; border: round $border;
    }
    Explained Static { height: auto; }
    """
    AUTO_FOCUS = "VerticalScroll"
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,q,enter", "app.pop_screen", "Back")]

    def __init__(self, rule: Rule[Any]) -> None:
        super().__init__()
        self._rule = rule

    def compose(self) -> ComposeResult:
        """Lay it out."""
        rule = self._rule
        rows = (
            ("Means", rule.means), ("Why", rule.why), ("Mend", rule.mend), ("Limit", rule.limit),
            ("Step", BY_ID[rule.step].title), ("Source", rule.source), ("Id", rule.id),
        )  # fmt: skip
        mark, style = SEVERITY_MARK[rule.severity], SEVERITY_STYLE[rule.severity]
        with VerticalScroll():
            yield Static(
                content(
                    (f"{mark} {rule_words(rule.id)}", style), f"  {rule.severity.value}\n",
                    *(labelled(label, text, _WIDTH) for label, text in rows),
                    ("Esc goes back", "$foreground-muted"),
                )
            )  # fmt: skip
