"""Letting findings pass with a reason, and taking that back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from companion.core.findings import Finding
from companion.core.text import plural, visible
from companion.steps.deeds.waiving import coverable
from companion.steps.states import NEVER_WAIVED, place_of
from companion.tui.grouping import Group
from companion.tui.modals import Ask, Confirm

if TYPE_CHECKING:
    from companion.tui.app import CompanionApp


def ask_waiver(app: CompanionApp, finding: Finding) -> None:
    """Ask for a reason; what can never be waived is refused before anyone thinks one up."""
    place = visible(place_of(finding) or finding.path) or "the whole"
    shop = app.workshop
    if shop is None:
        return
    if finding.rule in NEVER_WAIVED:
        app.say(f"“{finding.rule}” cannot be waived: no reason makes it fit to publish. Mend it.", wrong=True)
        return
    if finding.unknown and finding.waived:
        app.say(f"Nothing to take back: {finding.waived}.", wrong=True)
        return

    def keep(reason: str | None) -> None:
        if reason is not None:
            app.write(
                "Waiving",
                lambda _: shop.waive(finding.rule, finding.path, reason, place_of(finding)),
                f"Waived {finding.rule}, {place}.",
            )

    def take_back(yes: bool | None) -> None:
        if yes:
            app.write(
                "Taking the waiver back",
                lambda _: shop.unwaive(finding.rule, finding.path, place_of(finding)),
                f"The waiver of {finding.rule}, {place}, is taken back.",
            )

    if finding.waived:
        app.push_screen(Confirm(f"{finding.rule}, {place}", f"Waived: {finding.waived}", "Take it back"), take_back)
    else:
        app.push_screen(
            Ask(
                f"Waive {finding.rule}, {place}",
                "Why is a player no worse off for it? The reason is kept, and the waiver lapses when the file changes.",
                done="Waive",
                needed="A waiver needs a reason.",
            ),
            keep,
        )


def ask_group_waiver(app: CompanionApp, group: Group) -> None:
    """Ask for one reason for all that a rule found in files; what was waived is taken back one by one."""
    shop, count = app.workshop, len(coverable(group.findings))
    told = plural(count, "finding")
    if shop is None:
        return
    if group.rule in NEVER_WAIVED:
        app.say(f"“{group.rule}” cannot be waived: no reason makes it fit to publish. Mend it.", wrong=True)
        return
    if group.waived or group.unknown or not count:
        app.say("Move to one finding below the rule first.", wrong=True)
        return

    def keep(reason: str | None) -> None:
        if reason is not None:
            app.write(
                "Waiving", lambda _: shop.waive_all(group.rule, reason, group.severity), f"Waived {group.rule}, {told}."
            )

    app.push_screen(
        Ask(
            f"Waive {group.rule}, {told}",
            "Why is a player no worse off for any of them? The reason is kept; "
            "the waiver lapses for each file that changes.",
            done="Waive all",
            needed="A waiver needs a reason.",
        ),
        keep,
    )
