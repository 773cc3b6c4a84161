"""What each command prints with ``--json``, as types: documented from these, and held to them by the tests."""

import json
from collections.abc import Mapping
from enum import Enum
from pathlib import Path
from types import GenericAlias, UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from companion.core.findings import Finding, Severity

_PLAIN: Final[dict[Any, str]] = {
    str: "text",
    Path: "text",
    int: "whole number",
    float: "number",
    bool: "true or false",
    type(None): "null",
    msgspec.UnsetType: "left out",
    Any: "anything",
}


def type_text(kind: Any) -> str:
    """Return what a type allows: ``text``, ``list of text``, ``“C3” or “C4”``, or the name of an object."""
    origin, inside = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return type_text(inside[0])
    if origin is Literal:
        return " or ".join(f"“{value}”" for value in inside if value != "")
    if origin in (Union, UnionType):
        return " or ".join(type_text(part) for part in inside)
    if origin is tuple and Ellipsis not in inside:
        return f"list [{', '.join(map(type_text, inside))}]"
    if origin in (tuple, list):
        return f"list of {type_text(inside[0])}"
    if origin in (dict, Mapping):
        return f"object of {type_text(inside[1])} by {type_text(inside[0])}"
    if isinstance(kind, type) and issubclass(kind, Enum):
        return " or ".join(f"“{one.value}”" for one in kind)
    return _PLAIN.get(kind) or str(getattr(kind, "__name__", kind))


def default_text(field: msgspec.structs.FieldInfo) -> str:
    """Return the default of a field as JSON and TOML write it; ``none`` where it is empty."""
    value = field.default if field.default is not msgspec.NODEFAULT else None
    return "none" if value in (None, "", ()) else json.dumps(value)


class FindingCounts(msgspec.Struct, frozen=True, kw_only=True):
    """How many findings there are of each severity; those that are waived are counted apart."""

    blocks: int
    warns: int
    notes: int
    waived: int


class StepOutput(msgspec.Struct, frozen=True, kw_only=True):
    """One step: because says why it is in that state, next what to do."""

    id: str
    title: str
    state: str
    because: str
    next: str
    findings: FindingCounts


class NotKept(msgspec.Struct, frozen=True, kw_only=True):
    """How many files changed since the newest snapshot, by kind; facts: whether release.toml did."""

    samples: int
    patches: int
    scripts: int
    facts: bool
    others: int


class SnapshotOutput(msgspec.Struct, frozen=True, kw_only=True):
    """Whether a snapshot is due, why, a label to offer, and the newest there is with its time (UTC, ISO 8601)."""

    due: bool
    because: str
    label: str
    newest: int | None
    taken: str
    not_kept: NotKept


class StatusOutput(msgspec.Struct, frozen=True, kw_only=True):
    """The checklist. proven, waived: how many of the steps are. snapshot: null where nothing can be known of it."""

    title: str
    version: str
    proven: int
    waived: int
    steps: tuple[StepOutput, ...]
    snapshot: SnapshotOutput | None


class AskedOutput(msgspec.Struct, frozen=True, kw_only=True):
    """Names that may say more than is read: how many, the first of them, why, and the line that would have them read
    (empty where there is none).
    """

    names: int
    first: str
    why: str
    line: str


class NamesOutput(msgspec.Struct, frozen=True, kw_only=True):
    """How the names of the samples are read. patterns, language, middle_c: as the facts would say it; read: of how many
    of ``names`` a note is; without_note: of how many something else. examples: three names and what they say, by path.
    why: what settled language and octaves. told: all of it in sentences.
    """

    patterns: tuple[str, ...]
    language: str
    middle_c: str
    names: int
    read: int
    without_note: int
    examples: dict[str, str]
    why: tuple[str, ...]
    asked: tuple[AskedOutput, ...]
    told: tuple[str, ...]


class CheckedStep(msgspec.Struct, frozen=True, kw_only=True):
    """A step that was run. read: how each patch and script was read, by path; empty but for paths. compared: the facts
    that each text states and was held to, by path (empty for a page that lies nowhere yet); empty but for words. names:
    how the names of the samples are read; null but for sound.
    """

    id: str
    state: str
    because: str
    read: dict[str, str]
    compared: dict[str, tuple[str, ...]]
    names: NamesOutput | None


class StepFinding(Finding, frozen=True, kw_only=True):
    """A finding, and the step that made it: the sentences, and the data they are written from.

    at: where it is, any of frames [first, last + 1], rate (Hz), channel, byte, line, key, velocity, take, control,
    fact, others (paths). value, unit and bound: what was measured and what it was held against. unknown: the check
    looked and could not tell. waived: the reason given, empty where none was.
    """

    step: str


class RuleOutput(msgspec.Struct, frozen=True, kw_only=True):
    """A rule. version: raised whenever its verdict on the same input may change; rests_on: measures by id, alike."""

    id: str
    step: str
    severity: Severity
    version: int
    rests_on: dict[str, int]
    means: str
    why: str
    mend: str
    limit: str
    unit: str
    bound: float | None
    source: str
    unknown: bool


def outputs() -> dict[str, dict[str, Any]]:
    """Return the keys of what each command prints, with their types, beside ``schema``, which is 1."""
    from companion.archive.record import ReleaseRecord
    from companion.cli.render.play import PlayedPart
    from companion.contents.ships import ShipList
    from companion.core.evidence import AwayTest
    from companion.drawing.shapes import Drawing
    from companion.history.model import Adopted, Forgotten, Mirrored, Restored, Size, Verified
    from companion.history.snapshot import Snapshot
    from companion.sound.measures.measured import FIELDS, Measured
    from companion.steps.account.changes import Changes
    from companion.steps.account.moved import Moved
    from companion.steps.checks.needs import Line
    from companion.steps.deeds.hiding import HiddenAway
    from companion.steps.deeds.host_files import HostFiles
    from companion.steps.deeds.kit_run import KitAtHelper, OpenedAtHelper
    from companion.steps.deeds.kits import Kit
    from companion.steps.deeds.receiving import Received
    from companion.steps.deeds.released import ReleaseOut
    from companion.steps.deeds.reports import Subject
    from companion.steps.deeds.shelf import Shelved
    from companion.steps.deeds.update import Updated
    from companion.steps.looks.archive import Packed, StrangerProof
    from companion.steps.looks.controls import TrialView
    from companion.steps.looks.coverage import Coverage
    from companion.steps.looks.judging import JudgedBounce
    from companion.steps.looks.kits_sent import SentKit
    from companion.steps.looks.performance import Performed
    from companion.steps.looks.words import Draft
    from companion.steps.meaning import Meaning
    from companion.trials.away_filing import Aside
    from companion.trials.reports import Report

    shot: Any = _object("Snapshot", Snapshot.__doc__, get_type_hints(Snapshot.__init__))
    restored = _object("Restored", Restored.__doc__, {**get_type_hints(Restored), "safety": shot | None})
    hints = get_type_hints(Measured)
    measured: Any = _object(
        "Measured",
        Measured.__doc__,
        {**{name: hints[name] for name in FIELDS}, "problem": dict[str, str] | msgspec.UnsetType},
    )
    return {
        "status": get_type_hints(StatusOutput),
        "check": {"steps": tuple[CheckedStep, ...], "findings": tuple[StepFinding, ...]},
        "needs": {"needs": tuple[Line, ...]},
        "fact": {"fact": str, "value": Any},
        "contents": {"contents": ShipList},
        "show": {"drawing": Drawing},
        "play": {"played": PlayedPart},
        "start": {"facts": str, "seen": tuple[str, ...], "open": tuple[str, ...]},
        "trials": {"trials": tuple[TrialView, ...]},
        "perform": {"performance": Performed},
        "judge": {"bounce": JudgedBounce},
        "coverage": {"coverage": Coverage},
        "kit": {"kit": Kit},
        "kit list": {"kits": tuple[SentKit, ...], "next": str},
        "kit run": {"kit": KitAtHelper, "opened": OpenedAtHelper, "answer": str},
        "receive": {"received": Received},
        "away hide": get_type_hints(HiddenAway),
        "away watch": {"host": HostFiles},
        "away back": {"names": tuple[str, ...], "kept": tuple[str, ...]},
        "report add": {"report": Report, "left_out": tuple[str, ...], "likely": tuple[str, ...]},
        "report list": {"reports": tuple[Report, ...]},
        "report show": {"report": Report, "subjects": tuple[Subject, ...]},
        "report edit": {"report": Report},
        "report answer": {"report": Report},
        "report close": {"report": Report},
        "sheet": {"sheet": Path},
        "shelf": {"shelf": tuple[Shelved, ...]},
        "releases": {"releases": tuple[ReleaseOut, ...]},
        "away": {"here": tuple[AwayTest, ...], "elsewhere": tuple[Aside, ...], "next": str},
        "snapshot": {"snapshot": shot},
        "snapshots": {"snapshots": _list_of(shot)},
        "snapshots --changes": {"snapshots": _list_of(shot), "changes": dict[int, Moved | None]},
        "snapshots --verify": {"verified": Verified},
        "snapshots --size": {"size": Size},
        "compare": {"changes": Changes},
        "restore": {"restored": restored},
        "forget": {"forgotten": Forgotten},
        "mirror": {"mirror": Mirrored},
        "adopt": {"adopted": Adopted},
        "draft": {"draft": Draft, "written": bool},
        "pack": {"archive": Packed},
        "pack --since": {"update": Updated},
        "prove": {"proof": StrangerProof},
        "release": {"release": ReleaseRecord},
        "upload": {"archive": str, "findings": tuple[Finding, ...]},
        "measure": {"files": _list_of(measured)},
        "explain": {"rules": tuple[RuleOutput, ...]},
        "explain STEP": {"step": Meaning, "rules": tuple[RuleOutput, ...]},
    }


def _list_of(kind: Any) -> Any:
    return GenericAlias(tuple, (kind, ...))


def _object(name: str, doc: str | None, hints: Mapping[str, Any]) -> Any:
    """Return a type for what stands in no struct, or not as it is printed."""
    fields = [
        (key, kind, msgspec.UNSET) if msgspec.UnsetType in get_args(kind) else (key, kind)
        for key, kind in hints.items()
        if key != "return"
    ]
    return msgspec.defstruct(name, fields, namespace={"__doc__": doc}, kw_only=True)


def _walk(kind: Any, found: dict[str, Any]) -> None:
    """Add every object in a type to ``found``, by its name."""
    for part in get_args(kind):
        _walk(part, found)
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct) and kind.__name__ not in found:
        found[kind.__name__] = kind
        for inner in get_type_hints(kind).values():
            _walk(inner, found)


def outputs_data() -> dict[str, Any]:
    """Return a JSON Schema (2020-12) of what each command prints."""
    commands = {}
    for command, keys in outputs().items():
        whole = _object("Output", f"What companion {command} --json prints.", {"schema": int, **keys})
        commands[command] = msgspec.json.schema(whole, schema_hook=_path_schema)
    return {"commands": commands}


def _path_schema(kind: type) -> dict[str, Any]:
    if issubclass(kind, Path):
        return {"type": "string"}
    raise NotImplementedError(kind)


def outputs_lines() -> list[str]:
    """Return the same as text: the keys each command prints, then each object once with its fields."""
    found: dict[str, Any] = {}
    lines = ["Each command prints one object with “schema”: 1 and these keys. Keys may be added under the same schema."]
    for command, keys in outputs().items():
        lines += ["", f"companion {command} --json", *(f"  {key}: {type_text(kind)}" for key, kind in keys.items())]
        for kind in keys.values():
            _walk(kind, found)
    for name, kind in sorted(found.items()):
        lines += [
            "",
            name,
            *(f"  {line.strip()}" for line in (kind.__doc__ or "").strip().splitlines() if line.strip()),
        ]
        lines += [f"    {key}: {type_text(inner)}" for key, inner in get_type_hints(kind).items()]
    return lines
