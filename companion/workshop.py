"""The workshop: opens a working folder, runs steps, keeps evidence, reports progress, and can be stopped.

Both doors, the command line and the terminal app, come through here. Every method may raise
:class:`~companion.core.errors.CompanionError` (one line for people) or its ``Cancelled``; the long ones take a
:class:`~companion.core.progress.Watch`. Methods may be called from any thread, also while others run: each looks at the
folder for itself, and writes under the folder's lock. Of checks one runs at a time, and the next waits for it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec

from companion import __version__
from companion.core.cache import Cache
from companion.core.errors import Cancelled, CompanionError
from companion.core.evidence import Answer, AwayTest, Evidence
from companion.core.progress import QUIET, Watch
from companion.steps.deeds import facts_file
from companion.steps.deeds.hiding import Hiding
from companion.steps.deeds.kit_shop import Kits
from companion.steps.deeds.performing import Performing
from companion.steps.deeds.picturing import Picturing
from companion.steps.deeds.reporting import Reporting
from companion.steps.deeds.shipping import Shipping
from companion.steps.deeds.snapshots import Snapshots
from companion.steps.deeds.waiving import Waiving
from companion.steps.deeds.wording import Wording
from companion.steps.model import Look, Status
from companion.steps.table import BY_ID, STEP_IDS

if TYPE_CHECKING:
    from companion.archive.record import ReleaseRecord
    from companion.core.findings import Finding
    from companion.core.rules import Rule
    from companion.sound.measures.measured import Measured
    from companion.steps.account.due import Standing
    from companion.steps.checks.needs import Line
    from companion.steps.deeds.shelf import Shelved
    from companion.steps.deeds.start import Proposal
    from companion.steps.deeds.update import Updated
    from companion.steps.deeds.upload import CheckedUpload
    from companion.steps.desk import Desk
    from companion.steps.looks.archive import Packed, StrangerProof
    from companion.steps.looks.controls import AwayView, TrialView
    from companion.steps.meaning import Meaning

_ROUNDS: Final = 4
"""Times a check begins anew because files changed under it; after that something is plainly writing there."""


class Workshop(Waiving, Shipping, Snapshots, Performing, Picturing, Hiding, Kits, Wording, Reporting):
    """One working folder, open."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._check_runs = threading.Lock()

    def status(self, watch: Watch = QUIET) -> Standing:
        """Return the state of the ten steps as they stand, and whether a snapshot is due. Runs no check."""
        from companion.steps.account.unkept import standing_of
        from companion.steps.status import status_of

        desk = self.desk(watch)
        return standing_of(desk, status_of(desk), writable=self.writable)

    def check(self, steps: Sequence[str] = (), watch: Watch = QUIET) -> Status:
        """Run steps (all when none are named), keep what they found as evidence, and return the whole checklist.

        The archive is built by :meth:`pack`; here the one that stands is proven again. Raises
        :class:`CompanionError` for a step there is none of, before anything runs. A disk that takes no evidence
        ends nothing: see ``not_kept``.
        """
        for step in steps:
            if step not in BY_ID:
                raise CompanionError(f"There is no step “{step}”", "", f"the steps are {', '.join(STEP_IDS)}")
        while not self._check_runs.acquire(timeout=0.1):
            watch.check()
        try:
            return self._check_all(steps or STEP_IDS, watch)
        finally:
            self._check_runs.release()

    def _check_all(self, steps: Sequence[str], watch: Watch) -> Status:
        from companion.steps.status import status_of

        self.not_kept = None
        once: frozenset[str] = frozenset()
        changing: frozenset[str] = frozenset()
        done: list[str] = []
        for _ in range(_ROUNDS):
            desk = self.desk(watch, changing=changing)
            try:
                moved = self._check(desk, [step for step in STEP_IDS if step in steps], done)
            except Cancelled:
                if done:
                    raise Cancelled("Stopped before the end; what was found until then is kept") from None
                raise
            if not moved:
                return status_of(desk)
            # What moved once is hashed and looked at again; what moves again does not hold still and is told so.
            once, changing = once | moved, changing | (once & moved)
        raise CompanionError(
            "The folder keeps changing while it is being checked", min(once), "wait until nothing writes to it"
        )

    def _check(self, desk: Desk, steps: Sequence[str], done: list[str]) -> frozenset[str]:
        """Run steps, keep their evidence and note them as ``done``; stop at one during which files changed.

        Return those files.

        Evidence is for exactly the content that was hashed, so nothing is kept of a look at anything else.
        """
        from companion.steps.status import status_of

        for step in (BY_ID[name] for name in steps):
            desk.watch.stage(step.title)
            look = step.look(desk, lambda: {before.id: before.state for before in status_of(desk).steps[:-1]})
            if not step.live and (moved := desk.moved()):
                return moved
            if look:
                self._keep_or_hold(desk, step.id, look)
                done.append(step.id)
            desk.forget_marks()
        return frozenset()

    def _keep_or_hold(self, desk: Desk, step: str, look: Look) -> None:
        """Keep what a look found on disk, or in memory where the disk will not have it, once refused to the end."""
        if self.not_kept is None:
            try:
                with self._writing("keeping the evidence"):
                    desk.evidence.keep(_evidence(desk, step, look))
                return
            except CompanionError as error:
                self.not_kept = error
        desk.evidence.hold(_evidence(desk, step, look))

    # -- facts and waivers ----------------------------------------------------------------------------------------

    def propose(self, watch: Watch = QUIET) -> Proposal:
        """Return what can be seen of a folder that has no facts yet, and what has to be asked."""
        from companion.steps.deeds.start import propose

        if self.has_facts:
            raise CompanionError("The folder already has facts", str(self.places.facts), "open it, or edit that file")
        return propose(self.folder, watch, self.cache)

    def start(self, answers: Mapping[str, object], watch: Watch = QUIET) -> None:
        """Write ``release.toml`` from what can be seen and from ``answers`` (by dotted key). Never overwrites."""
        from companion.steps.deeds.start import refuse_unknown, with_answers

        seen = self.propose(watch)
        facts = with_answers(seen.facts, answers)
        if answers.get("contents.patches"):
            refuse_unknown(facts.contents.patches, seen.files)
        with self._writing("writing the facts"):  # of two starts at once the first one's facts stand
            facts_file.write_new(self.places.facts, facts)
        self.cache.close()
        self.cache = Cache(self.places.cache)
        self.reload()

    def save_facts(self, changes: Mapping[str, object]) -> None:
        """Set facts by dotted key; comments and order in the file are kept. Raises when the result is not valid."""
        self._edit(lambda text: facts_file.edited(text, changes))

    def fact(self, key: str) -> Any:
        """Return what is stated under a dotted key, as plain values. Raises where there is no such fact."""
        return facts_file.stated(self.facts, key)

    def state_fact(self, key: str, values: Sequence[str]) -> Any:
        """State one fact from words, none: take it out; return it as it then stands. Raises as :meth:`save_facts`."""
        self.save_facts({key: facts_file.from_words(key, values)})
        return self.fact(key)

    # -- what a person judges -------------------------------------------------------------------------------------

    def trials(self) -> tuple[TrialView, ...]:
        """Return the trials of the controls, each with its latest answer for this content."""
        from companion.steps.looks.controls import trial_views

        return trial_views(self.desk())

    def answer(self, trial: str, result: Literal["pass", "fail", "note"], note: str = "") -> None:
        """Keep an answer to a trial, for exactly the content there is now."""
        from companion.steps.grounds import kept_answer
        from companion.steps.looks.controls import answerable

        known = answerable(self.desk())
        if trial not in known:
            raise CompanionError(f"There is no trial “{trial}”", "", "see: companion trials FOLDER")
        if result != "pass" and not note.strip():
            raise CompanionError("A failed trial or a note needs words", trial, "say what was heard")
        answer = Answer(subject=trial, result=result, note=note, at=now())
        self._judged("controls", lambda desk, order: kept_answer(answer, known[trial], desk.marks, desk.facts, order))

    def away(self) -> AwayView:
        """Return how to run away tests, and those recorded."""
        from companion.steps.looks.controls import away_view

        return away_view(self.desk())

    def record_away(self, test: AwayTest) -> None:
        """Keep an away test, of exactly the content there is now and its engine unless it names those of its kit.

        Raises when it must be refused, with the reason.
        """
        from companion.steps.grounds import kept_test
        from companion.trials.away import refuse

        if refusal := refuse(test, self.facts):
            raise refusal
        test = msgspec.structs.replace(test, at=test.at or now())
        self._judged("away", lambda desk, order: kept_test(test, desk.marks, desk.facts, order))

    def _judged(self, step: str, given: Callable[[Desk, int], Answer | AwayTest]) -> None:
        with self._writing("keeping what was judged"):
            desk = self.desk()
            # Kept first, then read back: the findings rest on all that was ever answered of this content.
            one = given(desk, desk.evidence.last_given(step) + 1)
            answered = {"answers" if isinstance(one, Answer) else "away": (one,)}
            desk.evidence.keep(msgspec.structs.replace(_evidence(desk, step, Look()), **answered))
            desk.forget_marks()
            if look := BY_ID[step].look(desk, dict):
                desk.evidence.keep(_evidence(desk, step, look))

    # -- needs ------------------------------------------------------------------------------------------

    def needs(self, watch: Watch = QUIET) -> tuple[Line, ...]:
        """Return the requirement line by line, with the evidence behind each."""
        from companion.steps.checks.needs import requirement
        from companion.steps.looks.stated import weight_of

        desk = self.desk(watch)
        return requirement(self.facts, desk.away_here, weight_of(desk))

    # -- archive and release --------------------------------------------------------------------------------------

    def pack(self, watch: Watch = QUIET) -> Packed:
        """Build the archive from files read anew, prove it, and keep the proof. The old archive stands until then.

        Contents and Paths are judged first, and their evidence is kept: where they block nothing is built.
        """
        from companion.archive.packing import MemberChanged
        from companion.steps.looks.archive import pack, refuse_over_released, refuse_unfit, refused
        from companion.steps.looks.words import fill_pages
        from companion.steps.status import status_of

        # While a file is packed it is held against what it held when it was last read. That all of them are read
        # before, too, is left to where that does not end well: size and times may have hidden a change.
        for rehash in (False, True):
            with self._building("building the archive"):
                desk = self.desk(watch, rehash=rehash)
                refuse_unfit(desk)
                refuse_over_released(desk)
                if blocking := self._judge_first(desk):
                    if rehash:
                        return refused(desk, blocking).with_status(status_of(desk))
                    continue
                try:
                    packed, look = pack(desk)
                except MemberChanged:
                    if rehash:
                        raise
                    continue
                with self._writing("keeping the proof"):
                    desk.evidence.keep(_evidence(desk, "archive", look))
                    desk.forget_marks()
                    fill_pages(desk)
                return packed.with_status(status_of(desk))
        raise AssertionError

    def pack_update(self, since: str, watch: Watch = QUIET) -> Updated:
        """Build the archive of what changed since a recorded release, and prove that old and update make the new."""
        from companion.steps.deeds.update import pack_update

        with self._building("building the update"):
            desk = self.desk(watch, rehash=True)
            return pack_update(desk, since, lambda: self._judge_first(desk))

    def _judge_first(self, desk: Desk) -> tuple[Finding, ...]:
        """Judge what costs seconds before what costs minutes, keep its evidence, and return what blocks."""
        from companion.steps.looks.archive import blocking_first, judge_first

        looks = judge_first(desk)
        if looks and not desk.moved():
            with self._writing("keeping the evidence"):
                for step, look in looks.items():
                    desk.evidence.keep(_evidence(desk, step, look))
            desk.forget_marks()
        return blocking_first(desk, looks)

    def releases(self, watch: Watch = QUIET) -> list[ReleaseRecord]:
        """Return every recorded release, oldest first."""
        return self.desk(watch).records

    def release(self, watch: Watch = QUIET) -> ReleaseRecord:
        """Record the release: snapshot, tag, record. Raises naming the steps that are not proven."""
        from companion.steps.deeds.release import release

        with self._building("recording the release"):
            desk = self.desk(watch, rehash=True)
            with nullcontext() if self.history_problem() else self.history as history:
                return release(desk, history, now())

    def upload(self, file: Path, watch: Watch = QUIET) -> CheckedUpload:
        """Hold a downloaded copy against the records; keep how it went, and return what is wrong with it."""
        from companion.steps.deeds.upload import verify_upload

        with self._building("verifying the upload"):
            return verify_upload(self.desk(watch), file, now())


def explain(rule: str | None = None) -> tuple[Rule[Any], ...]:
    """Return a rule by its id, or all of them in the order of the steps. Raises where there is no such rule."""
    from companion.steps.catalogue import RULES

    chosen = [known for known in RULES if rule in (None, known.id)]
    if not chosen:
        raise CompanionError(f"There is no rule “{rule}”", "", "companion explain lists them all")
    return tuple(sorted(chosen, key=lambda one: (STEP_IDS.index(one.step), one.severity.weight, one.id)))


def meaning(step: str) -> Meaning | None:
    """Return what *proven* means of a step, and what it does not; None for an id that is no step's."""
    from companion.steps.meaning import meaning_of

    return meaning_of(step) if step in BY_ID else None


def measure(paths: Sequence[Path], watch: Watch = QUIET) -> list[Measured]:
    """Return the measures of any audio files, and of those in folders, in that order. Nothing is cached."""
    from companion.sound.measures.batch import measure_files
    from companion.steps.looks.sound import audio_files

    files = [(str(path), path, "") for path in audio_files(paths)]
    return list(measure_files(files, Cache(None), watch).values())


def prove(archive: Path, checksum: str = "", watch: Watch = QUIET) -> StrangerProof:
    """Open any archive as a stranger would; ``checksum``: the SHA-256 it should have, or empty."""
    from companion.steps.looks.archive import prove_stranger

    return prove_stranger(archive, checksum, watch)


def shelf(folders: Sequence[Path], watch: Watch = QUIET) -> tuple[Shelved, ...]:
    """Return how the instruments on the shelf stand, or those that are or lie in ``folders``."""
    from companion.core.shelf import on_the_shelf, working_folders
    from companion.steps.deeds.shelf import shelved

    wanted = [one for folder in folders for one in working_folders(folder)] if folders else on_the_shelf()
    return shelved(wanted, Workshop.open, watch)


def stands(folder: Path, watch: Watch = QUIET) -> Shelved:
    """Return how one instrument stands; whatever keeps it from being looked at is told there."""
    from companion.steps.deeds.shelf import shelved

    return shelved([folder], Workshop.open, watch)[0]


def copy_demo(target: Path) -> None:
    """Copy the demo instrument to ``target``, a folder that is not there yet or is empty."""
    from companion.steps.deeds import demo

    demo.copy_demo(target)


def now() -> str:
    """Return the time in UTC, ISO 8601 to the millisecond: two answers within one second are two."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _evidence(desk: Desk, step: str, look: Look) -> Evidence:
    return Evidence(
        step=step,
        fingerprint=desk.mark(step),
        judge=desk.judge(step),
        taken=now(),
        companion=__version__,
        findings=look.findings,
        details=look.details,
    )
