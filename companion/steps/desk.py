"""The desk: everything the steps may look at in one working folder, read at most once per look."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from companion.core.cache import Cache
from companion.core.entries import Entry, Kind
from companion.core.evidence import Answer, AwayTest, Evidence, EvidenceStore
from companion.core.facts import Facts
from companion.core.files import read_capped
from companion.core.folder import RELEASES, Places
from companion.core.progress import QUIET, Watch
from companion.steps.marks import Marks, marks, step_marks, words_mark
from companion.steps.needs import Weight

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.contents.inventory import Inventory
    from companion.contents.references import References
    from companion.contents.scan import Scan
    from companion.contents.selection import Selection
    from companion.sound.chunks import Chunks


class Desk:
    """One look at a folder. Make a new one when the folder may have changed.

    rehash: read every file again instead of trusting size and times, as is done before a release.
    """

    def __init__(
        self, places: Places, facts: Facts, cache: Cache, watch: Watch = QUIET, *, rehash: bool = False
    ) -> None:
        self.places = places
        self.facts = facts
        self.cache = cache
        self.watch = watch
        self.rehash = rehash
        self.evidence = EvidenceStore(places.evidence)

    @property
    def folder(self) -> Path:
        """The working folder."""
        return self.places.folder

    @cached_property
    def inventory(self) -> Inventory:
        """Every file of the folder, hashed."""
        from companion.contents.inventory import take

        return take(self.folder, self.facts.contents, self.cache, self.watch, rehash=self.rehash)

    @cached_property
    def selection(self) -> Selection:
        """What would ship, and what stays at home and why."""
        from companion.contents.selection import shipping

        return shipping(self.inventory, self.facts.contents)

    @property
    def ships(self) -> tuple[Entry, ...]:
        """The files that would ship, sorted by path."""
        return self.selection.ships

    @cached_property
    def marks(self) -> Marks:
        """Fingerprints of groups of files."""
        return marks(self.inventory.entries, self.ships)

    @cached_property
    def contents(self) -> Mapping[str, str]:
        """SHA-256 by path, of every file of the folder."""
        return {entry.path: entry.sha256 for entry in self.inventory.entries}

    @cached_property
    def step_marks(self) -> dict[str, str]:
        """The fingerprint of each step for the content as it is."""
        own = step_marks(self.marks, self.facts)
        looked = [step for step in ("contents", "paths", "sound") if self.evidence.find(step, own[step])]
        released = [record.version for record in self.records]
        told = repr((looked, self.answers, self.away_here, released, self.page))
        digest = hashlib.sha256(told.encode("utf-8", "surrogatepass")).hexdigest()
        return {**own, "words": words_mark(self.marks, self.facts, digest)}

    def forget_marks(self) -> None:
        """Work the fingerprints out again: evidence has been added since."""
        for name in ("step_marks", "answers", "away_here", "away_elsewhere", "records", "last_release", "weight"):
            self.__dict__.pop(name, None)

    def found(self, step: str) -> Evidence | None:
        """Return the evidence of a step for the content as it is."""
        return self.evidence.find(step, self.step_marks[step])

    def of_kind(self, *kinds: Kind) -> tuple[Entry, ...]:
        """Return the files of these kinds that would ship."""
        return tuple(entry for entry in self.ships if entry.kind in kinds)

    @cached_property
    def answers(self) -> tuple[Answer, ...]:
        """Answers to trials, given for the content as it is."""
        evidence = self.evidence.find("controls", step_marks(self.marks, self.facts)["controls"])
        return evidence.answers if evidence else ()

    @cached_property
    def away_here(self) -> tuple[AwayTest, ...]:
        """Away tests of the content as it is."""
        evidence = self.evidence.find("away", step_marks(self.marks, self.facts)["away"])
        return evidence.away if evidence else ()

    @cached_property
    def away_elsewhere(self) -> tuple[AwayTest, ...]:
        """Away tests of other content."""
        here = step_marks(self.marks, self.facts)["away"]
        return tuple(test for e in self.evidence.all("away") if e.fingerprint != here for test in e.away)

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
    def release_of_this(self) -> ReleaseRecord | None:
        """The recorded release of exactly what would ship now, or None."""
        mark = self.step_marks["out"]
        return next((record for record in reversed(self.records) if record.fingerprint == mark), None)

    @cached_property
    def changelog(self) -> str:
        """The text of the standing changelog; empty when there is none."""
        path = self.folder / "CHANGELOG.md"
        return read_capped(path, 4 << 20, "changelog").decode("utf-8", "replace") if path.is_file() else ""

    @property
    def page(self) -> tuple[str, str]:
        """The download page that stands: its path in the folder and its text; both empty when there is none."""
        from companion.steps.words import stem_of

        for ending in ("md", "html", "txt"):
            path = self.places.releases / f"{stem_of(self)} page.{ending}"
            if path.is_file():
                text = read_capped(path, 4 << 20, "page").decode("utf-8", "replace")
                return f"{RELEASES}/{path.name}", text
        return "", ""

    def labels_since(self, record: ReleaseRecord) -> list[str]:
        """Return the labels of snapshots asked for since a release, oldest first; none where there is no history."""
        from companion.history.store import History

        if History.available() or not self.places.history.is_dir():
            return []
        later = [shot for shot in History(self.folder).snapshots() if shot.number > record.snapshot_number]
        return [shot.label for shot in reversed(later) if shot.kind == "asked" and shot.label]

    @cached_property
    def reports(self) -> tuple[str, ...]:
        """Names of the players' reports laid into ``.companion/reports``."""
        folder = self.places.ours / "reports"
        return tuple(sorted(path.name for path in folder.iterdir())) if folder.is_dir() else ()

    @cached_property
    def scans(self) -> Mapping[str, Scan]:
        """What paths are written in each patch and script that would ship."""
        from companion.contents.reader import scan_files

        wanted = self.of_kind(Kind.PATCH, Kind.SCRIPT)
        return scan_files([(e.path, self.folder / e.path, e.sha256) for e in wanted], self.cache, self.watch)

    @cached_property
    def probes(self) -> Mapping[str, Chunks]:
        """What the header and chunks of each audio file that would ship say; no sound is decoded for it."""
        from companion.sound.measure import probe_files

        wanted = self.of_kind(Kind.SAMPLE, Kind.IMPULSE)
        return probe_files([(e.path, self.folder / e.path, e.sha256) for e in wanted], self.cache, self.watch)

    @cached_property
    def references(self) -> References:
        """Where each path written in a patch or script leads."""
        from companion.contents.references import resolve

        return resolve(self.scans, self.inventory.entries, self.ships)

    @cached_property
    def weight(self) -> Weight:
        """What the content weighs, as far as the Sound step and the archive have told."""
        sound, archive = self.found("sound"), self.found("archive")
        details = sound.details if sound else {}
        return Weight(
            samples=len(self.of_kind(Kind.SAMPLE)),
            seconds=details.get("seconds"),
            memory=details.get("memory"),
            unpacked=sum(entry.size for entry in self.ships),
            download=archive.details.get("size") if archive else None,
        )
