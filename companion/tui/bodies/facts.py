"""Facts: the form of ``release.toml`` page by page, or the first questions where there is none yet."""

from functools import partial
from typing import ClassVar

from textual import on

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.text import visible
from companion.tui.bodies.start import StartForm
from companion.tui.parts.body import FOUND, Body, BodyPart
from companion.tui.parts.choice import PartsBar
from companion.tui.parts.fields import BY_KEY, PAGES, Field, text_of, value_of
from companion.tui.parts.form import FieldBox, Form
from companion.tui.parts.table import TableInput


def field_of(finding: Finding) -> str:
    """Return the key of the field a finding is about, or an empty string where it is about none."""
    key = finding.where
    while key and key not in BY_KEY:
        key = key.rpartition(".")[0]
    return key


def by_field(findings: tuple[Finding, ...]) -> dict[str, str]:
    """Return what is wrong with each field, by key; one on ``controls.Tone.rest`` belongs to ``controls``."""
    problems: dict[str, str] = {}
    for finding in findings:
        key = field_of(finding)
        if key and not finding.waived:
            limit = f"; wanted: {finding.limit}" if finding.limit else ""
            problems.setdefault(key, f"{finding.measured or finding.rule}{limit}")
    return problems


def mild(findings: tuple[Finding, ...]) -> frozenset[str]:
    """Return the keys of the fields in which nothing blocks."""
    blocked = {field_of(finding) for finding in findings if finding.blocks}
    return frozenset(by_field(findings)) - blocked


class FactsBody(Body):
    """The form. What was written and not kept stays when another step is opened."""

    NEXT: ClassVar[str] = "Enter"

    def parts(self) -> tuple[BodyPart, ...]:
        """Return the pages of the form and the findings; the first questions alone where there are no facts."""
        if not self.shop.has_facts:
            return (BodyPart("start", "Start", StartForm),)
        pages = (BodyPart(title.lower(), title, partial(self._form, fields)) for title, fields in PAGES.items())
        return (*pages, FOUND)

    def _form(self, fields: tuple[Field, ...]) -> Form:
        facts = self.shop.facts
        return Form(fields, {field.key: text_of(field, value_of(facts, field.key)) for field in fields})

    @property
    def form(self) -> Form | None:
        """The page that is open, if it is one of the form."""
        widget = self.made.get(self.part)
        return widget if isinstance(widget, Form) else None

    def fetch(self) -> None:
        """Show the facts as they are kept now, and what is wrong beside each field."""
        facts = self.shop.facts
        for form in (widget for widget in self.made.values() if isinstance(widget, Form)):
            form.put({key: text_of(box.field, value_of(facts, key)) for key, box in form.boxes.items()})
            self._mark(form)

    def part_opened(self) -> None:
        """Mark the fields of a page just made."""
        if form := self.form:
            self._mark(form)

    def _mark(self, form: Form) -> None:
        findings = self.step.findings if self.step else ()
        form.show_problems(by_field(findings), mild(findings))

    def enter(self) -> None:
        """Go to the first field of the page that lacks something, else to the first."""
        if form := self.form:
            boxes = list(form.boxes.values())
            next((box for box in boxes if box.has_class("-wrong")), boxes[0]).box.focus()
        else:
            super().enter()

    @on(FieldBox.Edited)
    def _edited(self, event: FieldBox.Edited) -> None:
        """Mark the page in the bar while something on it is not kept yet."""
        event.stop()
        for part, widget in self.made.items():
            if isinstance(widget, Form):
                title = self._parts[part].title
                self.query_one(PartsBar).rename(part, f"{title} ●" if widget.unkept else title)

    async def finding_entered(self, finding: Finding) -> None:
        """Go to the field that a finding is about."""
        key = field_of(finding)
        page = next((title.lower() for title, fields in PAGES.items() if key in {one.key for one in fields}), "")
        if page:
            form = await self.go(page)
            assert isinstance(form, Form)
            form.boxes[key].box.focus()

    def put_in(self, key: str, text: str) -> None:
        """Write a fact into its field on the open page, not kept yet, and go there; what stands written stays."""
        if self.form and (box := self.form.boxes.get(key)):
            if not box.changed:
                box.box.value = text
            box.box.focus()

    @on(TableInput.Wanted)
    def _row_wanted(self, event: TableInput.Wanted) -> None:
        """Ask for a row of a table."""
        from companion.tui.parts.row import RowScreen

        event.stop()
        table, place = event.table, event.place
        item = table.items[place] if place < len(table.items) else None
        self.companion.push_screen(RowScreen(table.shape, item, partial(table.put, place)))

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop, form, values = self.shop, event.form, event.values
        if not values:
            self.companion.show_notice("Nothing was changed.")
            return
        texts = {key: form.boxes[key].box.value for key in values}
        names = ", ".join(BY_KEY[key].label.lower() for key in values)
        left = ", ".join(label.lower() for label in form.unkept if label not in {BY_KEY[key].label for key in values})
        kept = f"Kept: {names}." + (f" Not kept yet: {left}." if left else "")

        def refused(error: CompanionError) -> None:
            for key, box in form.boxes.items():
                if f"“{key}" in error.what:
                    box.wrong(error.line)
                    box.box.focus()

        self.companion.write(
            "Keeping the facts",
            lambda _: shop.save_facts(values),
            visible(kept),
            then=lambda _: form.kept(texts),
            failed=refused,
        )
