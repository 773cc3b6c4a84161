"""Evidence: what was found, or answered, for exactly this content, and by which judge.

A step's evidence lies under the fingerprint of everything it judged and a digest of who judged: the versions of its
rules and of the measures they rest on. When either changes, the evidence is not found any more: the step is stale by
itself. When they come back, so does the proof. What a person answered belongs to the content alone. Evidence is only
ever added to.
"""

import contextlib
import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

import msgspec

from companion.core.errors import CompanionError
from companion.core.files import explained, read_capped, write_safely
from companion.core.findings import Finding
from companion.core.folder import OURS
from companion.core.hold import Hold
from companion.core.regular import opened

T = TypeVar("T")

SCHEMA: Final = 2
"""1 is of a companion whose waivers did not note what they are for; it reads the same."""
MOST_BYTES: Final = 64 << 20
_ORDER: Final = re.compile(rb'"order": (\d{1,18})\b')


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What a person judged by ear or hand: ``subject`` is the id of the trial; ``at`` is UTC in ISO 8601.

    content: fingerprint of what can change this answer; empty where that was not written down yet: it then rests on all
    that its step judged. order: rises by one with each answer given in the folder; 0 where it was not counted yet.
    """

    subject: str
    result: Literal["pass", "fail", "note"]
    note: str = ""
    at: str = ""
    content: str = ""
    order: int = 0


AwayKind = Literal["originals hidden", "another computer", "another player", "a piece of music"]


class AwayTest(msgspec.Struct, frozen=True, kw_only=True):
    """One report from where the maker is not. ``who``: a first name or initials, never more.

    engine: what the facts called the engine then. played: what was opened and played. content: fingerprint of what can
    change the answer of this kind of test; empty, as all three are, in tests of an older companion. order: as that of
    an answer.
    """

    kind: AwayKind
    result: Literal["pass", "fail"]
    who: str = ""
    engine: str = ""
    engine_version: str = ""
    edition: str = ""
    system: str = ""
    played: str = ""
    notes: str = ""
    at: str = ""
    reached_originals: bool = False
    unused: tuple[str, ...] = ()
    content: str = ""
    order: int = 0


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of one step for one content.

    fingerprint: SHA-256 hex over the inputs judged. judge: versions of the rules and measures that judged, by id; empty
    where that was not written down yet. taken: UTC, ISO 8601. order: rises by one with each evidence written for the
    step, so that a clock set back cannot reorder them. findings: none are waived here; waivers apply when a state is
    worked out. details: what the step wants to show again, as plain JSON values.
    """

    step: str
    fingerprint: str
    order: int = 0
    taken: str
    companion: str
    judge: dict[str, int] = {}
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
    """The evidence of one working folder: ``FOLDER/STEP/FINGERPRINT-JUDGE.json``; without ``-JUDGE`` where it is empty.

    Every file is read once at most, so a store lasts as long as one look. memory: what no disk would take, by step and
    file name; it lasts as long as whoever owns it.
    """

    def __init__(self, folder: Path, memory: dict[tuple[str, str], Evidence] | None = None) -> None:
        self.folder = folder
        self._root = folder.parent.parent if folder.parent.name == OURS else folder.parent
        self._memory = {} if memory is None else memory
        self._seen: dict[Path, Evidence | None] = {}

    def find(self, step: str, mark: str, judge: Mapping[str, int]) -> Evidence | None:
        """Return the evidence of ``step`` for the content with this fingerprint by this judge, or None.

        One damaged file costs one look: it counts as none, and is put aside when the step is run again.
        """
        name = _name(mark, judge)
        return self._memory.get((step, name)) or self._read_once(self.folder / step / name)

    def of_content(self, step: str, mark: str) -> list[Evidence]:
        """Return every evidence of ``step`` for this content, whoever judged, in the order it was written."""
        found = [self._read_once(path) for path in (self.folder / step).glob(f"{mark}*.json")]
        held = [one for (of, _), one in list(self._memory.items()) if of == step and one.fingerprint == mark]
        return [*sorted((one for one in found if one), key=lambda one: one.order), *held]

    def answers(self, step: str, mark: str) -> tuple[Answer, ...]:
        """Return the answers given for this content, whatever the rules were then, in the order they were given."""
        return _joined(one.answers for one in self.of_content(step, mark))

    def away(self, step: str, mark: str) -> tuple[AwayTest, ...]:
        """Return the away tests recorded for this content, in the order they were."""
        return _joined(one.away for one in self.of_content(step, mark))

    def last_given(self, step: str) -> int:
        """Return the order of what a person judged last, of all that was ever judged in this step; 0: of nothing."""
        answers = (answer.order for one in self.all(step) for answer in one.answers)
        tests = (test.order for one in self.all(step) for test in one.away)
        return max((*answers, *tests), default=0)

    def has_any(self, step: str, mark: str = "") -> bool:
        """Tell whether ``step`` was ever looked at, or ever for the content with this fingerprint."""
        held = any(of == step and name.startswith(mark) for of, name in list(self._memory))
        return held or any((self.folder / step).glob(f"{mark}*.json"))

    def all(self, step: str) -> list[Evidence]:
        """Return every evidence of ``step`` in the order it was written; damaged files are passed over."""
        found = (self._read_once(path) for _, path in sorted(self._orders(step)))
        return [one for one in found if one]

    def keep(self, evidence: Evidence) -> Evidence:
        """Write ``evidence`` safely and return it with its place in the order.

        Answers and away tests already given for the same content are kept in front of the new ones. A file that
        cannot be read is put aside, not written over: a person may still save what was answered in it.
        """
        path = self.folder / evidence.step / _name(evidence.fingerprint, evidence.judge)
        self._seen.clear()  # another process may have answered since
        if path.is_file() and self._read_once(path) is None:
            _put_aside(path, self._root)
        standing = self._read_once(path) if path.is_file() else None
        before = self.of_content(evidence.step, evidence.fingerprint)
        last = max((order for order, _ in self._orders(evidence.step)), default=0)
        evidence = msgspec.structs.replace(
            evidence,
            order=last + 1,
            schema=min(evidence.schema, standing.schema) if standing else evidence.schema,
            answers=_joined([*(one.answers for one in before), evidence.answers]),
            away=_joined([*(one.away for one in before), evidence.away]),
        )
        # The standard encoder writes a lone surrogate (a name that is not UTF-8) as an escape and reads it back.
        text = json.dumps(msgspec.to_builtins(evidence), ensure_ascii=True, indent=1)
        write_safely(path, text.encode("ascii") + b"\n", root=self._root)
        self._memory.pop((evidence.step, path.name), None)
        self._seen.clear()
        return evidence

    def hold(self, evidence: Evidence) -> None:
        """Remember ``evidence`` without writing it; the answers on disk stand beside it."""
        self._memory[evidence.step, _name(evidence.fingerprint, evidence.judge)] = evidence

    def _orders(self, step: str) -> list[tuple[int, Path]]:
        found = []
        for path in (self.folder / step).glob("*.json"):
            try:
                with opened(path) as stream:
                    match = _ORDER.search(stream.read(1024))
            except OSError:
                match = None  # reading it whole will tell
            found.append((int(match[1]) if match else 0, path))
        return found

    def _read_once(self, path: Path) -> Evidence | None:
        if path not in self._seen:
            self._seen[path] = None
            if path.is_file():
                with contextlib.suppress(CompanionError, ValueError, RecursionError, msgspec.ValidationError):
                    read = _decoded(read_capped(path, MOST_BYTES, "evidence"))
                    self._seen[path] = read if read.schema <= SCHEMA else None  # else a newer companion's
        return self._seen[path]


def _decoded(data: bytes) -> Evidence:
    """Return what evidence says. Raises ValueError, RecursionError or a validation error where it cannot be read."""
    try:
        # Read as text first: what is passed over as unknown is not looked at, and a damaged name of a list of answers
        # would pass for one that a newer companion knows.
        return msgspec.json.decode(data.decode("utf-8"), type=Evidence)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        # The quick reader takes no escaped lone surrogate, which stands for a name that is not UTF-8.
        return msgspec.convert(json.loads(data), Evidence)


def _name(mark: str, judge: Mapping[str, int]) -> str:
    return f"{mark}-{fingerprint([], judge)[:16]}.json" if judge else f"{mark}.json"


def _put_aside(path: Path, root: Path) -> None:
    with explained("put the damaged evidence aside", path), Hold(path.parent, root) as folder:
        number = 1
        while folder.look(aside := f"{path.name}.damaged-{number}") is not None:
            number += 1
        folder.move(path.name, aside)


def _joined(parts: Iterable[tuple[T, ...]]) -> tuple[T, ...]:
    return tuple(dict.fromkeys(item for part in parts for item in part))
