"""One of a few: all of them in sight, the chosen one marked; left and right change it."""

from collections.abc import Mapping
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import reactive

from companion.tui.parts.content import content
from companion.tui.parts.segments import Segments, Word


class Choice(Segments, can_focus=True):
    """A row of choices, by value. value: what is chosen."""

    DEFAULT_CSS = """
    Choice { height: auto; padding: 0 1 0 0; border-left: blank; background: $panel; }
    Choice:focus { border-left: outer $primary; background: $block-cursor-blurred-background; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Before", show=False),
        Binding("right,space", "move(1)", "Next", show=False),
        Binding("up", "app.focus_previous", "Up", show=False),
        Binding("down", "app.focus_next", "Down", show=False),
        Binding("enter", "app.focus_next", "Next field"),
    ]

    class Changed(Message):
        """Another one was chosen by hand."""

    value: reactive[str] = reactive("", layout=True)

    def __init__(self, labels: Mapping[str, str], value: str = "") -> None:
        super().__init__()
        self.labels = dict(labels)
        self.value = value if value in self.labels else next(iter(self.labels))

    def words(self) -> list[Word]:
        """Return the choices, the chosen one marked."""
        return [
            (key, content((f"● {label}", "bold") if key == self.value else (f"○ {label}", "$foreground-muted")))
            for key, label in self.labels.items()
        ]

    def chosen(self, key: str) -> None:
        """Choose by click."""
        self.focus()
        self.choose(key)

    def choose(self, key: str) -> None:
        """Choose by hand, which is reported."""
        if key != self.value:
            self.value = key
            self.post_message(self.Changed())

    def action_move(self, by: int) -> None:
        """Choose the one beside it."""
        keys = list(self.labels)
        self.choose(keys[(keys.index(self.value) + by) % len(keys)])


class PartsBar(Choice, inherit_bindings=False):
    """The names of a body's parts; left and right move between them, Enter and down go into the open one."""

    DEFAULT_CSS = """
    PartsBar, PartsBar:focus { padding: 0; border: none; background: transparent; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", "Part before", show=False),
        Binding("right", "move(1)", "Next part", show=False),
        Binding("enter,down", "into", "Into it"),
    ]
    gap = 1

    class Changed(Choice.Changed):
        """Another part was chosen by hand."""

    class Into(Message):
        """The person wants to go into the part."""

    def words(self) -> list[Word]:
        """Return the names, the open one marked."""
        strong = "bold reverse" if self.has_focus else "bold underline"
        return [
            (key, content((f"▸{label}", strong) if key == self.value else (f" {label}", "$foreground-muted")))
            for key, label in self.labels.items()
        ]

    def rows(self, width: int) -> list[list[tuple[int, Word]]]:
        """Return one row: where not all names fit, how many there are and those around the open one."""
        words = self.words()
        if sum(text.cell_length + self.gap for _, text in words) - self.gap <= width:
            return super().rows(width)
        place = list(self.labels).index(self.value)
        count = (self.value, content((f"{place + 1} of {len(words)}", "$foreground-muted")))
        shown, left = [place], width - count[1].cell_length - self.gap - words[place][1].cell_length
        while True:
            for at in (shown[-1] + 1, shown[0] - 1):
                if 0 <= at < len(words) and (room := words[at][1].cell_length + self.gap) <= left:
                    left -= room
                    shown = sorted([*shown, at])
                    break
            else:
                break
        row: list[tuple[int, Word]] = []
        column = 0
        for word in (count, *(words[at] for at in shown)):
            row.append((column, word))
            column += word[1].cell_length + self.gap
        return [row]

    def chosen(self, key: str) -> None:
        """Choose by click; the focus goes where the part wants it."""
        self.choose(key)

    def rename(self, key: str, label: str) -> None:
        """Give a part another name."""
        self.labels[key] = label
        self.refresh(layout=True)

    def action_into(self) -> None:
        """Go into the part."""
        self.post_message(self.Into())
