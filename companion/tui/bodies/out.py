"""Out: recording the release, what was released before, and holding a downloaded copy against the record."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar

from textual.content import Content

from companion.core.pasted import place_of
from companion.core.text import visible
from companion.core.units import decimal_bytes
from companion.steps.model import StepStatus
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import Piece, age, content, labelled
from companion.tui.parts.dialogs import Ask, Confirm
from companion.tui.parts.page import Page

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.steps.account.due import Unkept
    from companion.steps.deeds.upload import CheckedUpload


OWN_SNAPSHOT = "A release takes its own snapshot, whatever is kept already, and gives it the version's name."


def before_release(unkept: Unkept | None, problem: str) -> str:
    """Return what recording a release keeps. problem: why no snapshots can be kept, or nothing."""
    if problem:
        return f"No snapshot can be taken: {problem}. Archive, checksum and file list are kept as the record."
    left = f" Not kept so far: {unkept.text}." if unkept and unkept.snapshot and unkept.text else ""
    return f"{OWN_SNAPSHOT}{left} Archive, checksum and file list are kept as the record."


def releases_content(records: list[ReleaseRecord], width: int = 0) -> Content:
    """Return the releases, newest first."""
    if not records:
        return content("Nothing has been released from this folder yet.\n\n", (OWN_SNAPSHOT, "$foreground-muted"))
    pieces: list[Piece] = []
    for record in reversed(records):
        last = record.last_upload
        checked = f"a copy checked {age(last.at)} is identical" if last else "no downloaded copy checked yet"
        if last and not record.verified:
            checked = f"a copy checked {age(last.at)} is not this archive"
        pieces += [
            (visible(record.version), "bold"), f"  {age(record.at)}\n",
            labelled("Archive", visible(record.archive), width),
            labelled("Size", decimal_bytes(record.size), width),
            labelled("SHA-256", record.sha256, width),
            labelled("Upload", checked, width), "\n",
        ]  # fmt: skip
    return content(*pieces)


class OutBody(Body):
    """The releases, and the findings."""

    PARTS: ClassVar = (BodyPart("records", "Releases", Page), FOUND)
    KEYS: ClassVar = (
        StepKey("o", "release", "Record release", "record the release"),
        StepKey("u", "upload", "Check upload", "check a downloaded copy"),
    )
    NEXT: ClassVar = "o"
    _problem = ""

    @classmethod
    def next_thing(cls, step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
        """Return the next thing; what is released and still has findings waits for its upload to be checked."""
        if step.state.settled and step.findings:
            return "u", "Download your own upload and hold it against the checksum."
        return super().next_thing(step, before)

    def fetch(self) -> None:
        """Ask for the records."""
        shop = self.shop
        self.ask("Reading the records", lambda watch: (shop.releases(watch), shop.history_problem()), self._show)

    def _show(self, found: tuple[list[ReleaseRecord], str]) -> None:
        records, self._problem = found
        self.show_page("records", partial(releases_content, records))

    def step_release(self) -> None:
        """Ask once more, then record."""
        companion, shop, status, step = self.companion, self.shop, self.companion.status, self.step
        if status is None or step is None:
            return
        if recorded := step.details.get("version"):
            companion.show_notice(f"{visible(recorded)} is recorded already. Nothing is left to do.")
            return
        if left := [other.title for other in status.steps if other.id != step.id and not other.state.settled]:
            companion.show_notice(f"Not yet: {', '.join(left)} must be proven first.", wrong=True)
            return
        name = f"{status.title} {status.version}".strip()
        text = before_release(status.unkept, self._problem)

        record = partial(companion.work, "Recording the release", shop.release, _release_summary)
        companion.push_screen(Confirm(f"Record {name} as released?", text, "Record it", lambda _: record()))

    def step_upload(self) -> None:
        """Ask for the downloaded file and compare."""
        companion, shop = self.companion, self.shop

        def compare(path: str) -> None:
            if file := place_of(path):
                companion.work("Checking the upload", partial(shop.upload, file), _upload_summary, wrong=_differs)

        text = "Download your own upload from where players get it. Where is that file?"
        hint, needed = "a path, such as ~/Downloads/….zip", "Write the path of the downloaded file."
        companion.push_screen(Ask("Check the upload", text, "Check it", compare, needed=needed, hint=hint))


def _differs(checked: CheckedUpload) -> bool:
    return bool(checked.findings)


def _upload_summary(checked: CheckedUpload) -> str:
    if not checked.findings:
        return f"The downloaded copy is {visible(checked.archive)}, byte for byte."
    first = checked.findings[0]
    return f"The copy is not what was released. {first.rule}: {first.measured}. {first.mend}"


def _release_summary(record: ReleaseRecord) -> str:
    kept = f"; snapshot {record.snapshot} keeps it" if record.snapshot else ""
    return f"{visible(record.version)} is recorded as released{kept}."
