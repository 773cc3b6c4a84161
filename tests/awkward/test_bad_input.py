"""Bad input by the thousand: facts, evidence, records and texts of ours in which anything may stand.

Whatever it is, a command ends with an exit code of ours, says what is wrong in one line, and loses nothing: a file of
ours that cannot be read is never written over. The quick suite draws a few cases of each kind, the campaign 10,000.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.archive.record import damaged_records, read_records
from companion.cli.base import main
from companion.core.errors import CompanionError
from companion.core.evidence import EvidenceStore
from companion.core.facts import Facts, facts_from_plain, facts_from_toml
from companion.core.text import visible
from tests.awkward.conftest import FACTS

QUICK, MANY, FEW_COMMANDS = 200, 10_000, 25
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


def is_well_said(said: Said) -> None:
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


# -- values ----------------------------------------------------------------------------------------------------------

_TELLING = (
    *("", " ", "\n", "\t x", "\0", "a\0b", "７.1", "7.1c", "٣.٤", "1..2", "-1", "1e999", "nan", "0x10", "½", "²"),
    *("\u202etxt.wav", "\u200b", "e\u0301", "\ufeff", "\ud7ff", "\U0010ffff", "\x1b[31m", "[@click=app.quit]x[/]"),
    *("CON", "../..", "/etc/passwd", "C:\\Users\\ada\\x.wav", "~", "file:///x", "%USERPROFILE%", "a" * 300, "a/" * 200),
    *("{{ 9 ** 9 }}", "<script>alert(1)</script>", "*[", "**/**/**", "$HOME", "`rm`", "GPL-3.0-or-later AND", "MIT OR"),
    *("2024-02-30", "9999-12-31", "Ubuntu 24.04", "macOS Sonoma", "C3", "Cb-1", "H2", "everything", "true"),
)
_TEXT = st.one_of(
    st.sampled_from(_TELLING),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
    st.sampled_from(("x", "é", "\u0301", "[", "*", "\\", "7.")).map(lambda char: char * 1_000_000),
)
_NUMBER = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from((0, -1, 1, 127, 128, 2**63 - 1, 10**400, -(10**30))),
    st.floats(),
    st.sampled_from((float("nan"), float("inf"), -0.0, 5e-324, 1.7e308)),
)
_LEAF = st.one_of(
    _TEXT,
    _NUMBER,
    st.booleans(),
    st.datetimes(),
    st.dates(),
    st.times(),
)
_ANY = st.recursive(
    _LEAF,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(st.sampled_from(("name", "path", "a.b", "", '"', "ключ")), _TEXT), inner, max_size=3),
    ),
    max_leaves=6,
)


def _keys() -> list[tuple[str, ...]]:
    """Return every key of the facts, as a path of tables."""
    plain = {field.name: field.type for field in msgspec.structs.fields(Facts)}
    found: list[tuple[str, ...]] = [(name,) for name in plain]
    for name, of in plain.items():
        inner = of if hasattr(of, "__struct_fields__") else (getattr(of, "__args__", (None,)) or (None,))[0]
        found += [(name, key) for key in getattr(inner, "__struct_fields__", ())]
    return found


KEYS = _keys()
_LISTS = ("layers", "controls", "waivers")


@st.composite
def facts_texts(draw: st.DrawFn) -> str:
    """Return the text of facts in which a few keys, known or not, hold anything; or no TOML at all."""
    if draw(st.integers(0, 9)) == 0:
        cut = draw(st.integers(0, len(FACTS)))
        return FACTS[:cut] + draw(_TEXT)[:5_000] + FACTS[cut + draw(st.integers(0, 30)) :]
    plain: dict[str, Any] = facts_as_plain()
    for _ in range(draw(st.integers(1, 3))):
        key = draw(st.sampled_from(KEYS))
        value = draw(_ANY)
        if len(key) == 1:
            plain[key[0]] = value
        elif key[0] in _LISTS:
            table = {"name": "x", "rule": "hum", "path": "a.wav", "reason": "meant"}
            known = {name: text for name, text in table.items() if (key[0], name) in KEYS}
            plain[key[0]] = [{**known, key[1]: value}]
        elif isinstance(plain.setdefault(key[0], {}), dict):
            plain[key[0]][key[1]] = value
    if draw(st.integers(0, 9)) == 0:
        plain[draw(_TEXT)] = draw(_ANY)
    return tomli_w.dumps(plain)


def facts_as_plain() -> dict[str, Any]:
    import tomllib

    return tomllib.loads(FACTS)


# -- facts -----------------------------------------------------------------------------------------------------------


def read_facts(text: str) -> bool:
    """Read facts; return whether they are any. Nothing but one line of ours may come of it."""
    try:
        return isinstance(facts_from_toml(text), Facts)
    except CompanionError as error:
        line = error.line
    assert "\n" not in line
    assert len(line) < 2_000, line[:300]
    return False


@given(facts_texts())
@settings(max_examples=QUICK, suppress_health_check=list(HealthCheck))
def test_facts_of_any_kind_read_or_cost_one_line(text: str) -> None:
    read_facts(text)


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_facts_campaign(capsys: pytest.CaptureFixture[str]) -> None:
    read = []

    @given(facts_texts())
    @settings(max_examples=MANY, suppress_health_check=list(HealthCheck), derandomize=False, database=None)
    def many(text: str) -> None:
        read.append(read_facts(text))

    many()
    with capsys.disabled():
        print(f"\nfacts: {len(read):,} cases, {sum(read):,} of them facts")


@given(st.sampled_from(KEYS), _ANY)
@settings(max_examples=QUICK, suppress_health_check=list(HealthCheck))
def test_plain_tables_read_or_cost_one_line(key: tuple[str, ...], value: Any) -> None:
    plain: dict[str, Any] = {key[0]: value} if len(key) == 1 else {key[0]: {key[1]: value}}
    with contextlib.suppress(CompanionError):
        assert isinstance(facts_from_plain(plain), Facts)


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("status",),
    ("status", "--json"),
    ("check", "facts", "contents", "paths", "needs", "words", "out", "--json"),
    ("needs",),
    ("draft", "page"),
    ("draft", "changelog"),
    ("draft", "readme", "--format", "html"),
    ("waive", "hum", "a.wav", "--reason", "it is meant"),
    ("trials",),
)


def command_on(folder: Path, command: tuple[str, ...]) -> Said:
    return run(command[0], folder, *command[1:])


@given(facts_texts(), st.sampled_from(COMMANDS))
@settings(max_examples=FEW_COMMANDS, suppress_health_check=list(HealthCheck))
def test_commands_on_facts_of_any_kind(tmp_path_factory: pytest.TempPathFactory, text: str, command: Any) -> None:
    folder = bare(tmp_path_factory.mktemp("facts"))
    facts = folder / "release.toml"
    facts.write_bytes(text.encode("utf-8"))
    said = command_on(folder, command)
    is_well_said(said)
    if command[0] != "waive" or said.code == 2:
        assert facts.read_bytes() == text.encode("utf-8"), "the maker's facts are the maker's"


def bare(folder: Path) -> Path:
    """Return a working folder that costs little to look at."""
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    (folder / "Slate.eeng").write_bytes(b"\0\1Samples/a.txt\0\2")
    (folder / "LICENCE.txt").write_text("CC0 1.0", encoding="utf-8")
    return folder


# -- files of ours ---------------------------------------------------------------------------------------------------

_JSON_VALUE = st.recursive(
    st.one_of(st.none(), st.booleans(), _NUMBER, _TEXT, st.sampled_from(("\ud800", "a\udfff.wav"))),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_TEXT, inner, max_size=3)),
    max_leaves=4,
)


def _places(value: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the way to every value in a JSON text."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [here, *(place for key, one in inner for place in _places(one, (*here, key)))]


def _put(value: Any, place: tuple[Any, ...], new: Any) -> Any:
    if not place:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[place[0]] = _put(copy[place[0]], place[1:], new)
    return copy


@st.composite
def damaged(draw: st.DrawFn, whole: bytes) -> bytes:
    """Return one of our JSON files with anything in one place of it, or with its bytes damaged."""
    how = draw(st.integers(0, 9))
    if how == 0:
        return whole[: draw(st.integers(0, len(whole)))]
    if how == 1:
        at = draw(st.integers(0, len(whole) - 1))
        return whole[:at] + draw(st.binary(max_size=8)) + whole[at + 1 :]
    if how == 2:
        return draw(st.sampled_from((b"", b"\0" * 99, b"[" * 100_000, b'{"schema": 99}', b"null", b"NaN", b"\xff\xfe")))
    value = json.loads(whole)
    new = draw(_JSON_VALUE)
    return json.dumps(_put(value, draw(st.sampled_from(_places(value))), new), ensure_ascii=True).encode("ascii")


EVIDENCE = json.dumps(
    {
        "step": "away",
        "fingerprint": "0" * 64,
        "order": 3,
        "taken": "2026-01-02T03:04:05+00:00",
        "companion": "1.0.0",
        "judge": {"away-untried": 1},
        "findings": [
            {"rule": "clipped", "severity": "blocks", "path": "a.wav", "where": "0:01", "measured": "3", "limit": "0"}
        ],
        "details": {"members": [["a", 1]]},
        "answers": [{"trial": "Air:up", "verdict": "pass", "at": "2026-01-02", "order": 1}],
        "away": [{"kind": "another player", "result": "pass", "who": "Ada", "engine": "E", "order": 2}],
        "schema": 1,
    }
).encode()
RECORD = json.dumps(
    {
        "version": "1.0",
        "archive": "Slate Choir 1.0.zip",
        "size": 3,
        "sha256": "0" * 64,
        "top": "Slate Choir",
        "files": [["Slate.eeng", 3, "0" * 64]],
        "needs": {"minimum": "7.1"},
        "snapshot": 1,
        "snapshot_id": "0" * 40,
        "at": "2026-01-02T03:04:05+00:00",
        "order": 1,
        "uploads": [{"sha256": "0" * 64, "at": "2026-01-02"}],
        "schema": 1,
    }
).encode()


def read_evidence(folder: Path, data: bytes) -> None:
    place = folder / "away" / f"{'0' * 64}.json"
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(data)
    store = EvidenceStore(folder)
    for one in store.all("away"):
        assert one.step
    store.last_given("away")
    store.away("away", "0" * 64)
    assert place.read_bytes() == data


def read_record(folder: Path, data: bytes) -> None:
    place = folder / "x.json"
    folder.mkdir(exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    place = folder / "Slate Choir 1.0.release.json"
    place.write_bytes(data)
    found, bad = read_records(folder), damaged_records(folder)
    assert len(found) + len(bad) <= 1
    assert all("\n" not in problem and len(problem) < 2_000 for _, problem in bad)
    assert place.read_bytes() == data


FILES: dict[str, tuple[bytes, Callable[[Path, bytes], None]]] = {
    "evidence": (EVIDENCE, read_evidence),
    "record": (RECORD, read_record),
}


@pytest.mark.parametrize("kind", FILES)
def test_files_of_ours_with_anything_in_them(kind: str, tmp_path: Path) -> None:
    whole, read = FILES[kind]

    @given(damaged(whole))
    @settings(max_examples=QUICK, suppress_health_check=list(HealthCheck))
    def some(data: bytes) -> None:
        read(tmp_path / kind, data)

    some()


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("kind", FILES)
def test_files_campaign(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole, read = FILES[kind]
    cases = [0]

    @given(damaged(whole))
    @settings(max_examples=MANY, suppress_health_check=list(HealthCheck), derandomize=False, database=None)
    def many(data: bytes) -> None:
        read(tmp_path / kind, data)
        cases[0] += 1

    many()
    with capsys.disabled():
        print(f"\n{kind}: {cases[0]:,} cases")


def lived_in(folder: Path) -> Path:
    """Return a folder with evidence, an away test, texts and a snapshot, as a maker has it."""
    bare(folder)
    run("check", folder, "facts", "contents", "paths")
    run(
        *("away", folder, "--kind", "another player", "--result", "pass", "--who", "Ada", "--engine-version", "7.1"),
        *("--system", "Windows 11", "--played", "all keys"),
    )
    for text in ("changelog", "readme", "page"):
        run("draft", folder, text, "--write")
    releases = folder / "releases"
    releases.mkdir(exist_ok=True)
    (releases / "Slate Choir 1.0.release.json").write_bytes(RECORD)
    return folder


LOOKS = (("status",), ("status", "--json"), ("check", "--json"), ("needs",), ("draft", "page"), ("draft", "changelog"))


@pytest.mark.timeout(600)
def test_commands_on_files_of_ours_with_anything_in_them(tmp_path: Path) -> None:
    (tmp_path / "whole").mkdir()
    whole = lived_in(tmp_path / "whole")
    files = sorted(
        path.relative_to(whole)
        for path in whole.rglob("*")
        if path.is_file() and (path.suffix in (".json", ".md", ".html", ".txt") or path.name == "cache.sqlite3")
    )
    assert any(path.parts[:2] == (".companion", "evidence") for path in files)
    rng = random.Random(5)

    @given(st.data())
    @settings(max_examples=FEW_COMMANDS, suppress_health_check=list(HealthCheck))
    def some(data: st.DataObject) -> None:
        place = data.draw(st.sampled_from(files))
        before = (whole / place).read_bytes()
        bad = data.draw(damaged(before)) if place.suffix == ".json" else data.draw(st.binary(max_size=99)) + before[9:]
        folder = tmp_path / f"copy {rng.random()}"
        shutil.copytree(whole, folder)
        (folder / place).write_bytes(bad)
        is_well_said(command_on(folder, data.draw(st.sampled_from(LOOKS))))
        if place.name != "cache.sqlite3":  # which may be lost at any time
            kept = [path.read_bytes() for path in folder.rglob("*") if path.is_file()]
            assert bad in kept, f"{place} was lost"
        shutil.rmtree(folder)

    some()


# -- arguments -------------------------------------------------------------------------------------------------------

_ARGUMENT = _TEXT.filter(lambda text: "\0" not in text and len(text) < 50_000 and not text.startswith("-"))


@given(st.sampled_from(("--title", "--maker", "--engine", "--saved-with", "--patch")), _ARGUMENT)
@settings(max_examples=FEW_COMMANDS, suppress_health_check=list(HealthCheck))
def test_what_start_takes_it_can_read_again(tmp_path_factory: pytest.TempPathFactory, option: str, value: str) -> None:
    folder = tmp_path_factory.mktemp("start")
    (folder / "Slate.eeng").write_bytes(b"\0\1Samples/a.txt\0\2")
    given_options = {"--title": "T", "--maker": "M", "--engine": "E", "--saved-with": "7.1", option: value}
    said = run("start", folder, *(part for pair in given_options.items() for part in pair))
    is_well_said(said)
    assert (folder / "release.toml").exists() == (said.code != 2)
    if said.code != 2:
        is_well_said(after := run("status", folder))
        assert after.code in (0, 1), after


@given(_ARGUMENT, _ARGUMENT, _ARGUMENT)
@settings(max_examples=FEW_COMMANDS, suppress_health_check=list(HealthCheck))
def test_waivers_and_labels_of_any_kind(
    tmp_path_factory: pytest.TempPathFactory, rule: str, path: str, reason: str
) -> None:
    folder = bare(tmp_path_factory.mktemp("waive"))
    before = (folder / "release.toml").read_bytes()
    said = run("waive", folder, rule, path, "--reason", reason)
    is_well_said(said)
    if said.code == 2:
        assert (folder / "release.toml").read_bytes() == before
    is_well_said(run("status", folder))


_AWAY = ("--who", "--engine-version", "--system", "--played", "--notes", "--kind", "--result", "--edition")


@given(st.sampled_from(_AWAY), _ARGUMENT)
@settings(max_examples=FEW_COMMANDS, suppress_health_check=list(HealthCheck))
def test_away_tests_of_any_kind(tmp_path_factory: pytest.TempPathFactory, option: str, value: str) -> None:
    folder = bare(tmp_path_factory.mktemp("away"))
    told = {"--kind": "another player", "--result": "pass", "--who": "Ada", "--engine-version": "7.1"}
    told |= {"--system": "Windows 11", "--played": "all keys", option: value}
    is_well_said(run("away", folder, *(part for pair in told.items() for part in pair)))
    is_well_said(after := run("status", folder))
    assert after.code in (0, 1), after
    is_well_said(run("needs", folder))
    is_well_said(run("draft", folder, "page"))


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_commands_campaign(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Real commands on facts of any kind: as many as an hour takes."""
    codes = dict.fromkeys(_OURS, 0)

    @given(facts_texts(), st.sampled_from(COMMANDS))
    @settings(max_examples=MANY, suppress_health_check=list(HealthCheck), derandomize=False, database=None)
    def many(text: str, command: tuple[str, ...]) -> None:
        folder = tmp_path / f"case {sum(codes.values())}"
        folder.mkdir(exist_ok=True)
        bare(folder)
        (folder / "release.toml").write_bytes(text.encode("utf-8"))
        said = command_on(folder, command)
        is_well_said(said)
        codes[said.code] += 1
        shutil.rmtree(folder)

    many()
    with capsys.disabled():
        print(f"\ncommands: {sum(codes.values()):,} cases, by exit code {codes}")
