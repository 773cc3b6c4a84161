"""Contents: what was found, and the list of what ships, where what is asked about is answered."""

from __future__ import annotations

from typing import ClassVar

from companion.core.text import visible
from companion.steps.model import State, StepStatus
from companion.tui.bodies.run import RunBody
from companion.tui.parts.body import AWAY, FOUND, BodyPart, StepKey
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.ships import ShipsView, show_ships

ASKED = "stray-unasked"


class ContentsBody(RunBody):
    """The findings and the list. y and n answer: the file or group under the cursor ships, or stays."""

    PARTS: ClassVar = (FOUND, BodyPart("ships", "What ships", ShipsView))
    KEYS: ClassVar = (
        StepKey("y", "ship", "Let it ship", "let the group or file under the cursor ship"),
        StepKey("n", "stay", "Leave it out", "leave the group or file under the cursor at home"),
    )
    MENDS: ClassVar = {"references-unread": AWAY}

    @classmethod
    def next_thing(cls, step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
        """Return the next thing; where nothing else blocks, what is asked about."""
        blocking = {finding.rule for finding in step.findings if finding.blocks}
        if step.state is State.FAILING and blocking == {ASKED}:
            return "", "Say of each what is asked about: y lets it ship, n leaves it at home."
        return super().next_thing(step, before)

    def fetch(self) -> None:
        """Ask for the list, once it has been opened."""
        show_ships(self)

    def part_opened(self) -> None:
        """Fill the list when it is opened."""
        show_ships(self)

    def offers(self, action: str) -> bool:
        """Offer an answer where there is something to answer."""
        if action in ("ship", "stay"):
            return self.part == "ships" or bool(self.step and any(one.rule == ASKED for one in self.step.findings))
        return super().offers(action)

    def _asked_finding(self) -> str | None:
        view = self.made.get(FOUND.id)
        found = view.current if self.part == FOUND.id and isinstance(view, FindingsView) and view.is_mounted else None
        return found.path if found and found.rule == ASKED else None

    def _under_cursor(self) -> str:
        if self.part == "ships" and isinstance(view := self.made.get("ships"), ShipsView):
            row = view.current
            return row.answer if row else ""
        return self._asked_finding() or ""

    def file_under_cursor(self) -> str:
        """Return the file under the cursor of the list of what ships."""
        view = self.made.get("ships") if self.part == "ships" else None
        row = view.current if isinstance(view, ShipsView) else None
        return row.file.path if row and row.file else ""

    def step_ship(self) -> None:
        """Let what is under the cursor ship."""
        self._decide(ships=True)

    def step_stay(self) -> None:
        """Leave what is under the cursor at home."""
        self._decide(ships=False)

    def _decide(self, *, ships: bool) -> None:
        what = self._under_cursor()
        if not what:
            self.companion.show_notice("Move to a group that is asked about, or to a file, first.", wrong=True)
            return
        shop, (ship, stay) = self.shop, ([what], []) if ships else ([], [what])
        self.companion.write(
            "Keeping the answer",
            lambda watch: shop.decide(ship, stay, watch),
            f"{visible(what)}: {'it ships' if ships else 'it stays at home'}.",
        )
