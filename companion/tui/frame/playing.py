"""The part of the app that plays; what it does it with is imported once something is played."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from companion.tui.parts.companion import Companion

if TYPE_CHECKING:
    from companion.steps.drawn.which import Sight
    from companion.tui.parts.hearing import Listening


class Playing(Companion):
    """Plays what its screens ask for."""

    def __init__(self) -> None:
        super().__init__()
        self._listening: Listening | None = None

    @property
    def listening(self) -> Listening:
        """What is heard."""
        from companion.tui.parts.hearing import Listening

        if self._listening is None:
            self._listening = Listening(self)
        return self._listening

    @property
    def plays(self) -> bool:
        """Whether anything is heard."""
        return self._listening is not None and self._listening.playing

    def hear(self, sight: Sight, beside: Sequence[str] = ()) -> None:
        """Play what is in sight, with the files it may be compared with; where just that plays, stop."""
        self.listening.toggle(sight, beside)

    def hush(self) -> None:
        """Stop what plays."""
        if self.plays:
            self.listening.stop()

    def action_louder(self, steps: int) -> None:
        """Play louder, or softer."""
        self.listening.louder(steps)

    def action_other_take(self) -> None:
        """Go over to what is compared."""
        self.listening.other()
