"""Before a restore: what is there is kept first, what would change, and which part of it is wanted where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Input, Static

from companion.core.facts import FACTS_FILE
from companion.core.pasted import place_of
from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes
from companion.steps.account.changes import within
from companion.tui.parts.companion import Companion, companion_of
from companion.tui.parts.content import Piece, content
from companion.tui.parts.dialogs import Confirm, Dialog
from companion.tui.parts.form import LineInput
from companion.tui.parts.page import Page

if TYPE_CHECKING:
    from companion.history.model import Restored
    from companion.history.snapshot import Snapshot
    from companion.steps.account.changes import Changes, Preview
    from companion.workshop import Workshop

Wish = tuple[tuple[str, ...], Path | None]
MOST_LINES: Final = 200
KEPT_FIRST: Final = "What is there now is kept as a snapshot first, so this can be taken back."


def paths_of(text: str) -> tuple[str, ...]:
    """Return the paths that a line names, set off by semicolons; one with blanks in it stays whole."""
    return tuple(part.strip().replace("\\", "/") for part in text.split(";") if part.strip())


def restore_lines(changes: Changes, only: Sequence[str] = ()) -> list[str]:
    """Return what a restore of the chosen paths (none: all) would do, the other way round from what changed since."""
    back, away = list(changes.removed), list(changes.added)
    named = []
    for old, new in changes.renamed:
        if within(old, only) and within(new, only):
            named.append(f"is called {visible(old)} again: {visible(new)}")
        else:  # one of the two names alone is asked for
            back.append(old)
            away.append(new)
    lines = [f"comes back: {visible(path)}" for path in back if within(path, only)]
    lines += [f"goes back: {visible(path)}" for path in changes.changed if within(path, only)]
    lines += [f"is taken away: {visible(path)}" for path in away if within(path, only)]
    return lines + named


class Restore(Dialog[Wish]):
    """Ask what to restore: the paths (none: all), and the folder (None: this one)."""

    DEFAULT_CSS = """
    Restore .box { width: 84; }
    Restore Page { height: 1; max-height: 22vh; margin: 0 0 1 0; background: $panel; padding: 0 1; }
    Restore .label { height: auto; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", priority=True),  # a field would only be left by it
        Binding("y", "done", "Restore"),
    ]
    KEYS_LINE = "y restores, Tab moves, Esc goes back"

    def __init__(self, shot: Snapshot, then: Callable[[Wish], object], *, writable: bool) -> None:
        head = f"Restore snapshot {shot.number}: {visible(shot.label)}"
        super().__init__(head, KEPT_FIRST if writable else "", "Restore", then)
        self._shot = shot
        self._writable = writable
        self._preview: Preview | None = None

    def questions(self) -> ComposeResult:
        """Lay out what would change, and the fields for what is wanted where."""
        yield Page("Comparing …")
        yield Static(content(("Only these paths", "bold"), "  with ; between; empty: everything"), classes="label")
        yield LineInput(id="only")
        yield Static(content(("Into another folder", "bold"), "  empty: this one"), classes="label")
        yield LineInput(id="into")

    def on_mount(self) -> None:
        """Show what would change."""
        number, companion = self._shot.number, companion_of(self)
        companion.begin(
            "preview", "Comparing", lambda watch: companion.shop.preview(number, watch), self._previewed, owner=self,
            failed=lambda error: self.query_one(Page).show(lambda _: content(error.line)),
        )  # fmt: skip

    def _previewed(self, preview: Preview) -> None:
        self._preview = preview
        self._show_wish()

    def _show_wish(self) -> None:
        """Show how much would be written and taken away, and what becomes of which file, of those asked for."""
        preview, (only, into) = self._preview, self.wish
        does = does_line(self._shot, preview, only, into, writable=self._writable)
        self.query_one(".text", Static).update(content(does))
        if preview is None:
            return
        lines = restore_lines(preview.changes, only)
        pieces: list[Piece] = [f"{line}\n" for line in lines[:MOST_LINES]]
        if len(lines) > MOST_LINES:
            pieces.append(f"and {len(lines) - MOST_LINES:,} more\n")
        if within(FACTS_FILE, only):
            pieces += [(f"{visible(line)}\n", "$foreground-muted") for line in preview.facts]
        there = "None of these differ" if only else "Nothing differs"
        text = content(*pieces) if pieces else content(f"{there} from the folder as it is now.")
        page = self.query_one(Page)
        page.show(lambda _: text)
        # Set, not left to “auto”: the box around it would then be as high as all of it, whatever is shown.
        page.styles.height = max(1, len(text.plain.splitlines()))

    @property
    def wish(self) -> Wish:
        """What is wanted, as it stands in the fields."""
        into = self.query_one("#into", Input).value
        return paths_of(self.query_one("#only", Input).value), place_of(into)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Count anew."""
        event.stop()
        self._show_wish()

    def action_done(self) -> None:
        """Hand over what is wanted; of a folder that cannot be written to, only what goes into another one."""
        if self._writable or self.wish[1]:
            self.answer(self.wish)
        else:
            self.query_one("#into").focus()


def does_line(
    shot: Snapshot, preview: Preview | None, only: tuple[str, ...], into: Path | None, *, writable: bool = True
) -> str:
    """Return what a restore would write and take away, and what becomes of what is there now."""
    if into:
        what = "the chosen paths" if only else f"{plural(shot.files, 'file')} ({decimal_bytes(shot.bytes)})"
        return f"Writes {what} into that folder, which must be empty or new.\nNothing here is touched."
    if not writable:
        return "This folder is read-only. Name another one below to restore into that."
    if preview is None:
        return KEPT_FIRST
    does = preview.of(only)
    if not (does.written or does.removed):
        return f"{KEPT_FIRST}\nNothing to write and nothing to take away."
    written = (
        f"Writes {plural(does.written, 'file')} ({decimal_bytes(does.bytes)})" if does.written else "Writes nothing"
    )
    away = f"takes away {does.removed:,}" if does.removed else "takes none away"
    return f"{KEPT_FIRST}\n{written}, {away}."


def restored_summary(done: Restored, into: Path | None) -> str:
    """Return what a restore did, in one line."""
    text = f"{plural(len(done.written), 'file')} brought back"
    if done.removed:
        text += f", {plural(len(done.removed), 'file')} taken away"
    text += f" in {visible(str(into))}." if into else "."
    if done.safety:
        text += f" What was there is snapshot {done.safety.number}."
    if done.failed:
        named = listed([f"{visible(path)} ({visible(reason)})" for path, reason in done.failed], 2)
        stayed = "stayed as it was" if len(done.failed) == 1 else "stayed as they were"
        text += f" {plural(len(done.failed), 'file')} {stayed}: {named}."
    return text


def ask_of_edited(companion: Companion, shop: Workshop, done: Restored) -> None:
    """Ask of the files that were changed since a restore was cut off, which stay as they are unless told."""
    number, edited = done.number, done.edited
    some = listed([visible(path) for path in edited], 6)
    text = f"{some}\n\nBring {'it' if len(edited) == 1 else 'them'} back to snapshot {number} too? {KEPT_FIRST}"

    def bring_back() -> None:
        companion.work(
            f"Restoring snapshot {number}",
            lambda watch: shop.restore(number, edited, watch=watch),
            lambda restored: restored_summary(restored, None),
            wrong=lambda restored: bool(restored.failed),
        )

    head = f"Changed since restoring snapshot {number} was cut off"
    companion.push_screen(Confirm(head, text, "Bring back", lambda _: bring_back()))
