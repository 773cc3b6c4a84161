"""A form: labelled fields with hints and errors, and a button that keeps what was written."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Button, Input, Static, TextArea

from companion.core.errors import CompanionError
from companion.tui.parts.choice import Choice
from companion.tui.parts.content import content
from companion.tui.parts.fields import Field, read
from companion.tui.parts.table import TableInput

LEAVING: Final = (Binding("tab", "app.focus_next", "Next field"), Binding("escape", "app.escape", "Leave it"))


class LinesInput(TextArea):
    """A field of several lines. Tab leaves it, as it leaves every other field."""

    DEFAULT_CSS = """
    LinesInput { height: auto; max-height: 9; border: none; padding: 0 1 0 0; background: $panel; }
    LinesInput, LinesInput:focus { border: none; border-left: blank; }
    LinesInput:focus { border-left: outer $primary; background: $block-cursor-blurred-background; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("ctrl+s", "submit", "Keep"), *LEAVING]

    @dataclass
    class Submitted(Message):
        """What is written is to be kept; Enter begins a line here."""

        lines: LinesInput

    def action_submit(self) -> None:
        """Report it."""
        self.post_message(self.Submitted(self))

    def __init__(self, text: str, rows: int) -> None:
        super().__init__(
            text, tab_behavior="focus", show_line_numbers=False, soft_wrap=True, highlight_cursor_line=False
        )
        self.styles.min_height = rows

    @property
    def value(self) -> str:
        """What is written."""
        return self.text

    @value.setter
    def value(self, text: str) -> None:
        self.load_text(text)


class LineInput(Input):
    """A field of one line; up and down move among the fields."""

    DEFAULT_CSS = """
    LineInput, LineInput:focus { height: 1; border: none; border-left: blank; padding: 0 1 0 0; background: $panel; }
    LineInput:focus { border-left: outer $primary; background: $block-cursor-blurred-background; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "app.focus_previous", "Up", show=False),
        Binding("down", "app.focus_next", "Down", show=False),
        Binding("enter", "submit", "Keep"),
        *LEAVING,
    ]


class NextInput(LineInput):
    """A field of one line in a form that is gone through once, from question to question."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "submit", "Next")]


class OnwardInput(LineInput):
    """A field of one line in a form that is handed over once all that is needed is said."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "submit", "Go on")]


class FieldBox(Vertical):
    """One field with its label, its hint and, where need be, that it is not kept yet, and what is wrong with it."""

    DEFAULT_CSS = """
    FieldBox { height: auto; }
    FieldBox .label { height: auto; }
    FieldBox .wrong { height: auto; color: $error; display: none; }
    FieldBox.-wrong .wrong { display: block; }
    FieldBox.-mild .wrong { color: $warning; }
    FieldBox.-apart { margin: 0 0 1 0; }
    """

    @dataclass
    class Edited(Message):
        """What is written differs from what is kept, or no longer does."""

        field_box: FieldBox

    def __init__(
        self, field: Field, text: str, *, place: str = "", marks: bool = True, line: type[LineInput] = LineInput
    ) -> None:
        """``place``: where among the others it stands, such as ``3 of 11``. marks: whether it says what is not kept.

        line: what a field of one line is.
        """
        super().__init__()
        self.field = field
        self.box = _box(field, text, line)
        self.before = self.box.value
        self._place, self._marks, self._marked = place, marks, False
        self.set_class(bool(place), "-apart")  # each question with its own answer, not with the one before
        # Held, not looked up: what came of a look may be shown while the form is being made, or taken away.
        self._said, self._trouble = Static(self._label(), classes="label"), Static("", markup=False, classes="wrong")

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield self._said
        yield self.box
        yield self._trouble

    def on_descendant_focus(self) -> None:
        """Bring the label and what is wrong into view with the field."""
        self.scroll_visible(animate=False)

    def _label(self) -> Content:
        hint = f"  {self.field.hint}" if self.field.hint else ""
        mark = ("  ● not kept yet", "bold $warning") if self._marked else ""
        place = (f"{self._place}  ", "$foreground-muted") if self._place else ""
        return content(place, (self.field.label, "bold"), mark, (hint, "$foreground-muted"))

    @on(Input.Changed)
    @on(TextArea.Changed)
    @on(Choice.Changed)
    def _edited(self) -> None:
        self.mark()

    def mark(self) -> None:
        """Show whether what is written is kept."""
        marked = self.changed and self._marks
        if marked != self._marked:
            self._marked = marked
            self._said.update(self._label())
            self.post_message(self.Edited(self))

    @property
    def changed(self) -> bool:
        """Whether that differs from what was there."""
        return self.is_mounted and self.box.value != self.before

    def wrong(self, text: str, *, mild: bool = False) -> None:
        """Show what is wrong with it; nothing, when it is right. mild: it stops nothing."""
        self._trouble.update(content(f"{'!' if mild else '✗'} {text}"))
        self.set_class(bool(text), "-wrong")
        self.set_class(mild, "-mild")

    def put(self, text: str) -> None:
        """Show what is kept now."""
        self.box.value = text
        self.before = self.box.value
        self.mark()


def _box(field: Field, text: str, line: type[LineInput]) -> LineInput | LinesInput | Choice | TableInput:
    match field.shape:
        case "choice":
            return Choice(field.choices, text)
        case "controls" | "layers":
            return TableInput(field.shape, text)
        case "long" | "lines":
            return LinesInput(text, field.rows)
        case _:
            return line(
                text,
                placeholder=f"{field.default} (while nothing is written)" if field.default else "",
                select_on_focus=True,
            )


class Form(VerticalScroll, can_focus=False):
    """Fields one below the other. Posts :class:`Kept` with what was changed."""

    DEFAULT_CSS = """
    Form { height: 1fr; }
    Form .keep { margin: 1 0 0 0; }
    Form .intro { height: auto; margin: 0 0 1 0; }
    """

    @dataclass
    class Kept(Message):
        """The person wants to keep what the form holds. values: by key, read as their fields are written."""

        form: Form
        values: dict[str, Any]

    def __init__(
        self,
        fields: Sequence[Field],
        texts: Mapping[str, str],
        *,
        done: str = "Keep all of them",
        every: bool = False,
        counted: bool = False,
        intro: Widget | None = None,
        needed: Collection[str] = (),
        refuse: Callable[[str, str], str] = lambda key, text: "",
    ) -> None:
        """``boxes``: the fields by key. every: hand over all values; else Enter hands over the field it is pressed in,
        and the button all that were changed. counted: Enter goes from field to field, each with its number. needed:
        before the last of these Enter goes on as long as one is not said. refuse: what is wrong with the text of a
        field, told before Enter goes on.
        """
        super().__init__()
        self._done, self._every, self._counted, self._intro = done, every, counted, intro
        self._needed, self._refuse = needed, refuse
        line = NextInput if counted else OnwardInput if needed else LineInput
        self.boxes = {
            field.key: FieldBox(
                field,
                texts.get(field.key, ""),
                place=f"{number} of {len(fields)}" if counted else "",
                marks=not every,
                line=line,
            )
            for number, field in enumerate(fields, start=1)
        }

    def compose(self) -> ComposeResult:
        """Lay it out."""
        if self._intro:
            yield self._intro
        yield from self.boxes.values()
        yield Button(content(self._done), classes="keep")

    @property
    def unsaved(self) -> bool:
        """Whether something written is not kept yet."""
        return any(box.changed for box in self.boxes.values())

    @property
    def unkept(self) -> list[str]:
        """The labels of the fields in which something written is not kept yet."""
        return [box.field.label for box in self.boxes.values() if box.changed]

    @on(Input.Submitted)
    def _entered(self, event: Input.Submitted) -> None:
        """Go on to the next field, or hand over this one."""
        event.stop()
        boxes = list(self.boxes.values())
        here = next(box for box in boxes if box.box is event.input)
        if trouble := self._refuse(here.field.key, event.value):
            here.wrong(trouble)
        elif behind := boxes[boxes.index(here) + 1 :] if self._counted or self._goes_on(here) else []:
            here.wrong("")
            behind[0].box.focus()
        else:
            self._keep(boxes if self._every else [here])

    @on(LinesInput.Submitted)
    def _lines_entered(self, event: LinesInput.Submitted) -> None:
        """Hand over a field of several lines, or all where they are handed over at once."""
        event.stop()
        self._keep(
            self.boxes.values() if self._every else [box for box in self.boxes.values() if box.box is event.lines]
        )

    def _goes_on(self, here: FieldBox) -> bool:
        """Tell whether something that is needed is not said yet, and one of those stands behind this field."""
        keys = list(self.boxes)
        behind = keys[keys.index(here.field.key) + 1 :]
        return any(key in self._needed for key in behind) and not all(self.boxes[key].box.value for key in self._needed)

    @on(TableInput.Edited)
    def _rows_edited(self, event: TableInput.Edited) -> None:
        """Hand over a table as soon as one of its rows has changed."""
        event.stop()
        here = next(box for box in self.boxes.values() if box.box is event.table)
        here.mark()
        self._keep([here])

    @on(Button.Pressed)
    def _pressed(self, event: Button.Pressed) -> None:
        event.stop()
        self._keep(self.boxes.values())

    def _keep(self, boxes: Iterable[FieldBox]) -> None:
        """Read fields and hand them over; the first that cannot be read is marked and gets the focus."""
        values: dict[str, Any] = {}
        for box in boxes:
            key = box.field.key
            if not (box.changed or self._every):
                continue
            try:
                values[key] = read(box.field, box.box.value)
                box.wrong("")
            except CompanionError as error:
                box.wrong(error.line)
                box.box.focus()
                return
        self.post_message(self.Kept(self, values))

    def put(self, texts: Mapping[str, str]) -> None:
        """Show what is kept now, but leave alone what was written since."""
        for key, box in self.boxes.items():
            if key in texts and not box.changed:
                box.put(texts[key])

    def kept(self, texts: Mapping[str, str]) -> None:
        """Count these texts as kept; what was written since then is not."""
        for key, text in texts.items():
            self.boxes[key].before = text
            self.boxes[key].mark()

    def show_problems(self, problems: Mapping[str, str], mild: Collection[str] = ()) -> None:
        """Show what is wrong beside the fields it is about; the others are right. mild: where it stops nothing."""
        for key, box in self.boxes.items():
            box.wrong(problems.get(key, ""), mild=key in mild)
