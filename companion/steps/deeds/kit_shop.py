"""Test kits of one working folder: made, listed, and what came of them noted."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from companion.core.progress import QUIET, Watch
from companion.steps.deeds.folder import OpenFolder

if TYPE_CHECKING:
    from companion.core.evidence import AwayTest
    from companion.steps.deeds.kits import Kit
    from companion.steps.deeds.receiving import Received
    from companion.steps.looks.kits_sent import SentKits
    from companion.trials.kit_files import KitRecord


class Kits(OpenFolder):
    """Makes test kits and reads what comes back."""

    def kits(self) -> tuple[KitRecord, ...]:
        """Return the test kits made here, the latest last, with what came of each."""
        from companion.trials.kit_files import kits_in

        return kits_in(self.places)

    def sent_kits(self, watch: Watch = QUIET) -> SentKits:
        """Return the kits as they stand for the content there is now, and which test would settle most."""
        from companion.steps.looks.kits_sent import sent_kits

        return sent_kits(self.desk(watch))

    def make_kit(self, at: str, who: str = "", out: Path | None = None, watch: Watch = QUIET) -> Kit:
        """Make a test kit of the proven archive for a helper, in ``out``, else in ``.companion/kits``."""
        from companion.steps.deeds.kits import make_kit

        with self._building("making a test kit"):
            return make_kit(self.desk(watch), who, out or self.places.kits, at)

    @abstractmethod
    def record_away(self, test: AwayTest) -> None:
        """Keep an away test."""

    def receive(self, files: Sequence[Path], at: str, watch: Watch = QUIET) -> Received:
        """Take in what a helper sent back, and record the away test it tells of, for the content of its kit."""
        from companion.steps.deeds.receiving import receive
        from companion.trials.kit_files import note_returned

        received, test = receive(self.desk(watch), files, watch)
        if test:
            self.record_away(test)
        with self._writing("noting what came back"):
            note_returned(self.places, received.code, at, received.result or "; ".join(received.says), test)
        return received
