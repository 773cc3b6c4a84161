"""Archive: built, proven, and what was found on the way."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar

from textual.content import Content

from companion.contents.ships import kinds_text
from companion.core.text import listed, visible
from companion.core.units import both_bytes
from companion.steps.model import State, StepStatus
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import content, labelled
from companion.tui.parts.page import Page
from companion.tui.parts.ships import ShipsView, show_ships

if TYPE_CHECKING:
    from companion.steps.looks.archive import Packed

NOT_KEPT = "It was not kept: mend what blocks and build it again."


def archive_content(step: StepStatus | None, packed: Packed | None = None, width: int = 0) -> Content:
    """Return what is known of the archive: from the build just made, else from the evidence."""
    if packed and not packed.built:
        what = [visible(f"{found.rule} ({found.path})" if found.path else found.rule) for found in packed.findings]
        return content(f"{packed.because}\n\nWhat blocks: {listed(what, 5)}.")
    details = step.details if step else {}
    name = packed.path.name if packed else str(details.get("archive", ""))
    if not name:
        return content("No archive of this content yet. Press b to build it and open it as a stranger would.")
    size = packed.size if packed else details.get("size")
    digest = packed.sha256 if packed else str(details.get("sha256", ""))
    members = packed.members if packed else details.get("members")
    others = packed.checked_with if packed else details.get("checked_with", ())
    kept = packed.kept if packed else not (step and any(finding.blocks for finding in step.findings))
    return content(
        labelled("Archive", visible(name), width),
        labelled("Size", both_bytes(size) if isinstance(size, int) else "", width),
        labelled("Files", f"{members:,}" if isinstance(members, int) else "", width),
        labelled("Holds", kinds_text(packed.holds) if packed else visible(str(details.get("holds", ""))), width),
        labelled("SHA-256", digest, width),
        labelled("Opened", f"with {listed([visible(str(tool)) for tool in others])}" if others else "", width),
        labelled("Folder", str(packed.path.parent) if packed else "releases", width) if kept else "",
        f"\n{packed.because}" if packed else "" if kept else f"\n{NOT_KEPT}",
    )


class ArchiveBody(Body):
    """The archive, and the findings."""

    PARTS: ClassVar = (BodyPart("archive", "Archive", Page), BodyPart("ships", "What ships", ShipsView), FOUND)
    KEYS: ClassVar = (StepKey("b", "build", "Build", "build the archive and prove it"),)
    NEXT: ClassVar = "b"
    AGAIN: ClassVar = "Then b builds it again."
    _packed: Packed | None = None
    _of = ""

    @classmethod
    def next_thing(cls, step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
        """Return the next thing; an archive of other content is built again, not looked at."""
        if step.state is State.STALE:
            return cls.NEXT, "Build it again."
        return super().next_thing(step, before)

    def fetch(self) -> None:
        """Show what is known; a build of other content is forgotten."""
        if self.step and self.step.fingerprint != self._of:
            self._packed = None
        self.show_page("archive", partial(archive_content, self.step, self._packed))
        show_ships(self)

    def part_opened(self) -> None:
        """Fill the list when it is opened."""
        show_ships(self)

    def offers(self, action: str) -> bool:
        """Offer building while nothing else runs."""
        return super().offers(action) and not (action == "build" and self.companion.working)

    def step_build(self) -> None:
        """Build the archive and prove it."""
        self.companion.work("Building the archive", self.shop.pack, _summary, self._built, _blocks)

    def _built(self, packed: Packed) -> None:
        self._packed = packed
        self._of = self.step.fingerprint if self.step else ""
        self.fetch()


def _blocks(packed: Packed) -> bool:
    return any(finding.blocks for finding in packed.findings)


def _summary(packed: Packed) -> str:
    if not packed.built:
        return f"{visible(packed.path.name)}: not built, since its content blocks."
    outcome = "built and proven" if not _blocks(packed) else "built, but not kept, since something blocks"
    return f"{visible(packed.path.name)}: {outcome}."
