"""Letting findings pass with a reason, and taking that back."""

from collections.abc import Callable
from functools import partial

from companion.core.describe import rule_words
from companion.core.findings import Finding
from companion.core.text import plural, visible
from companion.steps.checks.idle import waiver_idle
from companion.steps.waivers import NEVER_WAIVED, coverable, exact_place_of, place_of
from companion.tui.parts.companion import Companion
from companion.tui.parts.dialogs import Ask, Confirm
from companion.tui.parts.groups import RuleGroup


def _named(rule: str, place: str) -> str:
    """Return a rule as words, and the place that is meant where it is not all there is."""
    return f"“{rule_words(rule)}”, {visible(place)}" if place else f"“{rule_words(rule)}”"


def ask_waiver(companion: Companion, finding: Finding) -> None:
    """Ask for a reason; what can never be waived is refused before anyone thinks one up."""
    shop, rule = companion.shop, finding.rule
    what = _named(rule, place_of(finding) or finding.path)
    if rule == waiver_idle.id:
        ask_to_drop(companion, finding)
    elif _refused(companion, rule):
        return
    elif finding.unknown and finding.waived:
        companion.show_notice(f"Nothing to take back: {finding.waived}.", wrong=True)
    elif finding.waived:

        def take_back(_: None) -> None:
            companion.write(
                "Taking the waiver back",
                lambda _: shop.unwaive(rule, finding.path, exact_place_of(finding)),
                f"{what}: the waiver is taken back.",
            )

        companion.push_screen(Confirm(what, f"Waived: {finding.waived}", "Take it back", take_back))
    else:
        text = "Why is a player no worse off for it? It lapses when what it rests on changes."
        waive = partial(shop.waive, rule, finding.path, where=place_of(finding))
        _ask_reason(companion, what, text, "Waive", waive)


def ask_to_drop(companion: Companion, finding: Finding) -> None:
    """Ask whether to take back a waiver that lets nothing pass any more."""
    what = _named(finding.where, finding.at.fact or finding.path)

    def drop(_: None) -> None:
        companion.write(
            "Taking the waiver back",
            lambda _: companion.shop.unwaive(finding.where, finding.path, finding.at.fact),
            f"{what}: the waiver is taken back.",
        )

    companion.push_screen(Confirm(what, f"Waived: {finding.measured}", "Take it back", drop))


def renew_waiver(companion: Companion, finding: Finding) -> None:
    """Give the lapsed waiver of a finding again, with the reason it had."""
    shop, place = companion.shop, place_of(finding)
    companion.write(
        "Waiving",
        lambda _: shop.renew(finding.rule, finding.path, exact_place_of(finding)),
        f"Waived {_named(finding.rule, place or finding.path)} again.",
    )


def ask_group_waiver(companion: Companion, group: RuleGroup) -> None:
    """Ask for one reason for all that a rule found in files; what was waived is taken back one by one."""
    first, count = group.first, len(coverable(group.findings))
    if first.rule == waiver_idle.id:
        companion.show_notice("Move to one of them first: each is taken back by itself.", wrong=True)
        return
    if _refused(companion, first.rule):
        return
    if first.waived or first.unknown or not count:
        companion.show_notice("Move to one finding below the rule first.", wrong=True)
        return
    text = "Why is a player no worse off for any of them? The reason is kept; it lapses for each file that changes."
    waive = partial(companion.shop.waive_all, first.rule, severity=first.severity)
    _ask_reason(companion, f"“{rule_words(first.rule)}”, {plural(count, 'finding')}", text, "Waive all", waive)


def _ask_reason(companion: Companion, what: str, text: str, done: str, waive: Callable[[str], object]) -> None:
    def given(reason: str) -> None:
        companion.write("Waiving", lambda _: waive(reason), f"Waived {what}.")

    companion.push_screen(Ask(f"Waive {what}", text, done, given, needed="A waiver needs a reason."))


def _refused(companion: Companion, rule: str) -> bool:
    if rule in NEVER_WAIVED:
        companion.show_notice(f"“{rule}” cannot be waived: no reason makes it fit to publish. Mend it.", wrong=True)
    return rule in NEVER_WAIVED
