"""Archive: built, proven, and what was found on the way."""

from __future__ import annotations

from functools import partial
from typing import Any, ClassVar

from textual.content import Content

from companion.core.text import listed, visible
from companion.core.units import both_bytes
from companion.steps.model import StepStatus
from companion.tui.page import Page
from companion.tui.parts import Body, Part
from companion.tui.shown import labelled, said

NOT_KEPT = "It was not kept: mend what blocks and build it again."


def archive_shown(step: StepStatus | None, packed: Any = None, width: int = 0) -> Content:
    """Return what is known of the archive: from the build just made, else from the evidence."""
    details = step.details if step else {}
    name = packed.path.name if packed else str(details.get("archive", ""))
    if not name:
        return said("No archive of this content yet. Press b to build it and open it as a stranger would.")
    size = packed.size if packed else details.get("size")
    digest = packed.sha256 if packed else str(details.get("sha256", ""))
    members = packed.members if packed else details.get("members")
    others = packed.checked_with if packed else details.get("checked_with", ())
    kept = packed.kept if packed else not (step and any(finding.blocks for finding in step.findings))
    return said(
        labelled("Archive", visible(name), width),
        labelled("Size", both_bytes(size) if isinstance(size, int) else "", width),
        labelled("Files", f"{members:,}" if isinstance(members, int) else "", width),
        labelled("SHA-256", digest, width),
        labelled("Opened", f"with {listed([visible(str(tool)) for tool in others])}" if others else "", width),
        labelled("Lies in", str(packed.path.parent) if packed else "releases", width) if kept else "",
        f"\n{packed.because}" if packed else "" if kept else f"\n{NOT_KEPT}",
    )


class ArchiveBody(Body):
    """The archive, and the findings."""

    ACTIONS: ClassVar[frozenset[str]] = frozenset({"build"})

    def __init__(self, step_id: str) -> None:
        super().__init__(step_id)
        self._packed: Any = None
        self._of = ""

    def parts(self) -> tuple[Part, ...]:
        """Return the two parts."""
        return (Part("archive", "Archive", Page), self.findings_part())

    def fetch(self) -> None:
        """Show what is known; a build of other content is forgotten."""
        if self.step and self._packed and self.step.fingerprint != self._of:
            self._packed = None
        page = self.made("archive")
        if isinstance(page, Page):
            page.show(partial(archive_shown, self.step, self._packed))

    def offers(self, action: str) -> bool:
        """Offer building while nothing else runs."""
        return super().offers(action) and (action != "build" or self.companion.jobs.work is None)

    def step_build(self) -> None:
        """Build the archive and prove it."""
        if shop := self.companion.workshop:
            self.companion.work("Building the archive", shop.pack, self._built, told=_built_line, wrong=_blocks)

    def _built(self, packed: Any) -> None:
        self._packed = packed
        self._of = self.step.fingerprint if self.step else ""
        self.fetch()


def _blocks(packed: Any) -> bool:
    return any(finding.blocks for finding in packed.findings)


def _built_line(packed: Any) -> str:
    word = "built and proven" if not _blocks(packed) else "built, but not kept, since something blocks"
    return f"{visible(packed.path.name)}: {word}."
