"""Evidence: what was found, or answered, for exactly this content.

A step's evidence lies under the fingerprint of everything it judged. When the content changes the fingerprint
changes, and the evidence is not found any more: the step is stale by itself. When the content comes back, so does
the proof. Evidence is only ever added to.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final, Literal

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import explain_os_error, read_capped, write_safely
from companion.core.findings import Finding

SCHEMA: Final = 1
MOST_BYTES: Final = 64 << 20
_ORDER: Final = re.compile(rb'"order": (\d{1,18})\b')


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What a person judged by ear or hand: ``subject`` is the id of the trial; ``at`` is UTC in ISO 8601."""

    subject: str
    result: Literal["pass", "fail", "note"]
    note: str = ""
    at: str = ""


class AwayTest(msgspec.Struct, frozen=True, kw_only=True):
    """One report from where the maker is not. ``who``: a first name or initials, never more."""

    kind: Literal["originals hidden", "another computer", "another player", "a piece of music"]
    result: Literal["pass", "fail"]
    who: str = ""
    engine_version: str = ""
    edition: str = ""
    system: str = ""
    notes: str = ""
    at: str = ""
    reached_originals: bool = False
    unused: tuple[str, ...] = ()


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of one step for one content.

    fingerprint: SHA-256 hex over the inputs judged. taken: UTC, ISO 8601. order: rises by one with each evidence
    written for the step, so that a clock set back cannot reorder them. findings: none are waived here; waivers apply
    when a state is worked out. details: what the step wants to show again, as plain JSON values.
    """

    step: str
    fingerprint: str
    order: int = 0
    taken: str
    companion: str
    findings: tuple[Finding, ...] = ()
    details: dict[str, Any] = {}
    answers: tuple[Answer, ...] = ()
    away: tuple[AwayTest, ...] = ()
    schema: int = SCHEMA


def fingerprint(parts: Iterable[tuple[str, str]], facts: Mapping[str, Any] | None = None) -> str:
    """Return SHA-256 hex over named parts (such as path and content hash) and facts, in an order of its own.

    Names may hold lone surrogates (non-UTF-8 file names); lengths are mixed in, so no two lists collide by joining.
    """
    digest = hashlib.sha256()
    for name, value in sorted(parts):
        line = f"{len(name)}:{name}={len(value)}:{value}\n"
        digest.update(line.encode("utf-8", "surrogatepass"))
    if facts is not None:
        digest.update(json.dumps(facts, sort_keys=True, ensure_ascii=True, default=str).encode())
    return digest.hexdigest()


class EvidenceStore:
    """The evidence of one working folder: ``FOLDER/STEP/FINGERPRINT.json``.

    memory: what no disk would take, by step and fingerprint; it lasts as long as whoever owns it.
    """

    def __init__(self, folder: Path, memory: dict[tuple[str, str], Evidence] | None = None) -> None:
        self.folder = folder
        self._memory = {} if memory is None else memory

    def _path(self, step: str, mark: str) -> Path:
        return self.folder / step / f"{mark}.json"

    def find(self, step: str, mark: str) -> Evidence | None:
        """Return the evidence of ``step`` for the content with this fingerprint, or None.

        One damaged file costs one look: it counts as none, and is put aside when the step is run again.
        """
        path = self._path(step, mark)
        if held := self._memory.get((step, mark)):
            return held
        try:
            return self._read(path) if path.is_file() else None
        except CompanionError:
            return None

    def latest(self, step: str) -> Evidence | None:
        """Return the evidence of ``step`` written last, whatever content it is for, or None."""
        for _, path in sorted(self._orders(step), reverse=True):
            try:
                return self._read(path)
            except CompanionError:
                continue  # one damaged file costs one look, not the folder
        return None

    def has_any(self, step: str) -> bool:
        """Tell whether ``step`` was ever looked at."""
        folder = self.folder / step
        return any(one == step for one, _ in self._memory) or (folder.is_dir() and any(folder.glob("*.json")))

    def all(self, step: str) -> list[Evidence]:
        """Return every evidence of ``step`` in the order it was written; damaged files are passed over."""
        found = []
        for _, path in sorted(self._orders(step)):
            try:
                found.append(self._read(path))
            except CompanionError:
                continue
        return found

    def keep(self, evidence: Evidence) -> Evidence:
        """Write ``evidence`` safely and return it with its place in the order.

        Answers and away tests already given for the same content are kept in front of the new ones. A file that
        cannot be read is put aside, not written over: a person may still save what was answered in it.
        """
        path = self._path(evidence.step, evidence.fingerprint)
        try:
            before = self._read(path) if path.is_file() else None
        except CompanionError:
            before = None
            _put_aside(path)
        if before:
            evidence = msgspec.structs.replace(
                evidence,
                answers=_joined(before.answers, evidence.answers),
                away=_joined(before.away, evidence.away),
            )
        last = max((order for order, _ in self._orders(evidence.step)), default=0)
        evidence = msgspec.structs.replace(evidence, order=last + 1)
        # The standard encoder writes a lone surrogate (a name that is not UTF-8) as an escape and reads it back.
        text = json.dumps(msgspec.to_builtins(evidence), ensure_ascii=True, indent=1)
        write_safely(path, text.encode("ascii") + b"\n")
        self._memory.pop((evidence.step, evidence.fingerprint), None)
        return evidence

    def hold(self, evidence: Evidence) -> None:
        """Remember ``evidence`` without writing it, beside the answers given for the same content before."""
        key = evidence.step, evidence.fingerprint
        if before := self.find(*key):
            evidence = msgspec.structs.replace(evidence, answers=before.answers, away=before.away)
        self._memory[key] = evidence

    def _orders(self, step: str) -> list[tuple[int, Path]]:
        found = []
        for path in (self.folder / step).glob("*.json"):
            try:
                with path.open("rb") as stream:
                    match = _ORDER.search(stream.read(1024))
            except OSError:
                match = None  # reading it whole will tell
            found.append((int(match[1]) if match else 0, path))
        return found

    def _read(self, path: Path) -> Evidence:
        try:
            return msgspec.convert(json.loads(read_capped(path, MOST_BYTES, "evidence")), Evidence)
        except (ValueError, RecursionError, msgspec.ValidationError) as error:
            raise CompanionError(
                f"The evidence cannot be read: {error}", str(path), "remove that file and run the step again"
            ) from error


def _put_aside(path: Path) -> None:
    number = 1
    while (aside := path.with_name(f"{path.name}.damaged-{number}")).exists():
        number += 1
    try:
        path.rename(aside)
    except OSError as error:
        raise explain_os_error(error, "put the damaged evidence aside", path) from error


def _joined(before: tuple[Any, ...], after: tuple[Any, ...]) -> tuple[Any, ...]:
    return before + tuple(item for item in after if item not in before)
