"""Rules, and measures of audio files."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from companion.core.text import visible, visible_lines
from companion.core.units import level

if TYPE_CHECKING:
    from companion.core.licences import Part
    from companion.core.rules import Rule
    from companion.sound.measures.measured import Measured
    from companion.steps.meaning import Meaning


def rule_data(rule: Rule[Any]) -> dict[str, Any]:
    """Return a rule as plain values for JSON: :class:`~companion.cli.render.outputs.RuleOutput`."""
    from companion.cli.render.outputs import RuleOutput

    plain = {key: getattr(rule, key) for key in RuleOutput.__struct_fields__}
    return {**plain, "rests_on": {measure.id: measure.version for measure in rule.rests_on}}


def rule_lines(chosen: Sequence[Rule[Any]], *, full: bool) -> list[str]:
    """Return rules as a list, or one rule in full."""
    if not full:
        return [f"{rule.step:<9} {rule.severity.value:<7} {rule.id:<24} {rule.means}" for rule in chosen]
    lines = []
    for rule in chosen:
        lines += [f"{rule.id}: {rule.means}", f"  step: {rule.step}   severity: {rule.severity.value}"]
        lines += [f"  limit: {rule.limit}"] if rule.limit else []
        lines += [f"  why: {rule.why}", f"  mend: {rule.mend}", f"  source: {rule.source}"]
    return lines


def licence_lines(found: Sequence[Part], *, texts: bool) -> list[str]:
    """Return the parts with their licences, one a line. texts: and then each licence's text."""
    wide = max((len(f"{part.name} {part.version}") for part in found), default=0)
    lines = [
        f"{visible(f'{part.name} {part.version}'.strip()):<{wide}}  {visible(part.licence) or 'see its text'}"
        for part in found
    ]
    if not texts:
        return [*lines, "", "With the texts of all licences: companion --licences texts"]
    for part in found:
        head = f"{part.name} {part.version}".strip()
        lines += ["", "", visible(head), "=" * len(head), *(f"\n{visible_lines(text)}" for text in part.texts)]
    return lines


def meaning_lines(step: Meaning | None) -> list[str]:
    """Return what *proven* means of a step, and what it does not."""
    if step is None:
        return []
    return [
        f"{step.title}: {step.question}",
        f"  proven means: {step.means}",
        f"  it does not mean: {step.means_not}",
    ]


def measures_csv(measured: Sequence[Measured]) -> str:
    """Return measures as CSV (RFC 4180), a line a file; a cell a spreadsheet would run as a formula gets a quote."""
    import csv
    import io

    from companion.sound.measures.measured import FIELDS, to_row

    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(FIELDS)
    for one in measured:
        path, *values = map(visible, to_row(one))
        writer.writerow(
            [_inert(path, "=+@-"), *(_inert(value, "=+@") for value in values)]
        )  # a level may be below zero
    return out.getvalue()


def _inert(cell: str, signs: str) -> str:
    return f"'{cell}" if cell and cell[0] in signs else cell


def measure_lines(measured: Sequence[Measured]) -> list[str]:
    """Return a line a file: length, format, peak."""
    lines = []
    for item in measured:
        if item.problem:
            lines.append(f"{visible(item.path)}: {item.problem}: {visible(item.problem_text)}")
        if not item.readable:
            continue
        peak = level(item.peak_dbfs) if item.peak_dbfs is not None else "peak not judged"
        lines.append(
            f"{visible(item.path)}: {item.seconds:.3f} s, {item.rate:,} Hz, {item.channels} ch, {item.subtype}, {peak}"
        )
    return lines
