"""One row of a table, asked for field by field."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar, Final

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from companion.core.errors import CompanionError
from companion.tui.parts.content import content
from companion.tui.parts.fields import Field
from companion.tui.parts.form import Form
from companion.tui.parts.rows import KINDS, ONE, TYPES, item_of, texts_of

if TYPE_CHECKING:
    from companion.tui.parts.rows import Item, Shape

FIELDS: Final[dict[Shape, tuple[Field, ...]]] = {
    "controls": (
        Field("name", "Name", "what stands beside it on the panel"),
        Field("kind", "Kind", shape="choice", choices={kind: kind for kind in KINDS}),
        Field("low", "Lowest value", shape="number"),
        Field("high", "Highest value", shape="number"),
        Field("rest", "At rest", "when the patch is opened; empty: the lowest", "number"),
        Field("cc", "MIDI controller", "0 to 127; empty: none", "whole"),
        Field("effect", "What it does", "from one end to the other, such as: from dark to bright"),
    ),
    "layers": (
        Field("name", "Name", "as file names and texts call it"),
        Field("files", "Files", "such as Samples/Struck/*.wav; with commas between", "words"),
        Field("low_key", "Lowest key", "a MIDI note, 0 to 127", "whole"),
        Field("high_key", "Highest key", "a MIDI note, 0 to 127", "whole"),
        Field("low_velocity", "Softest velocity", "0 to 127", "whole"),
        Field("high_velocity", "Hardest velocity", "0 to 127", "whole"),
        Field("round_robins", "Round robins", "takes of each note; empty: not stated", "whole"),
    ),
}


class RowScreen(ModalScreen[None]):
    """Asks for one row; ``then`` gets it."""

    DEFAULT_CSS = """
    RowScreen .box {
        width: 70; max-width: 94%; height: auto; max-height: 94%;
        padding: 1 2; background: $surface; border: round $border;
    }
    RowScreen .head { height: auto; text-style: bold; margin: 0 0 1 0; }
    RowScreen Form { height: auto; max-height: 18; }
    RowScreen FieldBox.-apart { margin: 0; }
    RowScreen .keys { height: 1; margin: 1 0 0 0; color: $foreground-muted; }
    """
    AUTO_FOCUS = "LineInput"
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back", priority=True)]

    def __init__(self, shape: Shape, item: Item | None, then: Callable[[Item], object]) -> None:
        super().__init__()
        self._shape, self._item, self._then = shape, item, then

    def compose(self) -> ComposeResult:
        """Lay it out."""
        texts = texts_of(self._item or TYPES[self._shape](name=""))
        new = f"A new {ONE[self._shape]}"
        with Vertical(classes="box"):
            yield Static(content(texts["name"] if self._item else new), classes="head")
            yield Form(FIELDS[self._shape], texts, done="Keep it", every=True, counted=True)
            yield Static(content("Enter goes on, and keeps it at the end; Esc goes back"), classes="keys")

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        try:
            item = item_of(self._shape, event.values, self._item)
        except CompanionError as error:
            event.form.show_problems({error.where: f"{error.what}: {error.do}"})
            event.form.boxes[error.where].box.focus()
            return
        self.dismiss()
        self._then(item)

    def action_back(self) -> None:
        """Leave the row as it is."""
        self.dismiss()
