"""How the house is built, held: no circle, no name twice, no long module, and no rule that nobody asks."""

from __future__ import annotations

import ast
import importlib
import statistics
import subprocess
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any, Final

import grimp
import pytest

from companion.cli.base import commands
from companion.cli.modules import NAMES
from companion.core.rules import Rule
from companion.steps.catalogue import RULES
from companion.steps.table import STEP_IDS

ROOT: Final = Path(__file__).resolve().parent.parent
MODULES: Final = sorted((ROOT / "companion").rglob("*.py"))


def dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def circles() -> list[list[str]]:
    """Groups of modules each of which imports the others, by whatever way; annotations and functions count."""
    graph = grimp.build_graph("companion", cache_dir=None)
    after: dict[str, set[str]] = {}
    for module in graph.modules:
        reached: set[str] = set()
        ahead = [module]
        while ahead:
            found = graph.find_modules_directly_imported_by(ahead.pop()) - reached
            reached |= found
            ahead += found
        after[module] = reached
    groups = {frozenset(other for other in after[module] if module in after[other]) for module in after}
    return sorted(sorted(group) for group in groups if group)


def test_no_circle_of_modules() -> None:
    assert circles() == []


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_no_module_is_long(path: Path) -> None:
    assert len(path.read_text("utf-8").splitlines()) <= 400


def test_half_the_modules_are_short() -> None:
    assert statistics.median(len(path.read_text("utf-8").splitlines()) for path in MODULES) <= 120


def test_no_class_name_is_given_twice() -> None:
    places = defaultdict(list)
    for path in MODULES:
        for node in ast.parse(path.read_text("utf-8")).body:  # a class in a class is named after both
            if isinstance(node, ast.ClassDef):
                places[node.name].append(dotted(path))
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def made_rules() -> dict[str, list[Rule[Any]]]:
    """Every rule that any module holds, by its id, whether or not anybody asks it."""
    found: dict[str, list[Rule[Any]]] = defaultdict(list)
    for path in MODULES:
        if path.name != "__main__.py":
            for value in list(vars(importlib.import_module(dotted(path))).values()):
                if isinstance(value, Rule) and value not in found[value.id]:
                    found[value.id].append(value)
    return found


def test_every_rule_is_registered_once() -> None:
    made = made_rules()
    assert {rule_id for rule_id, rules in made.items() if len(rules) > 1} == set(), "two rules of one id"
    registered = [rule.id for rule in RULES]
    assert sorted(registered) == sorted(set(registered))
    assert set(made) - set(registered) == set(), "a rule stands in no room's RULES"


def test_every_command_is_found_in_the_module_it_stands_in() -> None:
    for path in MODULES:
        if path.parent.name == "cli":
            importlib.import_module(dotted(path))
    assert {name: one.callback.__module__ for name, one in commands.commands.items() if one.callback} == NAMES
    assert list(commands.everything()) == sorted(NAMES)


def test_every_rule_explains_itself() -> None:
    for rule in RULES:
        assert rule.step in STEP_IDS, rule.id
        assert rule.means.endswith("."), rule.id
        assert rule.why.endswith("."), rule.id
        assert rule.mend, rule.id
        assert rule.source, rule.id
        assert rule.id == rule.id.lower().replace(" ", "-").replace("_", "-")


def test_the_tests_run_without_a_cache_as_mutation_runs_do(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", "--collect-only"]
    done = subprocess.run([*command, "tests/core/test_describe.py"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


READ_OTHERWISE: Final = {
    ("companion.core.files", "open"): "has an opener that waits for nobody, and looks what it opened",
    ("companion.core.children", "open"): "where output goes that nobody reads",
    ("companion.core.licences", "read_bytes"): "a file of our own package",
    ("companion.core.licences", "read_text"): "a file of an installed package",
    ("companion.steps.deeds.open_files", "read_text"): "what Linux tells of a process",
}
"""Everything else is opened by ``core.regular``: a stranger's pipe in the place of a file is waited for for good."""


def opened_to_read(tree: ast.AST) -> set[str]:
    """The names of calls that open a file by its path without looking what it is."""
    found: set[str] = set()
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Attribute(attr="read_bytes" as name)):
                found.add(name)
            case ast.Call(func=ast.Attribute(value=base, attr="read_text" as name)):
                if not (isinstance(base, ast.Name) and base.id == "facts_file"):  # the module's own, which is safe
                    found.add(name)
            case ast.Call(func=ast.Name(id="open" as name)):
                found.add(name)
            case ast.Call(func=ast.Attribute(attr="open" as name), args=[ast.Constant(value=str(mode)), *_]):
                if mode.startswith("r"):
                    found.add(name)
    return found


def test_what_is_read_is_looked_at_first() -> None:
    assert opened_to_read(ast.parse("p.open('rb'); p.read_bytes(); p.read_text('utf-8'); open(p)")) == {
        *("open", "read_bytes", "read_text"),
    }
    assert opened_to_read(ast.parse("hold.open(name, flags); p.open('wb'); app.open('sound')")) == set()
    found = {(dotted(path), name) for path in MODULES for name in opened_to_read(ast.parse(path.read_text("utf-8")))}
    assert found == set(READ_OTHERWISE)
