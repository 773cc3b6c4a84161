"""What a rule means, why it matters, and how to mend what it finds."""

from typing import Any, Final

from textual.content import Content

from companion.core.describe import rule_words
from companion.core.rules import Rule
from companion.steps.table import BY_ID
from companion.tui.parts.content import SEVERITY_MARK, SEVERITY_STYLE, content, labelled
from companion.tui.parts.reading import ReadingScreen

_WIDTH: Final = 72


class Explained(ReadingScreen):
    """One rule in words."""

    def __init__(self, rule: Rule[Any]) -> None:
        super().__init__()
        self._rule = rule

    def text(self) -> Content:
        """Return the text."""
        rule = self._rule
        rows = (
            ("Means", rule.means), ("Why", rule.why), ("Mend", rule.mend), ("Limit", rule.limit),
            ("Step", BY_ID[rule.step].title), ("Source", rule.source), ("Id", rule.id),
        )  # fmt: skip
        mark, style = SEVERITY_MARK[rule.severity], SEVERITY_STYLE[rule.severity]
        return content(
            (f"{mark} {rule_words(rule.id)}", style), f"  {rule.severity.value}\n",
            *(labelled(label, text, _WIDTH) for label, text in rows),
            ("Esc goes back", "$foreground-muted"),
        )  # fmt: skip
