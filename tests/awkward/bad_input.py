"""Kinds of bad input, each with what makes its cases and what must hold of every one: see test_bad_input.py."""

from __future__ import annotations

import contextlib
import io
import json
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from hypothesis import strategies as st

from companion.archive.record import ReleaseRecord, Upload, damaged_records, read_records
from companion.cli.base import main
from companion.core.errors import CompanionError
from companion.core.evidence import Answer, AwayTest, Evidence, EvidenceStore
from companion.core.facts import Facts, facts_from_plain, facts_from_toml
from companion.core.findings import BLOCKS, At, Finding
from companion.core.text import visible
from companion.sound.zones.zones import read_table
from companion.trials.kits import QUESTIONS, read_form
from tests.awkward.bad_values import ANY, ARGUMENT, KEYS, TEXT, damaged, facts_texts
from tests.awkward.conftest import FACTS

_OURS = (0, 1, 2)


class Said(NamedTuple):
    code: int
    out: str
    err: str


def run(*arguments: object) -> Said:
    """Run a command in this process; anything but an exit of ours is raised."""
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["companion", *map(str, arguments)]
    code: object = None
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as left:
        code = left.code
    finally:
        sys.argv = before
    assert isinstance(code, int), code
    return Said(code, out.getvalue(), err.getvalue())


def is_well_said(said: Said) -> Said:
    """Hold what was said to the rule: one line where nothing could be done, and never Python's own words."""
    assert said.code in _OURS, said
    assert "Traceback" not in said.err + said.out, said
    assert visible(said.err.replace("\n", " ")) == said.err.replace("\n", " "), ascii(said.err)
    if said.code == 2:
        lines = said.err.strip("\n").split("\n")
        assert len(lines) == 1, said
        assert lines[0], said
        assert len(lines[0]) < 2_000, f"{len(lines[0]):,} characters: {lines[0][:300]}"
    assert len(said.err) < 20_000
    return said


def is_one_line(error: CompanionError) -> str:
    assert "\n" not in error.line
    assert len(error.line) < 2_000, error.line[:300]
    return "refused"


# -- facts -----------------------------------------------------------------------------------------------------------


def read_facts(folder: Path, text: str) -> str:
    """Read facts; say whether they are any. Nothing but one line of ours may come of it."""
    try:
        assert isinstance(facts_from_toml(text), Facts)
    except CompanionError as error:
        return is_one_line(error)
    return "facts"


def read_plain(folder: Path, case: tuple[tuple[str, ...], Any]) -> str:
    key, value = case
    plain: dict[str, Any] = {key[0]: value} if len(key) == 1 else {key[0]: {key[1]: value}}
    try:
        assert isinstance(facts_from_plain(plain), Facts)
    except CompanionError as error:
        return is_one_line(error)
    return "facts"


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("status",),
    ("status", "--json"),
    ("check", "facts", "contents", "paths", "needs", "words", "out", "--json"),
    ("check", "facts", "contents"),
    ("contents",),
    ("needs",),
    ("draft", "page"),
    ("draft", "changelog"),
    ("draft", "readme", "--format", "html"),
    ("trials",),
    ("pack",),
)
WRITING: tuple[tuple[str, ...], ...] = (
    ("waive", "references-unread", "Slate.eeng", "--reason", "it is meant"),
    ("waive", "minimum-unproven", "release.toml", "--where", "engine.minimum", "--reason", "it is meant"),
    ("fact", "instrument.summary", "Another sentence."),
    ("fact", "instrument.tags", "slate", "quiet"),
    ("fact", "limits.voices", "12"),
    ("contents", "--ship", "LICENCE.txt"),
    ("contents", "--stay", "todo.txt"),
)


def on(folder: Path, command: tuple[str, ...]) -> Said:
    return run(command[0], folder, *command[1:])


def bare(folder: Path) -> Path:
    """Return a working folder that costs little to look at."""
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    (folder / "Slate.eeng").write_bytes(b"\0\1Samples/a.txt\0\2")
    (folder / "LICENCE.txt").write_text("CC0 1.0", encoding="utf-8")
    return folder


def look_at_facts(folder: Path, case: tuple[str, tuple[str, ...]]) -> str:
    text, command = case
    facts = bare(folder) / "release.toml"
    facts.write_bytes(text.encode("utf-8"))
    said = is_well_said(on(folder, command))
    assert facts.read_bytes() == text.encode("utf-8"), "the maker's facts are the maker's"
    return f"exit {said.code}"


def edit_facts(folder: Path, case: tuple[str, tuple[str, ...]]) -> str:
    """An edit changes what it was asked to and nothing else; what is refused changes nothing."""
    text, command = case
    facts = bare(folder) / "release.toml"
    data = f"# mine\n{text}".encode()
    facts.write_bytes(data)
    (folder / "todo.txt").write_text("a note", encoding="utf-8")
    said = is_well_said(on(folder, command))
    after = facts.read_bytes()
    if said.code == 2 or after == data:
        assert after == data
        return "as it was"
    assert b"# mine" in after
    was, now = tomllib.loads(data.decode()), tomllib.loads(after.decode())
    key = {"waive": "waivers", "contents": "contents"}.get(command[0]) or command[1].partition(".")[0]
    for name in {*was, *now} - {key}:
        assert repr(was.get(name)) == repr(now.get(name)), name
    is_well_said(run("status", folder))
    return "edited"


# -- files of ours ---------------------------------------------------------------------------------------------------

_AT = "2026-01-02T03:04:05+00:00"
EVIDENCE = json.dumps(
    msgspec.to_builtins(
        Evidence(
            step="away",
            fingerprint="0" * 64,
            order=3,
            taken=_AT,
            companion="1.0.0",
            judge={"away-untried": 1},
            findings=(
                Finding(rule="clipped", severity=BLOCKS, path="a.wav", at=At(frames=(1, 2), rate=44100), value=3),
            ),
            details={"members": [["a", 1]]},
            answers=(Answer(subject="Air:up", result="pass", at=_AT, order=1),),
            away=(AwayTest(kind="another player", result="pass", who="Ada", engine="E", order=2, unused=("x",)),),
        )
    )
).encode()
RECORD = json.dumps(
    msgspec.to_builtins(
        ReleaseRecord(
            title="Slate Choir",
            version="0.9",
            archive="Slate Choir 0.9.zip",
            size=3,
            sha256="0" * 64,
            top="Slate Choir",
            files=(("Slate.eeng", 3, "0" * 64),),
            needs={"minimum": "7.1"},
            snapshot=1,
            snapshot_id="0" * 40,
            at=_AT,
            order=1,
            playable="0" * 64,
            fingerprint="0" * 64,
            facts=FACTS.replace('"1.0"', '"0.9"'),
            uploads=(Upload(where="site", at=_AT, sha256="0" * 64, size=3),),
        )
    )
).encode()


def read_evidence(folder: Path, data: bytes) -> str:
    place = folder / "away" / f"{'0' * 64}.json"
    place.parent.mkdir(parents=True)
    place.write_bytes(data)
    store = EvidenceStore(folder)
    found = list(store.all("away"))
    assert all(isinstance(one, Evidence) for one in found)
    store.last_given("away")
    store.away("away", "0" * 64)
    assert place.read_bytes() == data
    return "read" if found else "passed over"


def read_record(folder: Path, data: bytes) -> str:
    place = folder / "Slate Choir 0.9.release.json"
    place.write_bytes(data)
    found, bad = read_records(folder), damaged_records(folder)
    assert len(found) + len(bad) <= 1
    assert all("\n" not in problem and len(problem) < 2_000 for _, problem in bad)
    assert place.read_bytes() == data
    return "read" if found else "told" if bad else "passed over"


# -- a folder that has been lived in ---------------------------------------------------------------------------------

LOOKS = (
    *(("status",), ("status", "--json"), ("needs",), ("contents",), ("snapshots",), ("snapshots", "--verify")),
    *(("draft", "page"), ("draft", "changelog"), ("draft", "readme")),
    ("check", "facts", "contents", "paths", "controls", "away", "needs", "words", "out", "--json"),
)
JOURNAL = Path(".companion/restore.json")
_KIT = "0123-4567-89ab"
Files = dict[Path, bytes]


def lived_in(folder: Path) -> Files:
    """Return the files of a folder with evidence, an away test, texts, a record, a report and two snapshots."""
    bare(folder)
    run("contents", folder, "--ship", "LICENCE.txt")
    run("check", folder, "facts", "contents", "paths")
    told = ("--engine-version", "7.1", "--edition", "any", "--system", "Windows 11", "--played", "all keys")
    assert run("away", folder, "--kind", "another player", "--result", "pass", "--who", "Ada", *told).code == 0
    for text in ("changelog", "readme", "page"):
        assert run("draft", folder, text, "--write").code == 0
    for place, data in (("releases/Slate Choir 0.9.release.json", RECORD), (".companion/reports/C3.txt", b"It hums.")):
        (folder / place).parent.mkdir(exist_ok=True)
        (folder / place).write_bytes(data)
    kits = folder / ".companion" / "kits"
    kits.mkdir(exist_ok=True)
    record = {"code": _KIT, "who": "Ada", "at": "2026-01-02T03:04:05+00:00", "version": "1.0", "content": "0" * 64}
    (kits / f"{_KIT}.json").write_text(json.dumps({**record, "engine": "Example Engine", "schema": 1}), "utf-8")
    assert run("snapshot", folder, "-m", "first").code in (0, 1)
    (folder / "LICENCE.txt").write_text("CC0 1.0 Universal", encoding="utf-8")
    assert run("snapshot", folder, "-m", "second").code in (0, 1)
    return {path.relative_to(folder): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def put(folder: Path, files: Files) -> None:
    for path, data in files.items():
        place = folder / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)


def one_of_ours(files: Files) -> st.SearchStrategy[Any]:
    """Return cases of one file of ours damaged, and the command that meets it."""
    ours = [path for path in files if path.suffix in (".json", ".md", ".html", ".txt") or path.name == "cache.sqlite3"]
    assert any(path.parts[:2] == (".companion", "evidence") for path in ours)

    @st.composite
    def cases(draw: st.DrawFn) -> tuple[Path, bytes, tuple[str, ...]]:
        path = draw(st.sampled_from(ours))
        before = files[path]
        bad = draw(damaged(before)) if path.suffix == ".json" else draw(st.binary(max_size=99)) + before[9:]
        return path, bad, draw(st.sampled_from(LOOKS))

    return cases()


def look_at_ours(folder: Path, files: Files, case: tuple[Path, bytes, tuple[str, ...]]) -> str:
    path, bad, command = case
    put(folder, {**files, path: bad})
    said = is_well_said(on(folder, command))
    if path.name != "cache.sqlite3":  # which may be lost at any time
        there = any(bad == one.read_bytes() for one in folder.rglob("*") if one.is_file())
        assert there or _goes_on(bad, folder / path), f"{path} was lost"
    return f"exit {said.code}"


def _goes_on(before: bytes, path: Path) -> bool:
    """Tell whether a file is evidence that reads, and that was judged anew with all that people answered in it."""
    try:
        was, now = (msgspec.convert(json.loads(data), Evidence) for data in (before, path.read_bytes()))
    except (ValueError, msgspec.ValidationError, RecursionError):
        return False
    return {*was.answers, *was.away} <= {*now.answers, *now.away}


_PIECES = (
    "# ",
    "## [1.0] - 2026-01-02\n",
    "- ",
    "\n\n",
    "<table>",
    "</p>",
    "| a | b |\n|---|---|\n",
    "```\n",
    "\r",
    "[x](y)",
)


@st.composite
def edited_texts(draw: st.DrawFn, files: Files) -> tuple[Path, bytes, tuple[str, ...]]:
    """Return a public text with pieces put in and taken out anywhere, or another text or encoding altogether."""
    texts = [one for one in files if one.parts[0] != ".companion" and one.suffix in (".md", ".txt")]
    assert {one.name.lower() for one in texts} >= {"changelog.md", "readme.md", "slate choir 1.0 page.md"}
    path = draw(st.sampled_from(texts))
    text = files[path].decode("utf-8")
    for _ in range(draw(st.integers(1, 4))):
        at, gone = draw(st.integers(0, len(text))), draw(st.sampled_from((0, 0, 1, 40, 1_000_000)))
        text = text[:at] + draw(st.one_of(st.sampled_from(_PIECES), TEXT)) + text[at + gone :]
    encoding = draw(st.sampled_from(("utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252")))
    return path, text.encode(encoding, "ignore"), draw(st.sampled_from(LOOKS))


def look_at_texts(folder: Path, files: Files, case: tuple[Path, bytes, tuple[str, ...]]) -> str:
    """A maker's text is judged and never written by a look; a draft written over it keeps what it said."""
    path, data, command = case
    put(folder, {**files, path: data})
    said = is_well_said(on(folder, command))
    assert (folder / path).read_bytes() == data
    return f"exit {said.code}"


def reports(files: Files) -> st.SearchStrategy[Any]:
    name = TEXT.filter(lambda text: 0 < len(text.encode("utf-8")) < 200 and not {"/", "\0", "\\"} & set(text))
    names = name.filter(lambda text: text not in (".", ".."))
    words = st.one_of(TEXT.map(str.encode), st.binary(max_size=300))
    keys = st.sampled_from(("at", "version", "state", "answer", "kind", "answered_in", "about", "name", "x"))
    values = st.sampled_from(
        ('"answered"', '"fixed"', '"0.9"', '["hum"]', "7", '""', "1e999", '"\\u001b[31m\\n"', "{}")
    )
    lines = st.lists(st.builds("{} = {}".format, keys, values), max_size=8)
    known = st.one_of(lines.map("\n".join).map(str.encode), words)
    looks = st.sampled_from([*LOOKS, ("releases",)])
    return st.one_of(st.tuples(names, words, looks), st.tuples(st.just("C3.txt.toml"), known, looks))


def look_at_reports(folder: Path, files: Files, case: tuple[str, bytes, tuple[str, ...]]) -> str:
    name, data, command = case
    put(folder, files)
    place = folder / ".companion" / "reports" / name
    place.write_bytes(data)
    said = is_well_said(on(folder, command))
    assert place.read_bytes() == data
    return f"exit {said.code}"


def journals(files: Files) -> st.SearchStrategy[Any]:
    whole = json.dumps({"schema": 1, "number": 1, "commit": "0" * 40, "only": ["LICENCE.txt"], "before": "1" * 40})
    return st.tuples(damaged(whole.encode()), st.sampled_from(LOOKS))


def look_at_journals(folder: Path, files: Files, case: tuple[bytes, tuple[str, ...]]) -> str:
    """A journal that names nothing there is costs no file of the maker's."""
    data, command = case
    put(folder, {**files, JOURNAL: data})
    said = is_well_said(on(folder, command))
    for path, was in files.items():
        if path.parts[0] not in (".companion", "releases"):
            assert (folder / path).read_bytes() == was, path
    return f"exit {said.code}"


@st.composite
def returned(draw: st.DrawFn) -> bytes:
    """Return what a helper may send back: a form with anything in it, a zip of it, or something else."""
    lines = [f"How did it go? Kit {draw(st.sampled_from((_KIT, _KIT, _KIT, '9999-9999-9999', '')))}", ""]
    right = dict(
        zip(QUESTIONS, ("7.1", "any", "Windows 11", "yes", "no", "yes", "all keys", "yes", "", "Ada"), strict=True)
    )
    for _ in range(draw(st.integers(1, 3))):
        one = st.sampled_from(("", "yes", "no", "7.1", "7.2 beta", "6.0", "7.1 build 3"))
        right[draw(st.sampled_from(list(QUESTIONS)))] = draw(st.one_of(one, TEXT))
    for number, (key, question) in enumerate(QUESTIONS.items(), 1):
        lines += [f"{number}. {question.format(engine='Example Engine')}", f"Answer: {right[key]}", ""]
    text = "\n".join(lines)
    if draw(st.integers(0, 4)) == 0:
        cut = draw(st.integers(0, len(text)))
        text = text[:cut] + draw(TEXT) + text[cut + draw(st.integers(0, 90)) :]
    data = text.encode(draw(st.sampled_from(("utf-8", "utf-16", "cp1252", "utf-8-sig"))), "replace")
    if draw(st.integers(0, 4)) == 0:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            archive.writestr(draw(st.sampled_from(("Form.txt", "a/Form.txt", "../Form.txt", "x.wav"))), data)
        data = packed.getvalue()
        return data[: draw(st.sampled_from((len(data), len(data) - 5, 30)))]
    return data


def receive(folder: Path, files: Files, data: bytes) -> str:
    put(folder, files)
    place = folder.parent / f"{folder.name} came back"
    place.write_bytes(data)
    try:
        said = is_well_said(run("receive", folder, place))
        assert place.read_bytes() == data
    finally:
        place.unlink()
    if said.code == 2:
        assert {p.relative_to(folder) for p in (folder / ".companion/evidence").rglob("*.json")} <= set(files)
    is_well_said(run("status", folder))
    return f"exit {said.code}"


def read_forms(folder: Path, data: bytes) -> str:
    try:
        form = read_form(data, "form")
    except CompanionError as error:
        return is_one_line(error)
    assert all(visible(one) == one for one in form.answers.values())
    return "read"


def read_zones(folder: Path, text: str) -> str:
    return "rows" if read_table(text) else "none"


ZONES = st.lists(st.lists(TEXT, max_size=5).map(",".join), max_size=5).map(
    lambda rows: "\n".join(("path,note,velocity,take,layer", *rows))
)

# -- arguments -------------------------------------------------------------------------------------------------------

START = st.tuples(st.sampled_from(("--title", "--maker", "--engine", "--saved-with", "--patch", "--edition")), ARGUMENT)


def start(folder: Path, case: tuple[str, str]) -> str:
    option, value = case
    (folder / "Slate.eeng").write_bytes(b"\0\1Samples/a.txt\0\2")
    given_options = {"--title": "T", "--maker": "M", "--engine": "E", "--saved-with": "7.1", option: value}
    said = is_well_said(run("start", folder, *(part for pair in given_options.items() for part in pair)))
    assert (folder / "release.toml").exists() == (said.code != 2)
    if said.code != 2:
        after = is_well_said(run("status", folder))
        assert after.code in (0, 1), after
    return f"exit {said.code}"


def waive(folder: Path, case: tuple[str, str, str]) -> str:
    rule, path, reason = case
    before = (bare(folder) / "release.toml").read_bytes()
    said = is_well_said(run("waive", folder, rule, path, "--reason", reason))
    if said.code == 2:
        assert (folder / "release.toml").read_bytes() == before
    is_well_said(run("status", folder))
    return f"exit {said.code}"


WAIVERS = st.tuples(
    *(
        st.one_of(st.sampled_from(known), st.sampled_from(known), ARGUMENT)
        for known in (("references-unread", "patch-opaque", "away-untried"), ("", "Slate.eeng", "Slate.eeng"), ("x",))
    )
)
AWAY = st.tuples(
    st.sampled_from(
        ("--who", "--engine-version", "--system", "--played", "--notes", "--kind", "--result", "--edition")
    ),
    ARGUMENT,
)


def away(folder: Path, case: tuple[str, str]) -> str:
    option, value = case
    bare(folder)
    told = {"--kind": "another player", "--result": "pass", "--who": "Ada", "--engine-version": "7.1"}
    told |= {"--system": "Windows 11", "--played": "all keys", option: value}
    said = is_well_said(run("away", folder, *(part for pair in told.items() for part in pair)))
    after = is_well_said(run("status", folder))
    assert after.code in (0, 1), after
    is_well_said(run("needs", folder))
    is_well_said(run("draft", folder, "page"))
    return f"exit {said.code}"


FACT = st.tuples(
    st.one_of(st.sampled_from([".".join(key) for key in KEYS]), ARGUMENT), st.lists(ARGUMENT, max_size=2).map(tuple)
)


def state(folder: Path, case: tuple[str, tuple[str, ...]]) -> str:
    """What ``fact`` takes, it can read again, and shows as it was stated."""
    key, values = case
    before = (bare(folder) / "release.toml").read_bytes()
    said = is_well_said(run("fact", folder, key, *values))
    after = (folder / "release.toml").read_bytes()
    if said.code == 2 or not values:
        assert after == before
    assert is_well_said(run("status", folder)).code in (0, 1)
    return f"exit {said.code}"


SHIP = st.tuples(st.sampled_from(("--ship", "--stay")), st.one_of(st.sampled_from(("todo.txt", "Notes/")), ARGUMENT))


def ship(folder: Path, case: tuple[str, str]) -> str:
    option, what = case
    before = (bare(folder) / "release.toml").read_bytes()
    (folder / "Notes").mkdir()
    for name in ("todo.txt", "Notes/[a] *.txt"):
        (folder / name).write_text("a note", encoding="utf-8")
    said = is_well_said(run("contents", folder, option, what))
    if said.code == 2:
        assert (folder / "release.toml").read_bytes() == before
    assert is_well_said(run("status", folder)).code in (0, 1)
    return f"exit {said.code}"


class Kind(NamedTuple):
    """A kind of bad input. check: raises where a case does harm, else says how it ended. ours: whether both take the
    files of a folder that has been lived in. quick: cases of the quick suite.
    """

    cases: Callable[..., st.SearchStrategy[Any]]
    check: Callable[..., str]
    ours: bool = False
    quick: int = 25


KINDS = {
    "facts": Kind(facts_texts, read_facts, quick=200),
    "values": Kind(lambda: st.tuples(st.sampled_from(KEYS), ANY), read_plain, quick=200),
    "looks": Kind(lambda: st.tuples(facts_texts(), st.sampled_from(COMMANDS)), look_at_facts),
    "edits": Kind(lambda: st.tuples(facts_texts(), st.sampled_from(WRITING)), edit_facts),
    "evidence": Kind(lambda: damaged(EVIDENCE), read_evidence, quick=200),
    "record": Kind(lambda: damaged(RECORD), read_record, quick=200),
    "ours": Kind(one_of_ours, look_at_ours, ours=True),
    "texts": Kind(edited_texts, look_at_texts, ours=True),
    "reports": Kind(reports, look_at_reports, ours=True, quick=10),
    "journals": Kind(journals, look_at_journals, ours=True, quick=10),
    "forms": Kind(returned, read_forms, quick=100),
    "returned": Kind(lambda _: returned(), receive, ours=True, quick=10),
    "zones": Kind(lambda: ZONES, read_zones, quick=100),
    "start": Kind(lambda: START, start),
    "waive": Kind(lambda: WAIVERS, waive),
    "away": Kind(lambda: AWAY, away),
    "fact": Kind(lambda: FACT, state),
    "ship": Kind(lambda: SHIP, ship),
}
