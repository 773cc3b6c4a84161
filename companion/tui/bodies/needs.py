"""Needs: the requirement line by line, with what each line rests on."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Final

from textual.content import Content

from companion.core.findings import Finding
from companion.tui.bodies.facts import FactsBody
from companion.tui.parts.body import AWAY, FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import Piece, content, labelled
from companion.tui.parts.page import Page

if TYPE_CHECKING:
    from companion.steps.checks.needs import Line


def needs_content(needs: tuple[Line, ...], width: int = 0) -> Content:
    """Return the requirement: what is needed, and in words whether that is proven or only stated."""
    column = max((len(line.name) for line in needs), default=0)
    pieces: list[Piece] = []
    for line in needs:
        word = "✓ proven" if line.proven else "· stated"
        pieces += [
            labelled(line.name, line.value, width, column),
            labelled("", f"{word}: {line.because}", width, column),
        ]
    return content(*pieces)


TESTED: Final = ("minimum-unproven", "minimum-unbacked", "system-unproven", "edition-unproven")
"""Rules whose findings an away test settles."""


class NeedsBody(Body):
    """The requirement, and the findings."""

    PARTS: ClassVar = (BodyPart("lines", "Needs", Page), FOUND)
    KEYS: ClassVar = (StepKey("e", "edit", "Edit facts", "edit the facts of the engine"),)
    NEXT: ClassVar = "e"
    MENDS: ClassVar = {"minimum-unbacked": AWAY}

    def fetch(self) -> None:
        """Ask for the requirement."""
        show = partial(self.show_page, "lines")
        self.ask("Working out the needs", self.shop.needs, lambda needs: show(partial(needs_content, needs)))

    async def step_edit(self) -> None:
        """Go to the facts of the engine."""
        await self.companion.open_step("facts", enter=True, part="engine")

    async def finding_entered(self, finding: Finding) -> None:
        """Go where a finding is mended: to the away tests where one is wanted, else to the fact."""
        if finding.rule in TESTED:
            await self.companion.open_step("away", enter=True)
        else:
            await self.step_edit()
            await next(body for body in self.app.query(FactsBody)).finding_entered(finding)
