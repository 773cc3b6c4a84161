"""The story of a release: everything its texts may say, gathered from facts and evidence."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import msgspec

from companion.archive.record import ReleaseRecord
from companion.core.entries import Entry, Kind
from companion.core.facts import FACTS_FILE, Facts, facts_from_toml
from companion.core.versions import between, engine_version, instrument_version
from companion.steps.desk import Desk
from companion.steps.looks.stated import built, weight_of

if TYPE_CHECKING:
    from companion.core.evidence import AwayTest
    from companion.words.story import Change, Story, Tested, UpdateArchive

_FOR_PLAYERS: Final = ("contents", "paths", "sound")
"""Steps of whose findings a player may hear; the others are the maker's own affair, or answered by hand."""

GENERATED: Final = ("readme.", "changelog.")
"""Texts of ours by the start of their names: they change with every release, which is no change to tell."""


def today() -> str:
    """Return the day in UTC, ISO 8601."""
    return datetime.now(UTC).date().isoformat()


def build_story(desk: Desk, *, download: bool, released_at: str = "") -> Story:
    """Return the story of the content as it is.

    download: whether to name the archive's size and checksum; a text inside the archive cannot know them.
    released_at: the day it comes out, ISO 8601; empty: as the changelog has it, else today.
    """
    from companion.core.globs import globs
    from companion.steps.checks.facts import licence_file_in
    from companion.words.songs import songs_break
    from companion.words.story import story_from_facts

    facts, weight, before = desk.facts, weight_of(desk), desk.release_before
    sound, archive = desk.found("sound"), built(desk) if download else None
    ships = {entry.path for entry in desk.ships}
    samples = [entry.path for entry in desk.of_kind(Kind.SAMPLE)]
    patches, first = _patches(desk)
    since = Since.of(desk, before)
    instrument = facts.instrument
    return story_from_facts(
        facts,
        {layer.name: sum(map(globs(layer.files).matches, samples)) for layer in facts.layers if layer.files},
        samples=weight.samples,
        seconds=weight.seconds,
        unpacked_bytes=weight.unpacked,
        memory_bytes=weight.memory,
        rates=tuple(sound.details.get("rates", ())) if sound else (),
        bits=tuple(sound.details.get("bits", ())) if sound else (),
        archive=f"{desk.stem}.zip" if instrument.title.strip() and instrument.version.strip() else "",
        archive_sha256=archive["sha256"] if archive else "",
        download_bytes=archive["size"] if archive else None,
        updates=_updates(desk) if download else (),
        voices=facts.limits.voices,
        patches=patches,
        start_with=first,
        impulses=tuple(sound.details.get("impulses", ())) if sound else (),
        changes=since.changes(desk),
        to_delete=since.to_delete(ships),
        breaks=tuple(
            one.text
            for one in songs_break(removed=since.removed, renamed=since.renamed, before=since.facts, after=facts)
        ),
        known_problems=known_problems(desk),
        released_at=released_at or instrument.date.strip() or day_in_changelog(desk) or today(),
        previous_version=before.version if before else "",
        previews=() if before else _previews(desk),
        licence_file=instrument.licence_file or licence_file_in(ships),
        **_tried(desk),
    )


def _previews(desk: Desk) -> tuple[str, ...]:
    """Return the versions that were released before this one; it may be on record itself."""
    now = instrument_version(desk.facts.instrument.version)
    return tuple(dict.fromkeys(one.version for one in desk.records if instrument_version(one.version) != now))


def _updates(desk: Desk) -> tuple[UpdateArchive, ...]:
    """Return the update archives of exactly this content, the one over the newest release first."""
    from companion.words.story import UpdateArchive

    places = {record.version: place for place, record in enumerate(desk.records)}
    built = sorted(desk.updates_of_this, key=lambda one: places.get(one.since, -1), reverse=True)
    return tuple(
        UpdateArchive(since=one.since, archive=one.archive, size_bytes=one.size, sha256=one.sha256) for one in built
    )


def day_in_changelog(desk: Desk) -> str:
    """Return the day that the standing changelog gives this version, ISO 8601; empty where it gives none."""
    from companion.words.changelog import parse_entry

    entry = parse_entry(desk.changelog, desk.facts.instrument.version)
    return entry.date if entry else ""


def _patches(desk: Desk) -> tuple[tuple[str, ...], str]:
    """Return the patches in the order the facts name them, and the first where they name it alone."""
    from companion.core.globs import globs

    named = [globs((pattern,)) for pattern in desk.facts.contents.patches]
    shipped = [entry.path for entry in desk.of_kind(Kind.PATCH)]

    def place(path: str) -> int:
        return next((number for number, pattern in enumerate(named) if pattern.matches(path)), len(named))

    patches = sorted(shipped, key=lambda path: (place(path), path))
    first = [path for path in patches if place(path) == 0]
    return tuple(patches), first[0] if named and len(first) == 1 and len(patches) > 1 else ""


def notes_of(desk: Desk, more: Iterable[str] = ()) -> Callable[[str], str]:
    """Return what names a sample as a player knows it, ``E3, soft``, as far as the pattern of the facts reads names.

    more: paths of samples that are gone, to be named as well.
    """
    from companion.core.units import note_name
    from companion.sound.zones.naming import place_all
    from companion.sound.zones.zones import layer_of
    from companion.words.notes import Recording, namer

    naming = desk.facts.naming
    paths = dict.fromkeys([*(entry.path for entry in desk.of_kind(Kind.SAMPLE)), *more])
    found = []
    for path, place in place_all(paths, naming).items():
        # As the name writes it: the page says which C is meant.
        convention = "C4" if place.octave_open else naming.middle_c
        note = note_name(place.note, convention) if place.note is not None and convention else ""
        layer = " ".join(part for part in (layer_of(path, desk.facts) or place.layer, place.microphone) if part)
        found.append((path, Recording(layer=layer, note=note, velocity=place.velocity, take=place.take)))
    return namer(found)


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
        **_tried_before(desk, tests),
        "tried_elsewhere": any(KINDS[test.kind].elsewhere for test in tests),
        "tried_older": any(version < saved for version in used if version) if saved else bool(any(used)),
    }
    minimum = engine_version(engine.minimum)
    proofs = [test for test in passed if minimum and engine_version(test.engine_version) == minimum]
    for test in sorted(proofs, key=lambda test: not KINDS[test.kind].elsewhere)[:1]:
        found["minimum_because"] = f"tested with {test.engine_version} {_PLACES[test.kind]}"
    return found


def _tried_before(desk: Desk, here: Iterable[AwayTest]) -> dict[str, tuple[Tested, ...]]:
    """Return what tests of other content showed on the systems of the facts that no test of this content was made on.

    The last on each system counts. It promises nothing of this version; but where one failed, “not tested yet” alone
    would be half the truth.
    """
    from companion.core.systems import system_family
    from companion.trials.away import KINDS

    tested = {system_family(test.system) for test in here}
    wanted = {system_family(system) for system in desk.facts.engine.systems} - tested
    last: dict[str, AwayTest] = {}
    for test in desk.away_filed.aside:
        family = system_family(test.system)
        if test.why == "other content" and family in wanted and KINDS[test.kind].opens:
            last[family] = test
    passed = [test for test in last.values() if test.result == "pass" and not test.reached_originals]
    return {
        "systems_before": _as_tested(passed),
        "systems_failed_before": _as_tested(test for test in last.values() if test not in passed),
    }


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
    told = (one for step, found in looked for one in desk.applied(step, found.findings))
    lines = list(problem_lines(told, notes_of(desk)))
    plans = planned(desk.facts)
    titles = {trial.id: trial.title for trial in plans}
    for key, answer in verdicts(plans, desk.answers).items():
        if answer.result == "fail":
            lines.append(f"{titles[key]}: {answer.note.strip() or 'it did not do what it should'}")
    return tuple(lines)


class Since(msgspec.Struct, frozen=True, kw_only=True):
    """What differs from a recorded release, by its file list and its facts; nothing before the first.

    added, changed, removed: (path, kind); renamed: (old path, new path, kind), the content unchanged. facts: of that
    release; None where there was none.
    """

    record: ReleaseRecord | None = None
    added: tuple[tuple[str, Kind], ...] = ()
    changed: tuple[tuple[str, Kind], ...] = ()
    removed: tuple[tuple[str, Kind], ...] = ()
    renamed: tuple[tuple[str, str, Kind], ...] = ()
    facts: Facts | None = None

    @classmethod
    def of(cls, desk: Desk, record: ReleaseRecord | None) -> Since:
        """Compare what would ship with what shipped."""
        from companion.contents.kinds import kinds_by, previews_by

        if record is None:
            return cls()
        before = {path: sha for path, _, sha in record.files if _is_makers(path)}
        now = {entry.path: entry for entry in desk.ships if _is_makers(entry.path)}
        added, gone = [now[p] for p in now if p not in before], [p for p in before if p not in now]
        pairs = renamed(gone, added, before)
        facts = facts_from_toml(record.facts) if record.facts else Facts()
        kind_of, shown = kinds_by(desk.facts.contents), previews_by(facts)
        return cls(
            record=record,
            added=tuple((entry.path, entry.kind) for entry in added if entry.path not in pairs.values()),
            removed=tuple((path, Kind.OTHER if shown(path) else kind_of(path)) for path in gone if path not in pairs),
            changed=tuple((p, now[p].kind) for p in now if p in before and before[p] != now[p].sha256),
            renamed=tuple((old, new, now[new].kind) for old, new in pairs.items()),
            facts=facts,
        )

    def changes(self, desk: Desk) -> tuple[Change, ...]:
        """Return the lines of a changelog."""
        from companion.words.changes import changes_from

        if self.record is None:
            return ()
        found = changes_from(
            added=self.added,
            removed=self.removed,
            changed=self.changed,
            renamed=self.renamed,
            before=self.facts,
            after=desk.facts,
            labels=desk.labels_since(self.record),
            called=notes_of(desk, (path for path, kind in self.removed if kind is Kind.SAMPLE)),
        )
        return (*found, *_answered(desk, self.record)) if desk.reports else found

    def to_delete(self, ships: Collection[str]) -> tuple[str, ...]:
        """Return what an update leaves behind: whole folders where nothing of them ships any more, else files."""
        if self.record is None:
            return ()
        kept = {"/".join(path.split("/")[:depth]) for path in ships for depth in range(1, path.count("/") + 1)}
        gone = {path for path, _, _ in self.record.files} - set(ships)
        found: dict[str, None] = {}
        for path in sorted(gone):
            parts = path.split("/")
            above = ("/".join(parts[:depth]) for depth in range(1, len(parts)))
            folder = next((folder for folder in above if folder not in kept), "")
            found[f"the folder {folder}" if folder else path] = None
        return tuple(found)


def _answered(desk: Desk, base: ReleaseRecord) -> tuple[Change, ...]:
    """Return what is answered to players in this version, or in a pre-release of it that came after ``base``."""
    from companion.trials.reports import answers
    from companion.words.story import GROUPS, Change

    version = desk.facts.instrument.version
    since = [
        one.version for one in desk.records if one.order > base.order and between(one.version, base.version, version)
    ]
    group = {one.lower(): one for one in GROUPS}
    told = {line: kind for of in dict.fromkeys((*since, version)) for kind, line in answers(desk.reports, of)}
    return tuple(Change(group=group[kind], text=line) for line, kind in told.items())


def renamed(gone: list[str], added: list[Entry], before: dict[str, str]) -> dict[str, str]:
    """Return new paths by old ones, for files whose content is the same under another name."""
    by_content: dict[str, list[str]] = {}
    for entry in added:
        by_content.setdefault(entry.sha256, []).append(entry.path)
    return {path: by_content[sha].pop(0) for path in gone if by_content.get(sha := before[path])}


def _is_makers(path: str) -> bool:
    return path != FACTS_FILE and not path.lower().startswith(GENERATED)
