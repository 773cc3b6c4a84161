"""Words: changelog, readme and page as they would be written, in any of three formats."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Final

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Static

from companion.core.text import listed, visible, visible_lines
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import content
from companion.tui.parts.page import Detail

if TYPE_CHECKING:
    from companion.steps.looks.words import Draft, Format, What

FORMATS: Final[tuple[Format, ...]] = ("md", "txt", "html")
TEXTS: Final[dict[str, What]] = {"changelog": "changelog", "readme": "readme", "page": "page"}
MOST: Final = 60_000
"""Characters of a preview; the file itself is written whole."""


class DraftView(Vertical):
    """One draft: where it would go, what is missing from it, and its text."""

    DEFAULT_CSS = """
    DraftView { height: 1fr; }
    DraftView .about { height: auto; }
    DraftView Detail { height: 1fr; max-height: 100%; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.format: Format = "md"
        self.fresh = False

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(content("Drafting …"), classes="about")
        yield Detail("")

    def show(self, draft: Draft) -> None:
        """Show a draft."""
        self.fresh = True
        place = draft.target.name
        exists = "exists already; your own words in it are kept" if draft.target.exists() else "not written yet"
        pieces: list[Any] = [(f"{draft.format}  ", "bold"), f"{place}, {exists}\n"]
        if draft.missing:
            names = listed([visible(name) for name in draft.missing], most=6)
            pieces += [("✗ missing: ", "bold $error"), f"{names}\n"]
        if draft.conflicts:
            pieces.append(("! your own words there say something else:\n", "$warning"))
            pieces += [f"  {visible(conflict)[:200]}\n" for conflict in draft.conflicts[:3]]
        self.query_one(".about", Static).update(content(*pieces))
        more = "\n… and more: the file has the rest" if len(draft.text) > MOST else ""
        text = Content(visible_lines(draft.text[:MOST] + more).expandtabs(4))
        self.query_one(Detail).show(lambda _: text)


class WordsBody(Body):
    """Three drafts and the findings."""

    PARTS: ClassVar = (*(BodyPart(key, key.title(), DraftView) for key in TEXTS), FOUND)
    KEYS: ClassVar = (
        StepKey("w", "write", "Write it", "write what is shown"),
        StepKey("m", "format", "md, txt, html", "show it as md, txt or html"),
    )
    NEXT: ClassVar = "w"
    RUNS: ClassVar = True
    AGAIN: ClassVar = "Then r looks again."

    def offers(self, action: str) -> bool:
        """Offer writing where a draft is shown."""
        return self.view is not None if action in ("write", "format") else super().offers(action)

    @property
    def view(self) -> DraftView | None:
        """The draft that is open."""
        view = self.made.get(self.part)
        return view if isinstance(view, DraftView) else None

    def fetch(self) -> None:
        """Draft again what is open; the others when they are looked at."""
        for view in self.query(DraftView):
            view.fresh = False
        self.part_opened()

    def part_opened(self) -> None:
        """Draft what is open, unless it is as new as the status."""
        view = self.view
        if view and not view.fresh and self.display:
            work = partial(self.shop.draft, TEXTS[self.part], view.format)
            self.companion.begin("draft", f"Drafting the {self.part}", work, view.show, owner=view, failed=self._failed)

    def _failed(self, _: Any) -> None:
        if view := self.view:
            about = view.query_one(".about", Static)
            about.update(content("This text cannot be drafted; the reason is shown below."))

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
            self.companion.work(
                f"Writing the {what}",
                partial(self.shop.write_draft, what, view.format),
                lambda draft: f"Written: {draft.target.name}.",
            )
