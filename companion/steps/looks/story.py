"""The story of a release: everything its texts may say, gathered from facts and evidence."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from companion.core.entries import Entry, Kind
from companion.core.facts import FACTS_FILE, Facts, facts_from_toml
from companion.core.versions import engine_version
from companion.steps.desk import Desk
from companion.steps.looks.stated import weight_of

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.core.evidence import AwayTest
    from companion.words.story import Change, Story, Tested

_FOR_PLAYERS: Final = ("contents", "paths", "sound")
"""Steps of whose findings a player may hear; the others are the maker's own affair, or answered by hand."""

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
    sound = desk.found("sound")
    ships = {entry.path for entry in desk.ships}
    samples = [entry.path for entry in desk.of_kind(Kind.SAMPLE)]
    return story_from_facts(
        facts,
        {layer.name: sum(map(globs(layer.files).matches, samples)) for layer in facts.layers if layer.files},
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
        previews=() if before else tuple(dict.fromkeys(record.version for record in desk.records)),
        licence_file=facts.instrument.licence_file or licence_file_in(ships),
        **_tried(desk),
    )


def _tried(desk: Desk) -> dict[str, object]:
    """Return what the away tests of this content showed: every one of them, also those that failed or prove nothing."""
    from companion.trials.away import KINDS, is_too_old, opened, standing

    engine = desk.facts.engine
    tests, passed = standing(desk.away_here), opened(desk.away_here, desk.facts)
    not_passed = [test for test in tests if test.result == "fail" or test.reached_originals]
    older = [
        test for test in tests if is_too_old(test, desk.facts) and test not in not_passed and KINDS[test.kind].opens
    ]
    saved = engine_version(engine.saved_with)
    used = [engine_version(test.engine_version) for test in tests]
    found: dict[str, object] = {
        "systems_tested": _as_tested(passed),
        "systems_failed": _as_tested(not_passed),
        "systems_older": _as_tested(older),
        "tried_elsewhere": any(KINDS[test.kind].elsewhere for test in tests),
        "tried_older": any(version < saved for version in used if version) if saved else bool(any(used)),
    }
    minimum = engine_version(engine.minimum)
    proofs = [test for test in passed if minimum and engine_version(test.engine_version) == minimum]
    for test in sorted(proofs, key=lambda test: not KINDS[test.kind].elsewhere)[:1]:
        found["minimum_because"] = f"tested with {test.engine_version} {_PLACES[test.kind]}"
    return found


_PLACES: Final = {
    "another player": "by another player",
    "another computer": "on another computer",
    "originals hidden": "on the maker’s own computer, with the original samples hidden",
}
"""Where a test was made, by the kinds of test that show that it opens."""


def _as_tested(tests: Iterable[AwayTest]) -> tuple[Tested, ...]:
    from companion.words.story import Tested

    found = (Tested(system=test.system, engine_version=test.engine_version, by=test.kind) for test in tests)
    return tuple(dict.fromkeys(found))


def known_problems(desk: Desk) -> tuple[str, ...]:
    """Return what a player should know: of findings a line a problem, and what failed trials sounded like."""
    from companion.steps.looks.controls import planned
    from companion.trials.control_rules import verdicts
    from companion.words.problems import problem_lines

    looked = [(step, evidence) for step in _FOR_PLAYERS if (evidence := desk.found(step))]
    lines = list(problem_lines(one for step, found in looked for one in desk.applied(step, found.findings)))
    plans = planned(desk.facts)
    titles = {trial.id: trial.title for trial in plans}
    for key, answer in verdicts(plans, desk.answers).items():
        if answer.result == "fail":
            lines.append(f"{titles[key]}: {answer.note.strip() or 'it did not do what it should'}")
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
