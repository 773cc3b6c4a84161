"""Sound: a look that takes a while, what it found, and the way to the facts that say what there is to judge."""

from typing import ClassVar

from companion.tui.bodies.facts import FactsBody
from companion.tui.bodies.run import RunBody
from companion.tui.parts.body import FINDINGS, StepKey
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.offers import offered


class SoundBody(RunBody):
    """The findings; e goes to the facts that say how names are read, and which samples play no note."""

    KEYS: ClassVar = (StepKey("e", "edit", "Edit facts", "edit how names are read, and what plays no note"),)
    MENDS: ClassVar = {"note-unread": "e", "names-open": "e"}

    async def step_edit(self) -> None:
        """Go to the facts on names; what the finding under the cursor offers to state is written there, to be kept."""
        view = self.made.get(FINDINGS)
        finding = view.current if isinstance(view, FindingsView) else None
        await self.companion.open_step("facts", enter=True, part="names")
        if finding and (fact := offered(finding.mend)):
            next(body for body in self.app.query(FactsBody)).put_in(*fact)
