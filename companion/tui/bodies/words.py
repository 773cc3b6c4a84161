"""Words: changelog, readme and page, paragraph by paragraph, edited, settled, copied and written in three formats."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Final

from companion.core.errors import CompanionError
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.wording import DraftView

if TYPE_CHECKING:
    from companion.steps.looks.wording import Worded
    from companion.steps.looks.words import Draft, Format, What
    from companion.tui.parts.editing import EditScreen

FORMATS: Final[tuple[Format, ...]] = ("md", "txt", "html")
TEXTS: Final[dict[str, What]] = {"changelog": "changelog", "readme": "readme", "page": "page"}
ON_A_TEXT: Final = ("write", "format", "edit_text", "copy", "see")


class WordsBody(Body):
    """Three texts and the findings."""

    PARTS: ClassVar = (*(BodyPart(key, key.title(), DraftView) for key in TEXTS), FOUND)
    KEYS: ClassVar = (
        StepKey("w", "write", "Write it", "write what is shown"),
        StepKey("e", "edit_text", "Edit", "edit the text that is shown"),
        StepKey("x", "settle", "Settle", "settle where your words and the draft’s say otherwise"),
        StepKey("i", "see", "As seen", "see the text as a player sees it"),
        StepKey("y", "copy", "Copy", "copy the text that is shown"),
        StepKey("m", "format", "md, txt, html", "show it as md, txt or html"),
    )
    NEXT: ClassVar = "w"
    RUNS: ClassVar = True
    AGAIN: ClassVar = "Then r looks again."
    _editing: EditScreen | None = None

    def offers(self, action: str) -> bool:
        """Offer what can be done with the text that is shown."""
        view = self.view
        if action in ON_A_TEXT:
            return view is not None and (action in ("write", "format") or view.came is not None)
        if action == "settle":
            return view is not None and view.came is not None and bool(view.came.draft.clashes)
        return super().offers(action)

    @property
    def view(self) -> DraftView | None:
        """The text that is open."""
        view = self.made.get(self.part)
        return view if isinstance(view, DraftView) else None

    @property
    def unsaved(self) -> bool:
        """Whether a text is being edited that is not kept yet."""
        return super().unsaved or bool(self._editing and self._editing.is_attached and self._editing.changed)

    def fetch(self) -> None:
        """Draft again what is open; the others when they are looked at."""
        for view in self.query(DraftView):
            view.fresh = False
        self.part_opened()

    def part_opened(self) -> None:
        """Draft what is open, unless it is as new as the status."""
        view = self.view
        if view and not view.fresh and self.display:
            work = partial(self.shop.worded, TEXTS[self.part], view.format)
            self.companion.begin(
                "draft", f"Drafting the {self.part}", work, partial(self._show, view), owner=view, failed=self._failed
            )

    def _show(self, view: DraftView, came: Worded) -> None:
        view.show(came)
        self.companion.refresh_bindings()

    def _failed(self, _: Any) -> None:
        if view := self.view:
            view.refuse()

    def step_format(self) -> None:
        """Show the next format."""
        if view := self.view:
            view.format = FORMATS[(FORMATS.index(view.format) + 1) % len(FORMATS)]
            view.fresh = False
            self.part_opened()

    def step_write(self) -> None:
        """Write what is shown."""
        if view := self.view:
            what = TEXTS[self.part]
            self.companion.work(f"Writing the {what}", partial(self.shop.write_draft, what, view.format), _written)

    def step_edit_text(self) -> None:
        """Edit the text in place."""
        from companion.tui.parts.editing import EditScreen

        view = self.view
        if view is None or view.came is None:
            return
        if not view.came.editable:
            name = view.came.draft.target.name
            what = "It holds signs that steer a terminal, or bytes that are no text"
            self.companion.show_notice(CompanionError(what, name, "use an editor").line, wrong=True)
            return
        self._editing = EditScreen(view.came, partial(self._keep, view.came))
        self.companion.push_screen(self._editing)

    def _keep(self, came: Worded, text: str, screen: EditScreen) -> None:
        work = partial(self.shop.write_text, came, text)
        self.companion.work(
            f"Writing the {came.draft.what}", work, _written,
            lambda _: screen.dismiss(), failed=lambda error: screen.say(error.line),
        )  # fmt: skip

    def step_settle(self) -> None:
        """Settle conflicts side by side."""
        from companion.tui.parts.editing import SettleScreen

        if (view := self.view) and view.came and view.came.draft.clashes:
            self.companion.push_screen(SettleScreen(view.came, self._settled))

    def _settled(self, came: Worded) -> None:
        work = partial(self.shop.write_text, came, came.draft.text)
        self.companion.work(f"Writing the {came.draft.what}", work, _written)

    def step_see(self) -> None:
        """See the text as a player does."""
        from companion.tui.parts.editing import SeenScreen

        if (view := self.view) and view.came:
            self.companion.push_screen(SeenScreen(view.came))

    def step_copy(self) -> None:
        """Hand the text to the clipboard."""
        from companion.tui.parts.editing import copy

        if (view := self.view) and view.came:
            copy(view.came.draft.text, self)


def _written(draft: Draft) -> str:
    return f"Written: {draft.target.name}."
