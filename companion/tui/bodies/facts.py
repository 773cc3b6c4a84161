"""Facts: the form of ``release.toml`` page by page, or the first questions where there is none yet."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

from textual import on
from textual.containers import VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from companion.core.errors import CompanionError
from companion.core.findings import Finding
from companion.core.text import visible
from companion.tui.fields import BY_KEY, PAGES, Field, shown, value_of
from companion.tui.form import FieldBox, Form
from companion.tui.parts import Body, Part
from companion.tui.shown import said


def by_field(findings: tuple[Finding, ...]) -> dict[str, str]:
    """Return what is wrong with each field, by key; a finding on ``controls.Tone.rest`` belongs to ``controls``."""
    told: dict[str, str] = {}
    for finding in findings:
        key = finding.where
        while key and key not in BY_KEY:
            key = key.rpartition(".")[0]
        if key and not finding.waived:
            limit = f"; wanted: {finding.limit}" if finding.limit else ""
            told.setdefault(key, f"{finding.rule}: {finding.measured}{limit}")
    return told


class FactsBody(Body):
    """The form. What was written and not kept stays when another step is opened."""

    def parts(self) -> tuple[Part, ...]:
        """Return the pages of the form and the findings."""
        pages = tuple(Part(page, title, partial(self._form, fields)) for page, title, fields in PAGES)
        return (*pages, self.findings_part())

    def _form(self, fields: tuple[Field, ...]) -> Widget:
        shop = self.companion.workshop
        if shop is None:
            return VerticalScroll()
        texts = {field.key: shown(field, value_of(shop.facts, field.key)) for field in fields}
        return Form(fields, texts)

    @property
    def forms(self) -> list[Form]:
        """The pages looked at so far."""
        return [widget for widget in self._made.values() if isinstance(widget, Form)]

    @property
    def unsaved(self) -> bool:
        """Whether something written is not kept yet."""
        return any(form.unsaved for form in self.forms)

    def fetch(self) -> None:
        """Show the facts as they are kept now, and what is wrong beside each field."""
        shop = self.companion.workshop
        if shop is None or self.step is None:
            return
        told = by_field(self.step.findings)
        for form in self.forms:
            form.put({key: shown(box.field, value_of(shop.facts, key)) for key, box in form.boxes.items()})
            form.tell(told)

    def went(self) -> None:
        """Mark the fields of a page just made."""
        form = self.made(self.part)
        if isinstance(form, Form) and self.step:
            form.tell(by_field(self.step.findings))

    def enter(self) -> None:
        """Go to the first field that lacks something, else to the first."""
        form = self.made(self.part)
        if isinstance(form, Form):
            boxes = list(form.boxes.values())
            wanted = next((box for box in boxes if box.has_class("-wrong")), boxes[0])
            wanted.box.focus()
        else:
            super().enter()

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop, form = self.companion.workshop, event.form
        if shop is None:
            return
        if not event.values:
            self.companion.say("Nothing was changed.")
            return
        values: Mapping[str, Any] = event.values
        texts = {key: form.boxes[key].text for key in values}
        names = ", ".join(BY_KEY[key].label.lower() for key in values)

        def refused(error: CompanionError) -> None:
            for key, box in form.boxes.items():
                if f"“{key}" in error.what:
                    box.wrong(error.line)
                    box.box.focus()

        self.companion.write(
            "Keeping the facts",
            lambda _: shop.save_facts(values),
            f"Kept: {visible(names)}.",
            then=lambda _: form.kept(texts),
            failed=refused,
        )


class StartBody(Body):
    """The first look at a folder without facts: what was seen, and what has to be asked."""

    def parts(self) -> tuple[Part, ...]:
        """Return the one page."""
        return (Part("start", "Start", lambda: VerticalScroll(Static(said("Looking at the folder …")))),)

    @property
    def unsaved(self) -> bool:
        """Whether an answer was written that is not kept yet."""
        return any(form.unsaved for form in self.query(Form))

    def fetch(self) -> None:
        """Ask for the proposal, once: what has been written since is not thrown away."""
        shop = self.companion.workshop
        if shop is not None and not self.query(Form):
            self.companion.begin("start", "Looking at the folder", shop.propose, self._proposed, owner=self)

    async def _proposed(self, proposal: Any) -> None:
        fields = []
        for key, question in (("instrument.title", "What is the instrument called?"), *proposal.asks):
            known = BY_KEY.get(key) or Field(key=key, label=key)
            fields.append(Field(key=key, label=question, shape=known.shape, choices=known.choices, rows=2))
        texts = {field.key: shown(field, value_of(proposal.facts, field.key)) for field in fields}
        seen = [said(f"  {line}\n") for line in proposal.seen]
        intro = Static(
            said(
                "There is no release.toml here yet. This was seen:\n", *seen,
                "\nThe rest only you know. Leave open what you do not know yet.",
            ),
            classes="intro",
        )  # fmt: skip
        form = Form(fields, texts, done="Write release.toml", every=True, intro=intro)
        form.add_class("part")
        self._made["start"].remove()
        self._made["start"] = form
        await self.mount(form)
        self.enter()
        form.call_after_refresh(form.scroll_home, animate=False)  # what was seen stands above the first question

    def enter(self) -> None:
        """Go to the first question."""
        if boxes := self.query(FieldBox):
            boxes.first().box.focus()

    def leave_field(self) -> None:
        """Esc out of a question: back to the checklist."""
        self.companion.focus_checklist()

    @on(Form.Kept)
    def _kept(self, event: Form.Kept) -> None:
        event.stop()
        shop = self.companion.workshop
        if shop is None:
            return
        answers = {key: value for key, value in event.values.items() if value not in ("", [], None)}

        async def written(_: Any) -> None:
            await self.companion.facts_written()

        self.companion.write(
            "Writing release.toml", lambda watch: shop.start(answers, watch), "release.toml is written.", then=written
        )
