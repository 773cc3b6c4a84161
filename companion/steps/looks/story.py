"""The story of a release: everything its texts may say, gathered from facts and evidence."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from companion.core.entries import Entry, Kind
from companion.core.facts import FACTS_FILE, Facts, facts_from_toml
from companion.core.findings import Finding
from companion.core.text import plural
from companion.steps.checks.needs import opened_at_or_below
from companion.steps.desk import Desk
from companion.steps.looks.stated import weight_of

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.words.story import Change, Story, Tested

_FOR_PLAYERS: Final = ("paths", "sound")
"""Steps whose open findings a player is told of; the others are the maker's own affair, or answered by hand."""

GENERATED: Final = ("readme.", "changelog.")
"""Texts of ours by the start of their names: they change with every release, which is no change to tell."""


def build_story(desk: Desk, *, download: bool) -> Story:
    """Return the story of the content as it is.

    download: whether to name the archive's size; a text inside the archive cannot know it.
    """
    from companion.core.globs import globs
    from companion.steps.checks.facts import licence_file_in
    from companion.words.story import story_from_facts

    facts, weight, before = desk.facts, weight_of(desk), desk.release_before
    proof = opened_at_or_below(desk.away_here, facts.engine.minimum)
    sound = desk.found("sound")
    ships = {entry.path for entry in desk.ships}
    samples = [entry.path for entry in desk.of_kind(Kind.SAMPLE)]
    return story_from_facts(
        facts,
        {layer.name: sum(map(globs(layer.files).matches, samples)) for layer in facts.layers if layer.files},
        systems_tested=_tested(desk),
        samples=weight.samples,
        seconds=weight.seconds,
        unpacked_bytes=weight.unpacked,
        memory_bytes=weight.memory,
        download_bytes=weight.download if download else None,
        voices=facts.limits.voices,
        patches=tuple(entry.path for entry in desk.of_kind(Kind.PATCH)),
        impulses=tuple(sound.details.get("impulses", ())) if sound else (),
        changes=changes_since(desk, before),
        known_problems=known_problems(desk),
        released_at=datetime.now(UTC).date().isoformat(),
        previous_version=before.version if before else "",
        licence_file=facts.instrument.licence_file or licence_file_in(ships),
        **({"minimum_because": f"tested with {proof.engine_version} away from the maker’s computer"} if proof else {}),
    )


def _tested(desk: Desk) -> tuple[Tested, ...]:
    from companion.trials.away import opened
    from companion.words.story import Tested

    return tuple(
        dict.fromkeys(
            Tested(system=test.system, engine_version=test.engine_version, by=test.kind)
            for test in opened(desk.away_here, desk.facts)
            if test.system
        )
    )


def known_problems(desk: Desk) -> tuple[str, ...]:
    """Return what a player should know: open findings, a line a rule, and what failed trials sounded like."""
    from companion.steps.catalogue import RULE_BY_ID
    from companion.steps.looks.controls import planned
    from companion.trials.control_rules import verdicts

    lines = []
    for step in _FOR_PLAYERS:
        evidence = desk.found(step)
        by_rule: dict[str, list[Finding]] = {}
        for finding in desk.applied(step, evidence.findings if evidence else ()):
            for_players = finding.severity == "warns" or (finding.severity == "blocks" and finding.waived)
            if for_players and not finding.unknown:
                by_rule.setdefault(finding.rule, []).append(finding)
        for rule, findings in by_rule.items():
            files = len({finding.path for finding in findings if finding.path})
            where = f" ({plural(files, 'file')})" if files else ""
            lines.append(f"{RULE_BY_ID[rule].means.rstrip('.')}{where}.")
    titles = {trial.id: trial.title for trial in planned(desk.facts)}
    failed = {
        key: answer for key, answer in verdicts(planned(desk.facts), desk.answers).items() if answer.result == "fail"
    }
    lines += [f"{titles[key]}: {answer.note}" for key, answer in failed.items()]
    return tuple(lines)


def changes_since(desk: Desk, record: ReleaseRecord | None) -> tuple[Change, ...]:
    """Return what has changed since a recorded release, from its file list and its facts; nothing before the first."""
    from companion.contents.kinds import kinds_by
    from companion.words.changes import changes_from

    if record is None:
        return ()
    before = {path: sha for path, _, sha in record.files if _is_makers(path)}
    now = {entry.path: entry for entry in desk.ships if _is_makers(entry.path)}
    added, gone = [now[p] for p in now if p not in before], [p for p in before if p not in now]
    pairs = renamed(gone, added, before)
    kind_of = kinds_by(desk.facts.contents)
    return changes_from(
        added=[(entry.path, entry.kind) for entry in added if entry.path not in pairs.values()],
        removed=[(path, kind_of(path)) for path in gone if path not in pairs],
        changed=[(p, now[p].kind) for p in now if p in before and before[p] != now[p].sha256],
        renamed=[(old, new, now[new].kind) for old, new in pairs.items()],
        before=facts_from_toml(record.facts) if record.facts else Facts(),
        after=desk.facts,
        labels=desk.labels_since(record),
    )


def renamed(gone: list[str], added: list[Entry], before: dict[str, str]) -> dict[str, str]:
    """Return new paths by old ones, for files whose content is the same under another name."""
    by_content: dict[str, list[str]] = {}
    for entry in added:
        by_content.setdefault(entry.sha256, []).append(entry.path)
    return {path: by_content[sha].pop(0) for path in gone if by_content.get(sha := before[path])}


def _is_makers(path: str) -> bool:
    return path != FACTS_FILE and not path.lower().startswith(GENERATED)
