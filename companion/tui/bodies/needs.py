"""Needs: the requirement line by line, with what each line rests on."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar

from textual.content import Content

from companion.tui.page import Page
from companion.tui.parts import Body, Part
from companion.tui.shown import Piece, labelled, said

if TYPE_CHECKING:
    from companion.steps.looks.needs import Line


def lines_shown(needs: tuple[Line, ...], width: int = 0) -> Content:
    """Return the requirement: what is needed, and in words whether that is proven or only stated."""
    column = max((len(line.name) for line in needs), default=0)
    pieces: list[Piece] = []
    for line in needs:
        word = "✓ proven" if line.proven else "· stated"
        pieces += [
            labelled(line.name, line.value, width, column),
            labelled("", f"{word}: {line.because}", width, column),
        ]
    return said(*pieces)


class NeedsBody(Body):
    """The requirement, and the findings."""

    ACTIONS: ClassVar[frozenset[str]] = frozenset({"edit"})

    def parts(self) -> tuple[Part, ...]:
        """Return the two parts."""
        return (Part("lines", "Needs", Page), self.findings_part())

    def fetch(self) -> None:
        """Ask for the requirement."""
        if shop := self.companion.workshop:
            self.companion.begin("needs", "Working out the needs", shop.needs, self._came, owner=self)

    def _came(self, needs: tuple[Line, ...]) -> None:
        page = self.made("lines")
        if isinstance(page, Page):
            page.show(partial(lines_shown, needs))

    async def step_edit(self) -> None:
        """Go to the facts of the engine."""
        await self.companion.open_step("facts", enter=True, part="engine")
