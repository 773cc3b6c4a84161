"""Sound: a look that takes a while, what it found, and the way to the facts that say what there is to judge."""

from typing import ClassVar

from companion.tui.bodies.run import RunBody
from companion.tui.parts.body import StepKey


class SoundBody(RunBody):
    """The findings; e goes to the facts that say how names are read, and which samples play no note."""

    KEYS: ClassVar = (StepKey("e", "edit", "Edit facts", "edit how names are read, and what plays no note"),)

    async def step_edit(self) -> None:
        """Go to the facts on names."""
        await self.companion.open_step("facts", enter=True, part="names")
