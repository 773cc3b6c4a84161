"""The part of a workshop that lets findings pass, each with a reason: one of them, or all that a rule found."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import msgspec

from companion.core.describe import as_told, places_of
from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding, Severity
from companion.steps.checks.idle import waiver_idle
from companion.steps.deeds import facts_file
from companion.steps.deeds.folder import OpenFolder
from companion.steps.waivers import NEVER_WAIVED, Grounds, coverable, means, waiver_of

if TYPE_CHECKING:
    from companion.steps.desk import Desk

EVERY: Final = "**"
"""The path of a group's waiver: whatever its list of contents names."""


class Waiving(OpenFolder):
    """Waivers of one folder. A workshop is one of these; every method may raise :class:`CompanionError`."""

    def waive(self, rule: str, path: str, reason: str, where: str = "") -> None:
        """Let what a rule finds in a place pass, with a reason, for as long as it stays what it is.

        where: the place in the file; a finding on the facts needs it, since each fact is waived by its key. Raises
        :class:`CompanionError` where nothing is found there: a waiver covers what it was given for and no more.
        """
        step, where = _step_of(rule, reason, path), as_told(where)
        if path == FACTS_FILE and not where:
            raise CompanionError("Each fact is waived by its key", rule, "name it: --where instrument.contact")
        desk = self.desk()
        here = _found(desk, step, rule, path)
        found = [one for one in here if where in ("", *places_of(one)) and not one.settled]
        if not found:
            raise CompanionError(
                f"“{rule}” finds nothing there now", path or where, f"see what it finds: companion check FOLDER {step}"
            )
        version = self.facts.instrument.version
        waiver = waiver_of(found, desk.grounds(step), where, reason.strip(), version)
        gone = [known.where for known in self.facts.waivers if _replaces(waiver, known, here, found)]
        self._edit(lambda text: facts_file.with_waiver(_without(text, rule, path, gone), waiver))

    def waive_all(self, rule: str, reason: str, severity: Severity | None = None) -> int:
        """Let all that a rule found in files pass with one reason, and return how many findings that are.

        severity: only those that weigh so, for rules that block or warn as the case may be. Each is let pass for as
        long as its own file stays what it is, as if it had been waived by itself.
        """
        step = _step_of(rule, reason)
        desk = self.desk()
        found = [one for one in _found(desk, step, rule) if severity in (None, one.severity)]
        version = self.facts.instrument.version
        waiver = group_waiver(rule, found, desk.grounds(step), reason.strip(), self.facts.waivers, version)
        self._edit(lambda text: facts_file.with_waiver(text, waiver))
        return len(coverable(found))

    def renew(self, rule: str, path: str = "", where: str = "") -> str:
        """Give a lapsed waiver again, for what is found now, and return its reason.

        A file that was let pass in a group is let pass by itself. Raises where there is no waiver of that place.
        """
        where = as_told(where)
        asked = [Finding(rule=rule, severity=Severity.NOTES, path=path, where=where), *self._there(rule, path, where)]
        held = [known for known in self.facts.waivers if known.rule == rule and any(means(known, one) for one in asked)]
        if not held:
            raise CompanionError(f"There is no waiver for {rule}", path, "give one, with its reason")
        given = held[-1]
        self.waive(rule, path, given.reason, where if given.contents else given.where)
        return given.reason

    def unwaive(self, rule: str, path: str, where: str = "") -> None:
        """Take a waiver back; a file that was waived in a group is taken out of it."""
        left: Waiver | None = None
        given = self._given_at(rule, path, as_told(where))
        if not given and path not in ("", FACTS_FILE):
            from companion.steps.catalogue import RULE_BY_ID

            desk, known = self.desk(), RULE_BY_ID.get(rule)
            left = without_one(
                self.facts.waivers, rule, desk.contents.get(path, desk.mark(known.step) if known else "")
            )
        if left is None:
            self._edit(lambda text: _without(text, rule, path, given or (where,)))
        elif left.contents:
            self._edit(lambda text: facts_file.with_waiver(text, left))
        else:
            self._edit(lambda text: facts_file.without_waiver(text, rule, left.path, left.where))

    def _there(self, rule: str, path: str, where: str) -> tuple[Finding, ...]:
        """Return what a rule finds now at a place, however that is told."""
        from companion.steps.catalogue import RULE_BY_ID

        known = RULE_BY_ID.get(rule)
        found = _found(self.desk(), known.step, rule, path) if known and where else ()
        return tuple(one for one in found if where in places_of(one))

    def _given_at(self, rule: str, path: str, where: str) -> tuple[str, ...]:
        """Return the places, as the facts tell them, of the waivers given for a place; empty where there is none."""
        places = {known.where for known in self.facts.waivers if (known.rule, known.path) == (rule, path)}
        if where in places:
            return (where,)
        if path != FACTS_FILE and any(places):
            told = {place for one in self._there(rule, path, where) for place in places_of(one)}
            if alike := places & told:
                return tuple(alike)
        return ("",) if path != FACTS_FILE and "" in places else ()  # of all that the rule found in that file


def _without(text: str, rule: str, path: str, places: Iterable[str]) -> str:
    for where in places:
        text = facts_file.without_waiver(text, rule, path, where)
    return text


def _replaces(waiver: Waiver, known: Waiver, here: Sequence[Finding], found: Sequence[Finding]) -> bool:
    """Tell whether a waiver takes the place of one that names the same place otherwise, and nothing beside it."""
    if not waiver.where or (known.rule, known.path) != (waiver.rule, waiver.path):
        return False
    if known.where in ("", waiver.where):
        return False
    meant = [one for one in here if means(known, one)]
    return bool(meant) and all(one in found for one in meant)


def _step_of(rule: str, reason: str, path: str = "") -> str:
    """Return the step of a rule. Raises where there is no such rule, it can never be waived, or no reason is given."""
    from companion.steps.catalogue import RULE_BY_ID

    known = RULE_BY_ID.get(rule)
    if known is None:
        raise CompanionError(f"There is no rule “{rule}”", "", "see: companion explain")
    if rule == waiver_idle.id:
        raise CompanionError(f"“{rule}” cannot be waived", path, "take back the waiver it tells of, with --back")
    if rule in NEVER_WAIVED:
        asked = rule == "stray-unasked"
        advice = "answer it instead: ship or stay" if asked else "no reason makes it fit to publish: mend it"
        raise CompanionError(f"“{rule}” cannot be waived", path, advice)
    if not reason.strip():
        raise CompanionError("A waiver needs a reason", rule, "say why a player is no worse off for it")
    return known.step


def _found(desk: Desk, step: str, rule: str, path: str | None = None) -> tuple[Finding, ...]:
    """Return what a rule finds now, in one path if that is named."""
    from companion.steps.status import status_of

    found = status_of(desk).step(step).findings
    return tuple(one for one in found if one.rule == rule and path in (None, one.path))


def group_waiver(
    rule: str,
    findings: Iterable[Finding],
    grounds: Grounds,
    reason: str,
    standing: Sequence[Waiver],
    version: str = "",
) -> Waiver:
    """Return one waiver for every file ``rule`` found something in, and for those such a waiver covers already.

    Raises :class:`CompanionError` where there is none to cover: what was found of the whole, or of the facts, is judged
    singly.
    """
    found = [one for one in coverable(findings) if one.rule == rule and grounds.behind(one)]
    if not found:
        raise CompanionError(
            f"“{rule}” has no open finding in a file", "", "run the check again, or waive it by its path"
        )
    one = waiver_of(found, grounds, "", reason, version)
    marks, covers = {Waiver.mark(grounds.behind(each)) for each in found}, set(one.covers)
    for known in standing:
        if (known.rule, known.path, known.where) == (rule, EVERY, ""):
            marks |= set(known.contents)
            covers |= set(known.covers)
    return msgspec.structs.replace(
        one, path=EVERY, content="", contents=tuple(sorted(marks)), covers=tuple(sorted(covers))
    )


def without_one(waivers: Sequence[Waiver], rule: str, content: str) -> Waiver | None:
    """Return the group's waiver that covers a file of this content, with that file left out; None where none does."""
    mark = Waiver.mark(content)
    for known in waivers:
        if known.rule == rule and content and mark in known.contents:
            return msgspec.structs.replace(known, contents=tuple(one for one in known.contents if one != mark))
    return None
