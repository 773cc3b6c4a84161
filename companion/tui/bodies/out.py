"""Out: recording the release, what was released before, a downloaded copy held against the record, and what players
report.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.content import Content

from companion.core.errors import CompanionError
from companion.core.pasted import place_of
from companion.core.text import visible
from companion.core.units import decimal_bytes
from companion.steps.deeds.reports import Edit
from companion.steps.model import StepStatus
from companion.trials.reports import Known, first_words
from companion.tui.parts.body import FOUND, Body, BodyPart, StepKey
from companion.tui.parts.content import Piece, age, content, labelled
from companion.tui.parts.dialogs import Ask, Confirm
from companion.tui.parts.form import Form
from companion.tui.parts.jobs import WRITE
from companion.tui.parts.page import Page
from companion.tui.parts.reports import FIELDS, WRONG_FIELD, AnswerReport, ReportsView, taken_line
from companion.workshop import now

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.steps.account.due import Unkept
    from companion.steps.deeds.reports import ReportView, Taken
    from companion.steps.deeds.upload import CheckedUpload
    from companion.trials.reports import ChangeKind


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
    """The releases, players' reports, and the findings."""

    PARTS: ClassVar = (
        BodyPart("records", "Releases", Page),
        BodyPart("reports", "Reports", ReportsView),
        BodyPart("report", "New report", lambda: Form(FIELDS, {}, done="Take it in", every=True)),
        FOUND,
    )
    KEYS: ClassVar = (
        StepKey("o", "release", "Record release", "record the release"),
        StepKey("u", "upload", "Check upload", "check a downloaded copy"),
        StepKey("i", "take_in", "Take in", "take in what a player wrote"),
        StepKey("w", "answer", "Answer", "say what became of the report under the cursor"),
        StepKey("e", "about", "About", "note what the report under the cursor is about"),
        StepKey("x", "close", "Close it", "close the report under the cursor without a line in the changelog"),
    )
    NEXT: ClassVar = "o"
    MENDS: ClassVar = {"upload-differs": "u"}
    _problem = ""
    _reports: tuple[ReportView, ...] | None = None

    @classmethod
    def next_thing(cls, step: StepStatus, before: StepStatus | None = None) -> tuple[str, str]:
        """Return the next thing; what is released and still has findings waits for its upload to be checked."""
        if step.state.settled and step.findings:
            return "u", "Download your own upload and hold it against the checksum."
        return super().next_thing(step, before)

    def offers(self, action: str) -> bool:
        """Offer what is done with a report only where one is under the cursor."""
        if action in ("answer", "about", "close"):
            return self.part == "reports" and self._report() is not None and self.shop.writable
        if action == "take_in":
            return self.shop.writable
        return super().offers(action)

    def _report(self) -> ReportView | None:
        view = self.made.get("reports")
        return view.current if isinstance(view, ReportsView) and view.is_mounted else None

    def fetch(self) -> None:
        """Ask for the records and the reports."""
        shop = self.shop
        self.ask(
            "Reading the records",
            lambda watch: (shop.releases(watch), shop.history_problem(), shop.report_views(watch)),
            self._show,
        )

    def _show(self, found: tuple[list[ReleaseRecord], str, tuple[ReportView, ...]]) -> None:
        records, self._problem, self._reports = found
        self.show_page("records", partial(releases_content, records))
        self.part_opened()

    def part_opened(self) -> None:
        """Fill the reports, if they are open."""
        view = self.made.get("reports")
        if isinstance(view, ReportsView) and self._reports is not None and self.part == "reports":
            view.show(self._reports)
            self.companion.refresh_bindings()

    async def step_take_in(self) -> None:
        """Go to the form."""
        await self.go("report")
        self.enter()

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop, form, values = self.shop, event.form, event.values
        words = values.pop("words")
        known = Known(at=now(), **{**values, "about": tuple(values["about"])})
        form.show_problems({})

        def refused(error: CompanionError) -> None:
            known_field = {known.version: "version", **dict.fromkeys(known.about, "about"), "": "words"}
            key = WRONG_FIELD.get(error.where) or known_field.get(error.where, "words")
            form.show_problems({key: error.line})
            form.boxes[key].box.focus()

        async def taken(_: Taken) -> None:
            for box in form.boxes.values():
                box.put("")
            await self.go("reports")
            self.enter()

        self.companion.work(
            "Taking in the report", lambda watch: shop.add_report(words, known, watch), taken_line,
            taken, failed=refused, group=WRITE,
        )  # fmt: skip

    def step_answer(self) -> None:
        """Ask what became of it, and keep that."""
        if not (view := self._report()):
            return
        shop, report = self.shop, view.report

        def keep(answer: tuple[str, ChangeKind]) -> None:
            words, kind = answer
            self.companion.write(
                "Answering the report",
                lambda watch: shop.answer_report(report.id, words, kind, watch),
                "Answered: the next draft of the changelog says so.",
            )

        text = f"{first_words(report)}\n\nWhat became of it? One line, as the changelog of this version will have it."
        self.companion.push_screen(AnswerReport("Answer the report", text, "Keep it", keep))

    def step_about(self) -> None:
        """Ask what it is about, and note that."""
        if not (view := self._report()):
            return
        shop, report = self.shop, view.report
        before = report.known.about

        def keep(words: str) -> None:
            now_about = tuple(part.strip() for part in words.split(",") if part.strip())
            change = Edit(
                about=tuple(one for one in now_about if one not in before),
                not_about=tuple(one for one in before if one not in now_about),
            )
            if change.about or change.not_about:
                self.companion.write(
                    "Noting what it is about", lambda watch: shop.edit_report(report.id, change, watch), "Noted."
                )

        text = "Files, controls or rules, with commas between."
        question = Ask("What is it about?", text, "Keep it", keep, needed="", preset=", ".join(before))
        self.companion.push_screen(question)

    def step_close(self) -> None:
        """Ask why, and close it."""
        if not (view := self._report()):
            return
        shop, report = self.shop, view.report

        def keep(why: str) -> None:
            self.companion.write(
                "Closing the report", lambda watch: shop.close_report(report.id, why, watch), "Closed."
            )

        text = f"{first_words(report)}\n\nWhy is nothing of it to stand in the changelog?"
        self.companion.push_screen(
            Ask("Close the report", text, "Close it", keep, needed="A report is closed for a reason.")
        )

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
