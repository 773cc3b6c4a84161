"""Players' reports: the list, the one under the cursor in full, and what is asked to answer one."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, ClassVar, Final, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import OptionList, Static

from companion.core.text import plural, visible, visible_lines
from companion.trials.reports import KINDS, MOST_ANSWER, first_words
from companion.tui.parts.choice import Choice
from companion.tui.parts.content import Piece, content, finding_line, labelled
from companion.tui.parts.dialogs import Dialog
from companion.tui.parts.fields import Field
from companion.tui.parts.form import LineInput
from companion.tui.parts.listing import ListingBesideDetail
from companion.tui.parts.page import Detail

if TYPE_CHECKING:
    from companion.steps.deeds.reports import ReportView, Taken
    from companion.trials.reports import ChangeKind, Report

FIELDS: Final = (
    Field("words", "What the player wrote", "paste it as it is: heads, addresses and signatures are left out", "long"),
    Field("version", "Release the player has", "such as 1.0; empty: not said"),
    Field("system", "System", "such as Windows 11"),
    Field("engine", "Version of the engine", "as the player wrote it"),
    Field("about", "What it is about", "files, controls or rules, with commas between", "words"),
    Field("name", "Whom to thank", "a first name, only where the player agreed; else nobody is named"),
)
WRONG_FIELD: Final = {"who": "name"}
_MARK: Final = {"open": ("·", "$warning"), "answered": ("✓", "$success"), "closed": ("–", "$foreground-muted")}
_NONE: Final = "No player has reported anything yet. Press i to take in what one wrote."
_MOST_FINDINGS: Final = 4


def report_row(report: Report) -> Content:
    """Return a report on one line: what became of it, and how it begins."""
    known = report.known
    if report.problem:
        return content(("✗ ", "bold $error"), visible(report.id), ("  does not read", "bold $error"))
    mark, style = _MARK[known.state]
    became = f"answered in {visible(known.answered_in)}" if known.state == "answered" else known.state
    return content((f"{mark} ", style), first_words(report) or visible(report.id), (f"  {became}", style))


def report_content(view: ReportView, width: int) -> Content:
    """Return a report in full: who has what, its words, what became of it, and how what it is about stands."""
    report, known = view.report, view.report.known
    has = ", ".join(filter(None, (known.version and f"version {known.version}", known.system, known.engine)))
    pieces: list[Piece] = [
        labelled("Problem", report.problem, width),
        labelled("Answer", known.answer and f"{known.answer} ({known.kind}, in {known.answered_in})", width),
        labelled("Closed", known.why if known.state == "closed" else "", width),
        labelled("Player", visible(", ".join(filter(None, (has, known.name and f"thanks to {known.name}")))), width),
        f"{visible_lines(report.text).strip()}\n",
    ]
    for one in view.subjects:
        pieces.append(labelled("About", f"{visible(one.what)}{f': {one.now}' if one.now else ''}", width))
        pieces += [content(finding_line(found, width), "\n") for found in one.findings[:_MOST_FINDINGS]]
        if not one.findings:
            pieces.append(("  nothing is found on it now\n", "$foreground-muted"))
    pieces.append((visible(report.id), "$foreground-muted"))
    return content(*pieces)


def taken_line(taken: Taken) -> str:
    """Return in a sentence what was taken in, and what it may be about."""
    left = f" Left out: {', '.join(taken.left_out)}." if taken.left_out else ""
    likely = f" It seems to be about {visible(', '.join(taken.likely[:4]))}: e notes that." if taken.likely else ""
    return f"Taken in as {visible(taken.report.id)}.{left}{likely}"


class ReportsView(Vertical):
    """The list of reports, and the one under the cursor."""

    DEFAULT_CSS = """
    ReportsView { height: 1fr; }
    ReportsView .count { height: auto; }
    ReportsView OptionList { height: 1fr; min-height: 3; }
    ReportsView Detail { max-height: 65%; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.views: tuple[ReportView, ...] = ()

    def compose(self) -> ComposeResult:
        """Lay it out."""
        yield Static(content("Reading the reports …"), classes="count")
        yield ListingBesideDetail(markup=False)
        yield Detail("")

    def show(self, views: tuple[ReportView, ...]) -> None:
        """Show the reports; the cursor stays on the one it is on."""
        listing, before = self.query_one(OptionList), self.current
        self.views = views
        listing.set_options(report_row(view.report) for view in views)
        ids = [view.report.id for view in views]
        if views:
            listing.highlighted = ids.index(before.report.id) if before and before.report.id in ids else 0
        still = sum(view.report.known.state == "open" or bool(view.report.problem) for view in views)
        told = f"{plural(len(views), 'report')}, {still:,} open" if views else _NONE
        self.query_one(".count", Static).update(content((told, "bold") if views else told))
        self.show_current()

    @property
    def current(self) -> ReportView | None:
        """The report under the cursor."""
        place = self.query_one(OptionList).highlighted
        return self.views[place] if place is not None and place < len(self.views) else None

    def show_current(self) -> None:
        """Show the report under the cursor."""
        view = self.current
        self.query_one(Detail).show(partial(report_content, view) if view else lambda _: Content(""))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Show the report the cursor is on."""
        event.stop()
        self.show_current()


class AnswerReport(Dialog[tuple[str, "ChangeKind"]]):
    """Ask what became of a report, and which kind of change that is."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "back", "Back", priority=True)]
    KEYS_LINE = "Enter keeps it, Esc goes back"
    AUTO_FOCUS = "LineInput"

    def questions(self) -> ComposeResult:
        """Lay out the line, the kinds of change, and the line for what is wrong."""
        yield LineInput(placeholder="such as: Clicks at E3 are gone.", max_length=MOST_ANSWER)
        yield Static(content(("Which kind of change it is", "bold")), classes="text")
        yield Choice({kind: kind for kind in KINDS}, KINDS[0])
        yield Static("", markup=False, classes="wrong")

    def action_done(self) -> None:
        """Hand over the answer."""
        words = self.query_one(LineInput).value.strip()
        if words:
            self.answer((words, cast("ChangeKind", self.query_one(Choice).value)))
        else:
            self.query_one(".wrong", Static).update(content("Say what became of it, as the changelog will."))
            self.query_one(LineInput).focus()
