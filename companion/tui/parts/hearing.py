"""What is heard: Space plays and stops, keys make it softer or louder, one goes over to what it is compared with."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from textual.binding import Binding, BindingType
from textual.content import Content

from companion.core.own import first_time
from companion.core.text import visible
from companion.core.units import level
from companion.sound.hearing.values import (
    CAUTION,
    LOUDEST_DB,
    QUIET_DB,
    SOFTEST_DB,
    STEP_DB,
    AskTold,
    LevelTold,
    OtherTold,
    PlayState,
    PlayTold,
    StopTold,
    Telling,
)
from companion.tui.parts.content import content, short_path
from companion.tui.parts.foot import HearLine

if TYPE_CHECKING:
    from companion.core.progress import Watch
    from companion.sound.hearing.ear import Ear
    from companion.steps.drawn.heard import Hearing
    from companion.steps.drawn.which import Sight
    from companion.tui.parts.companion import Companion

KEYS: Final[tuple[BindingType, ...]] = (
    Binding("space", "hear", "Play, stop", tooltip="play what is under the cursor, or stop"),
    Binding("comma", "app.louder(-1)", "Softer", tooltip="play softer"),
    Binding("full_stop", "app.louder(1)", "Louder", tooltip="play louder"),
    Binding("h", "app.other_take", "The other", tooltip="while it plays: the take or version it is compared with"),
)
"""Keys of every screen in which something can be heard. Each has its own ``hear``."""
GROUP: Final = "hear"
_LOOK_S: Final = 0.1
_NAME: Final = 44


def heard_content(name: str, heard: PlayState, level_db: float) -> Content:
    """Return one line on what is heard."""
    where = f"  {heard.at_s:.2f} of {heard.start_s:.2f} to {heard.end_s:.2f} s"
    return content(("♪ ", "bold $primary"), visible(name), (f"{where}  {level(level_db, 'dB')}", "$foreground-muted"))


class Listening:
    """What this app plays. Everything is told to the process that plays from threads; the event loop never waits."""

    def __init__(self, app: Companion) -> None:
        self._app = app
        self.level_db = QUIET_DB
        self.sight: Sight | None = None
        self.hearing: Hearing | None = None
        self.heard: PlayState | None = None
        self._offered = (False, False)

    @property
    def playing(self) -> bool:
        """Whether something sounds, or is about to."""
        return self.sight is not None

    @property
    def compares(self) -> bool:
        """Whether there is another take to go over to."""
        return self.hearing is not None and len(self.hearing.takes) > 1

    def toggle(self, sight: Sight, beside: Sequence[str] = ()) -> None:
        """Play what is in sight; where it is just that which plays, stop."""
        if self.sight == sight:
            self.stop()
        else:
            self._play(sight, tuple(beside))

    def stop(self) -> None:
        """Fade out and stop."""
        self.sight = None
        self._tell(StopTold())
        self._show()

    def louder(self, steps: int) -> None:
        """Go up or down by steps of three dB."""
        self.level_db = min(LOUDEST_DB, max(SOFTEST_DB, self.level_db + steps * STEP_DB))
        self._tell(LevelTold(level_db=self.level_db))
        self._show()

    def other(self) -> None:
        """Go over to the other take at the same moment."""
        self._tell(OtherTold())

    def _tell(self, telling: Telling) -> None:
        ear = self._app.shop.ear()
        self._app.begin(f"{GROUP} {type(telling).__name__}", "Playing", lambda _: ear.tell(telling), self._came)

    def _play(self, sight: Sight, beside: tuple[str, ...]) -> None:
        app, shop = self._app, self._app.shop
        before = self.sight
        app.show_notice("")
        self.sight, self.hearing, self.heard = sight, None, None

        def run(watch: Watch) -> PlayState:
            if first_time("caution"):
                app.call_later(app.show_notice, CAUTION)
            ear = shop.ear()
            with shop.sights(watch) as sights:
                hearing = sights.hearing(sight, beside, watch)
                app.call_later(self._found, sight, hearing)
                told = PlayTold(takes=hearing.takes, level_db=self.level_db, again=hearing.again)
                return self._follow(ear, told, watch, sight)

        app.begin(
            GROUP, "Playing", run, lambda heard: self._over(sight, heard), failed=lambda _: self._over(sight, None)
        )
        if before is None:
            self._show()

    def _follow(self, ear: Ear, told: PlayTold, watch: Watch, sight: Sight) -> PlayState:
        """Play until it is over; overtaken by another sound, leave the process to that one."""
        heard, shown = ear.tell(told, watch), None
        while heard.playing:
            if heard != shown:
                self._app.call_later(self._came, heard)
            shown = heard
            time.sleep(_LOOK_S)
            watch.check()  # never in the midst of an answer: that would end the process
            heard = ear.tell(AskTold())
        return heard

    # -- on the event loop --------------------------------------------------------------------------------------------

    def _found(self, sight: Sight, hearing: Hearing) -> None:
        if self.sight == sight:
            self.hearing = hearing
            self._show()

    def _came(self, heard: PlayState) -> None:
        if heard.playing and self.playing:
            self.heard = heard
            self._show()

    def _over(self, sight: Sight, _: PlayState | None) -> None:
        if self.sight in (sight, None):
            self.sight = self.hearing = self.heard = None
            self._show()

    def _show(self) -> None:
        text = None
        if self.playing:
            takes, heard = self.hearing.takes if self.hearing else (), self.heard or PlayState()
            name = takes[heard.take].name if heard.take < len(takes) else self.sight.place if self.sight else ""
            text = heard_content(short_path(name, _NAME), heard, self.level_db)
        for screen in self._app.screen_stack:
            for line in screen.query(HearLine):
                line.put(text)
        offered = self.playing, self.compares
        if offered != self._offered:
            self._offered = offered
            self._app.refresh_bindings()
