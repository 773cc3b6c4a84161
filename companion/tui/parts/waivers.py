"""Letting findings pass with a reason, and taking that back."""

from __future__ import annotations

from companion.core.findings import Finding
from companion.core.text import plural, visible
from companion.steps.deeds.waiving import coverable
from companion.steps.states import NEVER_WAIVED, place_of
from companion.tui.parts.companion import Companion
from companion.tui.parts.dialogs import Ask, Confirm, ask, confirm
from companion.tui.parts.groups import RuleGroup

NEEDED = "A waiver needs a reason."


def ask_waiver(companion: Companion, finding: Finding) -> None:
    """Ask for a reason; what can never be waived is refused before anyone thinks one up."""
    shop, rule = companion.shop, finding.rule
    place = visible(place_of(finding) or finding.path) or "the whole"
    if _refused(companion, rule):
        return
    if finding.unknown and finding.waived:
        companion.show_notice(f"Nothing to take back: {finding.waived}.", wrong=True)
    elif finding.waived:
        confirm(
            companion,
            Confirm(f"{rule}, {place}", f"Waived: {finding.waived}", "Take it back"),
            lambda: companion.write(
                "Taking the waiver back",
                lambda _: shop.unwaive(rule, finding.path, place_of(finding)),
                f"The waiver of {rule}, {place}, is taken back.",
            ),
        )
    else:
        text = "Why is a player no worse off for it? The reason is kept, and the waiver lapses when the file changes."
        ask(
            companion,
            Ask(f"Waive {rule}, {place}", text, done="Waive", needed=NEEDED),
            lambda reason: companion.write(
                "Waiving",
                lambda _: shop.waive(rule, finding.path, reason, place_of(finding)),
                f"Waived {rule}, {place}.",
            ),
        )


def ask_group_waiver(companion: Companion, group: RuleGroup) -> None:
    """Ask for one reason for all that a rule found in files; what was waived is taken back one by one."""
    shop, rule, count = companion.shop, group.first.rule, len(coverable(group.findings))
    if _refused(companion, rule):
        return
    if group.first.waived or group.first.unknown or not count:
        companion.show_notice("Move to one finding below the rule first.", wrong=True)
        return
    number = plural(count, "finding")
    ask(
        companion,
        Ask(
            f"Waive {rule}, {number}",
            "Why is a player no worse off for any of them? The reason is kept; "
            "the waiver lapses for each file that changes.",
            done="Waive all",
            needed=NEEDED,
        ),
        lambda reason: companion.write(
            "Waiving", lambda _: shop.waive_all(rule, reason, group.first.severity), f"Waived {rule}, {number}."
        ),
    )


def _refused(companion: Companion, rule: str) -> bool:
    if rule in NEVER_WAIVED:
        companion.show_notice(f"“{rule}” cannot be waived: no reason makes it fit to publish. Mend it.", wrong=True)
    return rule in NEVER_WAIVED
