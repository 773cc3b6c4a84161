"""Out: recording the release, what was released before, and holding a downloaded copy against the record."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual.content import Content

from companion.core.findings import Finding
from companion.core.text import visible
from companion.core.units import decimal_bytes
from companion.tui.modals import Ask, Confirm, place_of
from companion.tui.page import Page
from companion.tui.parts import Body, Part
from companion.tui.shown import Piece, age, labelled, said

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.core.progress import Watch
    from companion.steps.account.due import Unkept
    from companion.workshop import Workshop


OWN_SNAPSHOT = "A release takes its own snapshot, whatever is kept already, and gives it the version's name."


def before_release(unkept: Unkept | None, problem: str) -> str:
    """Return what recording a release keeps. problem: why no snapshots can be kept, or nothing."""
    if problem:
        return f"No snapshot can be taken: {problem}. Archive, checksum and file list are kept as the record."
    told = f" Not kept so far: {unkept.told}." if unkept and unkept.snapshot and unkept.told else ""
    return f"{OWN_SNAPSHOT}{told} Archive, checksum and file list are kept as the record."


def records_shown(records: list[ReleaseRecord], width: int = 0) -> Content:
    """Return the releases, newest first."""
    if not records:
        return said("Nothing has been released from this folder yet.\n\n", (OWN_SNAPSHOT, "$foreground-muted"))
    pieces: list[Piece] = []
    for record in reversed(records):
        told = "a downloaded copy was the same" if record.uploads else "no downloaded copy checked yet"
        pieces += [
            (visible(record.version), "bold"), f"  {age(record.at)}\n",
            labelled("Archive", visible(record.archive), width),
            labelled("Size", decimal_bytes(record.size), width),
            labelled("SHA-256", record.sha256, width),
            labelled("Upload", told, width), "\n",
        ]  # fmt: skip
    return said(*pieces)


class OutBody(Body):
    """The releases, and the findings."""

    ACTIONS: ClassVar[frozenset[str]] = frozenset({"release", "upload"})
    _problem = ""

    def parts(self) -> tuple[Part, ...]:
        """Return the two parts."""
        return (Part("records", "Releases", Page), self.findings_part())

    def fetch(self) -> None:
        """Ask for the records."""
        if shop := self.companion.workshop:
            self.companion.begin(
                "records", "Reading the records", lambda w: (shop.desk(w).records, shop.history_problem()), self._came,
                owner=self,
            )  # fmt: skip

    def _came(self, found: tuple[list[ReleaseRecord], str]) -> None:
        records, self._problem = found
        page = self.made("records")
        if isinstance(page, Page):
            page.show(partial(records_shown, records))

    def step_release(self) -> None:
        """Ask once more, then record."""
        shop, status = self.companion.workshop, self.companion.status
        if shop is None or status is None:
            return
        if recorded := status.step("out").details.get("version"):
            self.companion.say(f"{visible(recorded)} is recorded already. Nothing is left to do.")
            return
        open_steps = [step.title for step in status.steps[:-1] if not step.state.settled]
        if open_steps:
            self.companion.say(f"Not yet: {', '.join(open_steps)} must be proven first.", wrong=True)
            return

        def answered(yes: bool | None) -> None:
            if yes:
                self.companion.work("Recording the release", shop.release, told=_released)

        name = f"{status.title} {status.version}".strip()
        text = before_release(status.unkept, self._problem)
        self.companion.push_screen(Confirm(f"Record {name} as released?", text, "Record it"), answered)

    def step_upload(self) -> None:
        """Ask for the downloaded file and compare."""
        shop = self.companion.workshop
        if shop is None:
            return

        def answered(path: str | None) -> None:
            if file := place_of(path or ""):
                self.companion.work(
                    "Checking the upload", lambda watch: _verify(shop, file, watch), told=_uploaded, wrong=bool
                )

        self.companion.push_screen(
            Ask(
                "Check the upload",
                "Download your own upload from where players get it. Where does that file lie?",
                done="Check it",
                needed="Write the path of the downloaded file.",
                hint="a path, such as ~/Downloads/….zip",
            ),
            answered,
        )


def _verify(shop: Workshop, file: Path, watch: Watch) -> Any:
    return shop.upload(file, watch)


def _uploaded(findings: tuple[Finding, ...] | None) -> str:
    if not findings:
        return "The downloaded copy is the release, byte for byte."
    first = findings[0]
    return f"The copy is not what was released. {first.rule}: {first.measured}. {first.mend}"


def _released(record: Any) -> str:
    kept = f"; snapshot {record.snapshot} keeps it" if record.snapshot else ""
    return f"{visible(record.version)} is recorded as released{kept}."
