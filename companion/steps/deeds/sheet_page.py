"""The sheet as one HTML file: pictures inside it, nothing fetched, nothing run, light or dark, fit for paper."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from companion.core.findings import Finding
from companion.core.text import without_home
from companion.drawing.svg import svg_text
from companion.drawing.svg_frame import INKS, PAPER, escaped, style
from companion.steps.deeds.sheet import MOST_FINDINGS, SheetOf, where_tested
from companion.steps.model import State, StepStatus

_INKS: Final[dict[State, str]] = {
    State.PROVEN: "good",
    State.WAIVED: "limit",
    State.FAILING: "mark",
    State.STALE: "limit",
}


_OF_PEOPLE: Final = frozenset({"away", "report-open"})
"""Steps and rules whose findings repeat what a helper or a player wrote, and who it was: of them no words are told."""


def page(sheet: SheetOf) -> str:
    """Return the file."""
    heading = f"{sheet.title or 'Untitled'} {sheet.version}".strip()
    body = [
        f"<h1>{_text(heading)}</h1>",
        f'<p class="muted">{_text(" · ".join(part for part in (sheet.maker, sheet.day, _summary(sheet)) if part))}</p>',
        *_overview(sheet),
        *_steps(sheet),
        *_section("What a player needs", _rows((one.name, one.value, one.because) for one in sheet.needs)),
        *_section("Controls, tried", _rows(_trials(sheet))),
        *_section("Away tests", _rows((where_tested(one), one.result) for one in sheet.tests)),
        *_section(
            f"Changed since {sheet.before}" if sheet.before else "",
            ["<ul>", *(f"<li>{_text(f'{one.group}: {one.text}')}</li>" for one in sheet.changes), "</ul>"],
            there=bool(sheet.changes),
        ),
        *_pictures(sheet),
    ]
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{_text(heading)}</title>",
            f"<style>\n{_style()}\n</style>",
            "</head>",
            "<body>",
            "<main>",
            *body,
            "</main>",
            "</body>",
            "</html>\n",
        ]
    )


def _text(text: str) -> str:
    return escaped(without_home(text))


def _summary(sheet: SheetOf) -> str:
    steps = sheet.status.steps
    proven = sum(one.state is State.PROVEN for one in steps)
    waived = sum(one.state is State.WAIVED for one in steps)
    return f"{proven} of {len(steps)} proven" + (f", {waived} waived" if waived else "")


def _section(title: str, lines: Iterable[str], *, there: bool = True) -> list[str]:
    inside = list(lines)
    return ["<section>", f"<h2>{_text(title)}</h2>", *inside, "</section>"] if title and inside and there else []


def _rows(rows: Iterable[tuple[str, ...]]) -> list[str]:
    found = [f"<tr>{''.join(_cell(place, cell) for place, cell in enumerate(row))}</tr>" for row in rows]
    return ["<table>", *found, "</table>"] if found else []


def _cell(place: int, text: str) -> str:
    return f'<th scope="row">{_text(text)}</th>' if place == 0 else f"<td>{_text(text)}</td>"


def _overview(sheet: SheetOf) -> list[str]:
    """Return the steps with their states on a few lines, each leading to its own section."""
    steps = [
        f'<li><a href="#{one.id}">{_text(one.title)}</a> <span class="{_INKS.get(one.state, "muted")}">'
        f"{_text(one.state.value)}</span></li>"
        for one in sheet.status.steps
    ]
    return ['<ul class="overview">', *steps, "</ul>"]


def _steps(sheet: SheetOf) -> list[str]:
    lines = []
    for one in sheet.status.steps:
        lines += [
            f'<section id="{one.id}">',
            f'<h2>{_text(one.title)} <span class="{_INKS.get(one.state, "muted")}">',
        ]
        lines[-1] += f"{_text(one.state.value)}</span></h2>"
        lines += [f"<p>{_text(one.because)}</p>"] if one.because else []
        lines += [*_findings(one), "</section>"]
    return lines


def _findings(step: StepStatus) -> list[str]:
    told = [one for one in step.findings if not one.settled]
    lines = [_finding(one, told=not _OF_PEOPLE & {step.id, one.rule}) for one in told[:MOST_FINDINGS]]
    if len(told) > MOST_FINDINGS:
        lines.append(f"<li>and {len(told) - MOST_FINDINGS:,} more</li>")
    return ["<ul>", *lines, "</ul>"] if lines else []


def _finding(finding: Finding, *, told: bool) -> str:
    ink = "mark" if finding.blocks else "limit"
    words = f" {_text(_words(finding))}" if told else ""
    return f'<li><b class="{ink}">{_text(finding.rule)}</b>{words}</li>'


def _words(finding: Finding) -> str:
    place = ", ".join(part for part in (finding.path, finding.where) if part)
    waived = f" (waived: {finding.waived})" if finding.waived else ""
    what = f"{finding.measured}{f' (limit: {finding.limit})' if finding.limit else ''}{waived}".strip()
    return f"{place}: {what}" if place and what else place or what


def _pictures(sheet: SheetOf) -> list[str]:
    drawn = [f"<figure>{without_home(svg_text(one, inline=True))}</figure>" for one in sheet.pictures]
    return _section("Pictures", drawn)


def _trials(sheet: SheetOf) -> Iterable[tuple[str, ...]]:
    for one in sheet.trials:
        if one.answer:
            how = "measured" if one.measured else "by ear and hand"
            yield one.trial.title, f"{one.answer.result}, {how}", one.answer.note


def _style() -> str:
    def theme(name: str, where: str = ":root", paper: str = "") -> str:
        inks = " ".join(f"--{ink}: {colour};" for ink, colour in INKS[name].items())
        return f"{where} {{ --paper: {paper or PAPER[name]}; {inks} }}"

    return "\n".join(
        [
            ":root { color-scheme: light dark; }",
            style(),
            theme("light"),
            f"@media screen and (prefers-color-scheme: dark) {{ {theme('dark')} }}",
            "body { margin: 0; background: var(--paper); color: var(--plain); font: 16px/1.5 system-ui, sans-serif; }",
            "main { max-width: 50rem; margin: 0 auto; padding: 1.5rem 1rem; overflow-wrap: anywhere; }",
            "h1, h2 { line-height: 1.25; color: var(--head); } h1 { margin: 0; }",
            "h2 { margin: 1.6em 0 .3em; font-size: 1.15rem; }",
            *(f"span.{ink}, b.{ink}, p.{ink} {{ color: var(--{ink}); }}" for ink in ("good", "limit", "mark", "muted")),
            "h2 span { font-size: .9rem; font-weight: 600; } ul { padding-left: 1.2rem; } p { margin: .2em 0; }",
            "table { border-collapse: collapse; width: 100%; } td, th { padding: .25em .6em .25em 0; text-align: left;"
            " vertical-align: top; } th { font-weight: 600; }",
            "figure { margin: 1em 0; } figure svg { max-width: 100%; height: auto; }",
            "ul.overview { list-style: none; padding: 0; margin: 1em 0; display: grid; gap: .1em 1.5em;"
            " grid-template-columns: repeat(auto-fill, minmax(11rem, 1fr)); }",
            "ul.overview a { color: var(--plain); } ul.overview span { font-weight: 600; }",
            f"@media print {{ @page {{ margin: 14mm; }} {theme('light', ':root, svg', '#fff')}",
            "  body { font-size: 10pt; line-height: 1.35; } main { max-width: none; padding: 0; }",
            "  h1 { font-size: 18pt; } h2 { font-size: 11.5pt; margin: 1em 0 .2em; break-after: avoid; }",
            "  ul.overview a { text-decoration: none; } li, figure, tr, p { break-inside: avoid; }",
            "  figure { margin: 0 0 5mm; } figure svg { width: 140mm; } }",
        ]
    )
