"""The part of a workshop that lets findings pass, each with a reason: one of them, or all that a rule found."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, Waiver
from companion.core.findings import Finding, Severity
from companion.steps.deeds import facts_file
from companion.steps.deeds.folder import OpenFolder
from companion.steps.desk import Desk
from companion.steps.states import NEVER_WAIVED

EVERY: Final = "**"
"""The path of a group's waiver: whatever its list of contents names."""


class Waiving(OpenFolder):
    """Waivers of one folder. A workshop is one of these; every method may raise :class:`CompanionError`."""

    def waive(self, rule: str, path: str, reason: str, where: str = "") -> None:
        """Let a finding pass, with a reason, for as long as the file stays what it is.

        where: the place in the file; a finding on the facts needs it, since each fact is waived by its key.
        """
        step = _step_of(rule, reason, path)
        if path == FACTS_FILE and not where:
            raise CompanionError("Each fact is waived by its key", rule, "name it: --where instrument.contact")
        content = ""
        if path and path != FACTS_FILE:
            desk = self.desk()
            if path not in desk.contents and not any(found.path == path for found in _found(desk, step)):
                raise CompanionError("There is no such file in the folder", path, "name it as the finding does")
            content = desk.contents.get(path, desk.mark(step))
        waiver = Waiver(rule=rule, path=path, where=where, reason=reason.strip(), content=content)
        self._edit(lambda text: facts_file.with_waiver(text, waiver))

    def waive_all(self, rule: str, reason: str, severity: Severity | None = None) -> int:
        """Let all that a rule found in files pass with one reason, and return how many findings that are.

        severity: only those that weigh so, for rules that block or warn as the case may be. Each is let pass for as
        long as its own file stays what it is, as if it had been waived by itself.
        """
        step = _step_of(rule, reason)
        desk = self.desk()
        contents = {**desk.contents, "": desk.mark(step)}
        found = [one for one in _found(desk, step) if one.rule == rule and severity in (None, one.severity)]
        waiver = group_waiver(rule, found, contents, reason.strip(), self.facts.waivers)
        self._edit(lambda text: facts_file.with_waiver(text, waiver))
        return len(coverable(found))

    def unwaive(self, rule: str, path: str, where: str = "") -> None:
        """Take a waiver back; a file that was waived in a group is taken out of it."""
        left: Waiver | None = None
        given = any((known.rule, known.path, known.where) == (rule, path, where) for known in self.facts.waivers)
        if not given and path not in ("", FACTS_FILE):
            from companion.steps.catalogue import RULE_BY_ID

            desk, known = self.desk(), RULE_BY_ID.get(rule)
            left = without_one(
                self.facts.waivers, rule, desk.contents.get(path, desk.mark(known.step) if known else "")
            )
        if left is None:
            self._edit(lambda text: facts_file.without_waiver(text, rule, path, where))
        elif left.contents:
            self._edit(lambda text: facts_file.with_waiver(text, left))
        else:
            self._edit(lambda text: facts_file.without_waiver(text, rule, left.path, left.where))


def _step_of(rule: str, reason: str, path: str = "") -> str:
    """Return the step of a rule. Raises where there is no such rule, it can never be waived, or no reason is given."""
    from companion.steps.catalogue import RULE_BY_ID

    known = RULE_BY_ID.get(rule)
    if known is None:
        raise CompanionError(f"There is no rule “{rule}”", "", "see: companion explain")
    if rule in NEVER_WAIVED:
        raise CompanionError(f"“{rule}” cannot be waived", path, "no reason makes it fit to publish: mend it")
    if not reason.strip():
        raise CompanionError("A waiver needs a reason", rule, "say why a player is no worse off for it")
    return known.step


def _found(desk: Desk, step: str) -> tuple[Finding, ...]:
    from companion.steps.status import status_of

    return status_of(desk).step(step).findings


def coverable(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings a group's waiver can cover: open ones in files. Facts, doubts and the whole are not."""
    return [one for one in findings if not (one.waived or one.unknown) and one.path not in ("", FACTS_FILE)]


def group_waiver(
    rule: str, findings: Iterable[Finding], contents: Mapping[str, str], reason: str, standing: Sequence[Waiver]
) -> Waiver:
    """Return one waiver for every file ``rule`` found something in, and for those such a waiver covers already.

    contents: as for :func:`companion.steps.states.waive`. Raises :class:`CompanionError` where there is none to cover:
    what was found of the whole, or of the facts, is judged singly.
    """
    marks = {
        Waiver.mark(content)
        for finding in coverable(findings)
        if finding.rule == rule
        if (content := contents.get(finding.path, contents.get("", "")))
    }
    if not marks:
        raise CompanionError(
            f"“{rule}” has no open finding in a file", "", "run the check again, or waive it by its path"
        )
    for known in standing:
        if (known.rule, known.path, known.where) == (rule, EVERY, ""):
            marks |= set(known.contents)
    return Waiver(rule=rule, path=EVERY, reason=reason, contents=tuple(sorted(marks)))


def without_one(waivers: Sequence[Waiver], rule: str, content: str) -> Waiver | None:
    """Return the group's waiver that covers a file of this content, with that file left out; None where none does."""
    mark = Waiver.mark(content)
    for known in waivers:
        if known.rule == rule and content and mark in known.contents:
            return msgspec.structs.replace(known, contents=tuple(one for one in known.contents if one != mark))
    return None
