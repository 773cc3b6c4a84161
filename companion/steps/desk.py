"""The desk: everything the steps may look at in one working folder, read at most once per look."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion.core.cache import Cache, Table
from companion.core.entries import Entry, Kind
from companion.core.evidence import SCHEMA, Answer, AwayTest, Evidence, EvidenceStore, fingerprint
from companion.core.facts import Facts, stated
from companion.core.files import read_capped, unchanged
from companion.core.findings import Finding, ordered
from companion.core.folder import RELEASES, Places
from companion.core.progress import QUIET, Watch
from companion.core.versions import base_of, between
from companion.steps.judges import Judges, judges_of
from companion.steps.marks import Marks, mark_of, marks
from companion.steps.model import Step
from companion.steps.states import settle_opaque
from companion.steps.waivers import Grounds, waive

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.contents.account import Account
    from companion.contents.folder_scan import FolderScan
    from companion.contents.inventory import Inventory
    from companion.sound.files.chunks import Chunks
    from companion.trials.away_filing import Filed
    from companion.trials.reports import Report


CHANGELOG: Final = "CHANGELOG.md"
CHANGES: Final = "it changes while it is being read"


class _Known(msgspec.Struct, frozen=True):
    """What is remembered of one content under one set of facts: its marks, the indexes of the files that stay, and
    the kinds of those that ship as something else than their place in the folder says; asked: the mark of what is asked
    about, empty where nothing is.
    """

    marks: Marks
    stays: list[int]
    kinds: dict[str, Kind]
    asked: str = ""


class Desk:
    """One look at a folder. Make a new one when the folder may have changed.

    steps: the checklist, by id and in order. rehash: read every file again instead of trusting size and times, as is
    done before a release. changing: paths of files that did not hold still while they were looked at; they count as
    unreadable. memory: evidence that no disk would take.
    """

    def __init__(
        self,
        places: Places,
        facts: Facts,
        cache: Cache,
        watch: Watch = QUIET,
        *,
        steps: Mapping[str, Step[Desk]],
        rehash: bool = False,
        changing: frozenset[str] = frozenset(),
        memory: dict[tuple[str, str], Evidence] | None = None,
    ) -> None:
        self.places = places
        self.facts = facts
        self.cache = cache
        self.watch = watch
        self.steps = steps
        self.rehash = rehash
        self.changing = changing
        self.evidence = EvidenceStore(places.evidence, memory)
        self._marks: dict[str, str] = {}
        self._judges: dict[str, dict[str, int]] = {}

    fingerprint = staticmethod(fingerprint)

    @property
    def folder(self) -> Path:
        """The working folder."""
        return self.places.folder

    @cached_property
    def inventory(self) -> Inventory:
        """Every file of the folder, hashed."""
        from companion.contents.inventory import take_inventory

        taken = take_inventory(self.folder, self.facts.contents, self.cache, self.watch, rehash=self.rehash)
        if not self.changing:
            return taken
        entries = (
            msgspec.structs.replace(entry, sha256="", blob="", problem=CHANGES)
            if entry.path in self.changing
            else entry
            for entry in taken.entries
        )
        return msgspec.structs.replace(taken, entries=tuple(entries))

    def still(self, path: str) -> bool:
        """Tell whether a file is still what its hash was taken of."""
        return unchanged(self.folder, self.by_path[path])

    def moved(self) -> frozenset[str]:
        """Return the files that would ship and are no longer what was hashed: what was seen of them proves nothing."""
        hashed = (entry for entry in self.ships if entry.sha256 and entry.link is None)
        return frozenset(entry.path for entry in hashed if not unchanged(self.folder, entry))

    @cached_property
    def look(self) -> FolderScan:
        """What Contents and Paths judge: inventory, selection, scans, references, pictures, scripts."""
        from companion.contents.folder_scan import scan_folder
        from companion.contents.kinds import previews_by

        shown = previews_by(self.facts)
        return scan_folder(self.folder, self.inventory, self.facts.contents, self.cache, self.watch, shown)

    @cached_property
    def account(self) -> Account:
        """Why each file ships, and what nobody accounts for."""
        from companion.steps.accounted import account_of

        return account_of(self.folder, self.look, self.facts)

    @property
    def asked(self) -> str:
        """The mark of what is asked about; empty where everything is accounted for or answered."""
        return self._known.asked

    @cached_property
    def _known(self) -> _Known:
        """What ships of this content under these facts; remembered, since working it out reads patches."""
        from companion.contents.versions import SHIPS_BY
        from companion.steps.accounted import mark_of_asked, stated_of

        stated = repr((stated_of(self.facts, self.by_path), SHIPS_BY)).encode("utf-8", "surrogatepass")
        everything = mark_of(self.inventory.entries)
        key = hashlib.sha256(everything.encode() + stated).digest()
        table = Table(self.cache, "ships", 3, _Known)
        if kept := table.get(key):
            return kept
        from companion.steps.grounds import reach_of

        stays = {stray.entry.path for stray in self.look.selection.left_out}
        known = _Known(
            marks=marks(everything, self.look.selection.ships, reach_of(self.folder, self.look, self.cache)),
            stays=[index for index, entry in enumerate(self.inventory.entries) if entry.path in stays],
            kinds={
                entry.path: entry.kind
                for entry in self.look.selection.ships
                if entry.kind is not self.by_path[entry.path].kind
            },
            asked=mark_of_asked(self.account),
        )
        table.put([(key, known)])
        return known

    @cached_property
    def by_path(self) -> Mapping[str, Entry]:
        """Every file of the folder by its path."""
        return {entry.path: entry for entry in self.inventory.entries}

    @cached_property
    def ships(self) -> tuple[Entry, ...]:
        """The files that would ship, sorted by path."""
        stays, kinds, entries = set(self._known.stays), self._known.kinds, self.inventory.entries
        staying = tuple(entry for index, entry in enumerate(entries) if index not in stays) if stays else entries
        if not kinds:
            return staying
        return tuple(msgspec.structs.replace(e, kind=kinds[e.path]) if e.path in kinds else e for e in staying)

    @property
    def marks(self) -> Marks:
        """Fingerprints of groups of files."""
        return self._known.marks

    @cached_property
    def contents(self) -> Mapping[str, str]:
        """SHA-256 by path, of every file of the folder."""
        return {path: entry.sha256 for path, entry in self.by_path.items()}

    def stated(self, table: str = "") -> Any:
        """Return one table of the facts, or all but the waivers, as plain values: what fingerprints take in."""
        plain = stated(self.facts)
        return plain.get(table, {}) if table else plain

    def mark(self, step: str) -> str:
        """Return the fingerprint of what a step judges, for the content as it is."""
        if step not in self._marks:
            self._marks[step] = self.steps[step].mark(self)
        return self._marks[step]

    @cached_property
    def own_judges(self) -> Judges:
        """By what each step judges: versions of its rules, and of the measures they rest on, by id."""
        return judges_of(self.steps, self.cache)

    def judge(self, step: str) -> dict[str, int]:
        """Return who judges a step: its own judge, and those of the evidence it rests on."""
        if step not in self._judges:
            judge = dict(self.own_judges[step])
            for other in self.steps[step].rests_on:
                judge |= self.judge(other) if self.found(other) else {}
            self._judges[step] = judge
        return self._judges[step]

    def found(self, step: str) -> Evidence | None:
        """Return the evidence of a step for the content as it is, by the rules as they are.

        One that names a rule there is none of, renamed or of another version, proves nothing.
        """
        if not self.evidence.has_any(step, self.mark(step)):
            return None
        found = self.evidence.find(step, self.mark(step), judge := self.judge(step))
        return found if found and all(finding.rule in judge for finding in found.findings) else None

    def applied(self, step: str, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
        """Return findings of a step as they count: with the waivers, and what an away test settles, applied."""
        if self.steps[step].away_settles and any(finding.unknown for finding in findings):
            from companion.trials.away import opened

            for test in opened(self.away_here, self.facts)[:1]:
                who = f" by {test.who}" if test.who else ""
                findings = settle_opaque(findings, f"settled by an away test{who} ({test.kind}), {test.at[:10]}")
        if not self.facts.waivers or not findings:
            return ordered(findings)
        return waive(findings, self.facts.waivers, self.grounds(step))

    def grounds(self, step: str) -> Grounds:
        """Return what the findings of a step rest on, by which their waivers hold."""
        mark = self.mark(step)
        evidence = self.evidence.of_content(step, mark)
        links = {
            path: hashlib.sha256(f"link {entry.link}".encode("utf-8", "surrogatepass")).hexdigest()
            for path, entry in self.by_path.items()
            if entry.link is not None
        }
        return Grounds(
            contents={**self.contents, **links, "": mark},
            # A text of ours, or a note beside it, changes nothing about what a patch names and what it finds.
            whole=self.marks.playable if step in ("contents", "paths") else mark,
            facts=f"version {self.facts.instrument.version}" if step == "facts" else mark,
            step=step,
            unchanged=any(one.schema < SCHEMA for one in evidence),
        )

    def forget_marks(self) -> None:
        """Work the fingerprints out again: evidence has been added since."""
        self._marks.clear()
        self._judges.clear()
        for name in ("answers", "away_filed", "records", "last_release"):
            self.__dict__.pop(name, None)

    def of_kind(self, *kinds: Kind) -> tuple[Entry, ...]:
        """Return the files of these kinds that would ship and can be read; a pipe is never opened."""
        return tuple(entry for entry in self.ships if entry.kind in kinds and not entry.problem)

    @cached_property
    def answers(self) -> tuple[Answer, ...]:
        """Answers to trials that stand for the content as it is, in the order they were given."""
        from companion.steps.grounds import standing_answers
        from companion.trials.plan import planned

        given = (answer for one in self.evidence.all("controls") for answer in one.answers)
        here = self.evidence.answers("controls", self.mark("controls"))
        return standing_answers(given, here, planned(self.facts.controls), self.marks, self.facts)

    @cached_property
    def away_filed(self) -> Filed:
        """Every away test ever recorded: those that count for the content as it is, and the others with the reason."""
        from companion.steps.grounds import away_marks
        from companion.trials.away_filing import filed

        before = self.fingerprint([("playable", self.marks.playable)])  # under which an older companion kept them
        given = ((test, one.fingerprint == before) for one in self.evidence.all("away") for test in one.away)
        return filed(given, away_marks(self.marks), self.facts.engine.name)

    @property
    def away_here(self) -> tuple[AwayTest, ...]:
        """Away tests that count for the content and the engine as they are, in the order they were recorded."""
        return self.away_filed.here

    @cached_property
    def records(self) -> list[ReleaseRecord]:
        """Every recorded release, oldest first."""
        if not self.places.releases.is_dir():
            return []
        from companion.archive.record import read_records

        return list(read_records(self.places.releases))

    @cached_property
    def last_release(self) -> ReleaseRecord | None:
        """The release recorded last."""
        return self.records[-1] if self.records else None

    @property
    def release_before(self) -> ReleaseRecord | None:
        """The release that this version builds on and is compared with; None before the first of its kind."""
        base = base_of(self.facts.instrument.version, [record.version for record in self.records])
        return next((record for record in reversed(self.records) if record.version == base), None)

    @property
    def release_of_this(self) -> ReleaseRecord | None:
        """The recorded release of exactly what would ship now, or None."""
        mark = self.mark("out")
        return next((record for record in reversed(self.records) if record.fingerprint == mark), None)

    @property
    def updates_of_this(self) -> list[ReleaseRecord]:
        """The records of update archives built to exactly what would ship now, and still the ones that lie there."""
        if not self.places.releases.is_dir():
            return []
        from companion.archive.build import noted_checksum
        from companion.archive.record import read_updates

        mark, folder = self.mark("out"), self.places.releases
        built = [one for one in read_updates(folder) if one.fingerprint == mark]
        return [one for one in built if noted_checksum(folder / one.archive) == one.sha256]

    @cached_property
    def changelog(self) -> str:
        """The text of the standing changelog; empty when there is none."""
        path = self.folder / CHANGELOG
        return read_capped(path, 4 << 20, "changelog").decode("utf-8", "replace") if path.is_file() else ""

    @property
    def day(self) -> str:
        """The day of the release, which its archive bears: as stated, else as the changelog that ships has it."""
        if stated := self.facts.instrument.date.strip():
            return stated
        if not any(entry.path == CHANGELOG for entry in self.ships):
            return ""
        from companion.words.changelog import parse_entry

        entry = parse_entry(self.changelog, self.facts.instrument.version)
        return entry.date if entry else ""

    @property
    def stem(self) -> str:
        """The archive's name without its ending; ``release`` while title and version are missing."""
        from companion.archive.plan import archive_name

        instrument = self.facts.instrument
        return archive_name(instrument.title or "release", instrument.version or "0").rpartition(".")[0]

    @property
    def pages(self) -> Mapping[str, str]:
        """The download pages that stand, one a format: their texts by their paths in the folder."""
        paths = [self.places.releases / f"{self.stem} page.{ending}" for ending in ("md", "html", "txt")]
        return {
            f"{RELEASES}/{path.name}": read_capped(path, 4 << 20, "page").decode("utf-8", "replace")
            for path in paths
            if path.is_file()
        }

    def labels_since(self, record: ReleaseRecord) -> list[str]:
        """Return the labels of snapshots asked for since a release, oldest first; none where there is no history.

        What led to a release of another line is that line's: a fix of 1.1.1 is not by itself in 1.3.
        """
        from companion.history.listing import snapshots

        if not self.places.history.is_dir():
            return []
        version = self.facts.instrument.version
        ends = sorted((one.snapshot, one.version) for one in self.records if one.snapshot > record.snapshot)
        elsewhere, begin = set[int](), record.snapshot
        for end, released in ends:
            if not between(released, record.version, version):
                elsewhere.update(range(begin + 1, end + 1))
            begin = end
        later = [shot for shot in snapshots(self.folder) if shot.number > record.snapshot]
        asked = [shot for shot in reversed(later) if shot.kind == "asked" and shot.number not in elsewhere]
        return [shot.label for shot in asked if shot.label]

    @cached_property
    def reports(self) -> tuple[Report, ...]:
        """The players' reports, by name, with what is known of each."""
        from companion.trials.report_files import reports_in

        return reports_in(self.places)

    @cached_property
    def probes(self) -> Mapping[str, Chunks]:
        """What the header and chunks of each audio file that would ship say; no sound is decoded for it."""
        from companion.sound.measures.batch import probe_files

        wanted = self.of_kind(Kind.SAMPLE, Kind.IMPULSE)
        files = [(e.path, self.folder / e.path, e.sha256) for e in wanted]
        return probe_files(files, self.cache, self.watch, still=self.still)
