"""Who judges is remembered of exactly the code that is installed, so that a look need not import every rule."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import companion.steps.catalogue as catalogue
from companion.core.cache import Cache, Table
from companion.steps import judges
from companion.steps.judges import Judges, judges_of
from companion.steps.table import BY_ID

TRUE = {name: catalogue.judge_of(name, *step.judges) for name, step in BY_ID.items()}


@pytest.fixture
def without_catalogue(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the catalogue count as not imported yet; asking for it gives the one there is."""
    monkeypatch.setattr(judges, "CATALOGUE", "companion.steps.catalogue_of_none")
    monkeypatch.setattr(judges, "import_module", lambda name: catalogue)


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    return Cache(tmp_path / "cache.sqlite3")


def rows(cache: Cache) -> dict[bytes, Judges]:
    table: Table[Judges] = Table(cache, "judges", 1, Judges)
    return table.get_many(table.keys())


def test_what_the_catalogue_says_is_remembered_and_told_again(
    cache: Cache, without_catalogue: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert rows(cache) == {}
    assert judges_of(BY_ID, cache) == TRUE
    assert list(rows(cache).values()) == [TRUE]
    monkeypatch.setattr(judges, "import_module", None)  # nobody is asked a second time
    assert judges_of(BY_ID, cache) == TRUE


def test_a_catalogue_that_is_there_is_asked_whatever_is_remembered(cache: Cache) -> None:
    table: Table[Judges] = Table(cache, "judges", 1, Judges)
    code = judges._code(Path(catalogue.__file__).parents[1])
    assert code
    table.put([(code, {name: {"never": 1} for name in BY_ID})])
    assert judges_of(BY_ID, cache) == TRUE


def test_other_code_asks_anew_and_forgets_what_the_old_one_said(
    cache: Cache, without_catalogue: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    table: Table[Judges] = Table(cache, "judges", 1, Judges)
    table.put([(b"other code", {name: {"never": 1} for name in BY_ID})])
    assert judges_of(BY_ID, cache) == TRUE
    assert list(rows(cache).values()) == [TRUE]
    monkeypatch.setattr(judges, "_code", lambda package: b"newer code")
    monkeypatch.setattr(catalogue, "judge_of", lambda *ids: {"risen": 2})
    assert judges_of(BY_ID, cache) == {name: {"risen": 2} for name in BY_ID}
    assert rows(cache) == {b"newer code": {name: {"risen": 2} for name in BY_ID}}


def test_a_row_of_other_steps_is_not_taken(cache: Cache, without_catalogue: None) -> None:
    table: Table[Judges] = Table(cache, "judges", 1, Judges)
    code = judges._code(Path(catalogue.__file__).parents[1])
    table.put([(code, {"facts": {"never": 1}})])
    assert judges_of(BY_ID, cache) == TRUE


def test_nothing_is_remembered_of_code_that_changes_meanwhile_or_cannot_be_looked_at(
    cache: Cache, without_catalogue: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = iter([b"before", b"after"])
    monkeypatch.setattr(judges, "_code", lambda package: next(seen))
    assert judges_of(BY_ID, cache) == TRUE
    assert rows(cache) == {}
    monkeypatch.setattr(judges, "_code", lambda package: b"")
    assert judges_of(BY_ID, cache) == TRUE
    assert rows(cache) == {}


def test_code_is_told_from_other_code(tmp_path: Path) -> None:
    package = tmp_path / "package"
    (package / "inner").mkdir(parents=True)
    (package / "_demo").mkdir()
    (package / "__init__.py").write_text("A = 1\n")
    rule = package / "inner" / "rule.py"
    rule.write_text("version = 1\n")
    first = judges._code(package)
    assert first == judges._code(package)

    (package / "_demo" / "text.md").write_text("no code")
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "rule.cpython.pyc").write_bytes(b"compiled")
    assert judges._code(package) == first, "neither what ships as data nor what is compiled"

    before = rule.stat()
    rule.write_text("version = 2\n")  # of one size
    os.utime(rule, ns=(before.st_atime_ns, before.st_mtime_ns + 1))
    edited = judges._code(package)
    assert edited != first
    rule.write_text("version = 23\n")
    os.utime(rule, ns=(before.st_atime_ns, before.st_mtime_ns + 1))
    assert judges._code(package) not in (first, edited)

    (package / "inner" / "more.py").write_text("")
    assert judges._code(package) not in (first, edited)
    package.rename(tmp_path / "elsewhere")
    assert judges._code(package) == b"", "there is nothing to look at"
    (tmp_path / "empty").mkdir()
    assert judges._code(tmp_path / "empty") == b"", "a program without its source"


def test_another_version_and_another_inode_are_other_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rule = tmp_path / "rule.py"
    rule.write_text("version = 1\n")
    first, before = judges._code(tmp_path), rule.stat()
    with monkeypatch.context() as patch:
        patch.setattr("companion.__version__", "99.0")
        assert judges._code(tmp_path) != first
    copy = tmp_path / "copy"
    copy.write_text("version = 2\n")
    os.utime(copy, ns=(before.st_atime_ns, before.st_mtime_ns))
    copy.replace(rule)  # as an installer that sets all times alike puts an update in its place
    assert judges._code(tmp_path) != first


def test_a_second_status_imports_no_rule_of_a_step_that_is_read_from_its_evidence(demo_folder: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from companion.workshop import Workshop\n"
        f"shop = Workshop.open(Path({str(demo_folder)!r}))\n"
        "print(*(f'{step.id}={step.state}' for step in shop.status().steps))\n"
        "print('companion.steps.catalogue' in sys.modules)\n"
    )

    def looked(*steps: str) -> tuple[str, str]:
        check = f"shop.check({steps!r})\n" if steps else ""
        whole = code.replace("print(*", f"{check}print(*", 1)
        done = subprocess.run([sys.executable, "-c", whole], capture_output=True, text=True, check=True)
        states, imported = done.stdout.splitlines()
        return states, imported

    checked, asked = looked("paths", "contents")
    states, again = looked()
    assert checked == states
    assert "paths=failing" in states
    assert (asked, again) == ("True", "False")
