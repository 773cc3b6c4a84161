"""What every room's tests may use: the demo instrument, a copy of it, and its mends."""

from __future__ import annotations

import faulthandler
import importlib
import itertools
import os
import shutil
import sys
import unicodedata
from collections.abc import Callable, Collection, Generator, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import settings

from companion.core.single import one_thread_each

one_thread_each()  # before any test imports numpy; several run at once, on few processors

# The same examples on every run, and no limit of time for one: a busy computer is no failure.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")

LONGEST = 120
"""Seconds a test may take before it counts as hung; only benchmarks, campaigns and slow tests may take longer."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give each test its limit of time, which no assertion on a clock could give: a busy computer is no failure."""
    for item in items:
        if not {"benchmark", "campaign", "slow", "timeout"} & {mark.name for mark in item.iter_markers()}:
            item.add_marker(pytest.mark.timeout(LONGEST))


_stderr: int | None = None


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """End a process in which a test outlives its limit, and say where each of its threads stands.

    The limit is raised in the test; what is waited for behind that, as a thread that never ends, hears nothing of it.
    """
    limit = next(iter(item.iter_markers("timeout")), None)
    if _stderr is not None and limit is not None and limit.args == (LONGEST,):
        faulthandler.dump_traceback_later(LONGEST + 60, exit=True, file=_stderr)
    try:
        return (yield)
    finally:
        faulthandler.cancel_dump_traceback_later()


_number = itertools.count()


@pytest.fixture(autouse=True)
def own_home(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Let no test read or write what the person at this computer has chosen, nor depend on their terminal."""
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COMPANION_HOME", str(tmp_path_factory.getbasetemp() / f"own-{next(_number)}"))


DEMO = Path(__file__).resolve().parent.parent / "demo_project"


@pytest.fixture(scope="session")
def installed() -> Callable[[str, str], str]:
    """``installed("7z", "p7zip-full")``: where a program lies that a test rests on.

    On Linux, where one command installs it, its absence is a failure: a check that was passed over proves nothing.
    """

    def find(program: str, package: str) -> str:
        if found := shutil.which(program):
            return found
        said = f"{program} is not installed: apt-get install {package}"
        if sys.platform == "linux":
            pytest.fail(said, pytrace=False)
        pytest.skip(said)

    return find


@pytest.fixture(scope="session")
def demo_maker() -> Iterator[Any]:
    """The script that makes the demo, as a module; its ``faults`` module is at ``demo_maker.faults``."""
    sys.path.insert(0, str(DEMO))
    try:
        maker = importlib.import_module("make_demo")
        maker.faults = importlib.import_module("faults")  # type: ignore[attr-defined]
        yield maker
    finally:
        sys.path.remove(str(DEMO))


@pytest.fixture(scope="session")
def standin() -> Any:
    """The stand-in host and its instruments: ``render``, ``Faults``, ``Made``, ``Recorded``, ``Folder``."""
    here = str(Path(__file__).resolve().parent)
    sys.path.insert(0, here)
    try:
        host, instruments = importlib.import_module("standin.host"), importlib.import_module("standin.instruments")
    finally:
        sys.path.remove(here)
    return SimpleNamespace(**vars(instruments), **{k: v for k, v in vars(host).items() if k not in vars(instruments)})


@pytest.fixture(scope="session")
def panel_host() -> Any:
    """The stand-in host with a panel: ``render``, ``synthetic``, ``wired``, ``WORDS``."""
    here = str(Path(__file__).resolve().parent)
    sys.path.insert(0, here)
    try:
        return importlib.import_module("standin.panel_host")
    finally:
        sys.path.remove(here)


@pytest.fixture(scope="session")
def panel_cases() -> Iterator[Any]:
    """What the figures of the controls rest on; its processes find the stand-in hosts as this one does."""
    yield from _found_by_processes("standin.panel_cases")


@pytest.fixture(scope="session")
def keys_cases() -> Iterator[Any]:
    """What the figures of the keys rest on; its processes find the stand-in host as this one does."""
    yield from _found_by_processes("standin.keys_cases")


def _found_by_processes(module: str) -> Iterator[Any]:
    here = str(Path(__file__).resolve().parent)
    sys.path.insert(0, here)
    try:
        yield importlib.import_module(module)
    finally:
        sys.path.remove(here)


@pytest.fixture(scope="session")
def bounce_demo() -> Any:
    """``bounce_demo(folder, performance, target)``: what ``demo_project/bounce.py`` does."""
    spec = importlib.util.spec_from_file_location("bounce_demo", DEMO / "bounce.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.bounce


@pytest.fixture
def demo_folder(tmp_path: Path) -> Path:
    """A copy of the demo's working folder, faults and all."""
    left = shutil.ignore_patterns(".companion", "releases", "release-words")  # of a maker who opened it in place
    return shutil.copytree(DEMO / "Slate Choir", tmp_path / "Slate Choir", ignore=left, copy_function=shutil.copyfile)


@pytest.fixture(scope="session")
def mend_demo(demo_maker: Any) -> Callable[..., None]:
    """``mend_demo(folder, rules=None)``: mend the listed faults in a copy of the demo, each as its README says.

    rules: only the faults of these rules. Files are written one by one; facts are edited where they stand, so that
    whatever the app has written into them stays. Faults that share a file are mended together.
    """
    good: dict[str, bytes] = {}

    def mend(folder: Path, rules: Collection[str] | None = None) -> None:
        good.update(good or demo_maker.files(mended=True))
        for fault in demo_maker.faults.FAULTS:
            if rules is not None and fault.rule not in rules:
                continue
            target = folder / unicodedata.normalize("NFC", fault.path)
            if fault.mend == "remove":
                target.unlink(missing_ok=True)
            elif fault.mend == "replace":
                target.write_bytes(good[fault.path])
            else:
                _state(target, fault.key, demo_maker.MENDED_FACTS[fault.key])

    return mend


def _state(facts: Path, key: str, value: str) -> None:
    import tomlkit

    table, _, name = key.partition(".")
    document: Any = tomlkit.parse(facts.read_text(encoding="utf-8"))
    document[table][name] = value
    facts.write_text(tomlkit.dumps(document), encoding="utf-8", newline="\n")


ROOMS = {
    "controls": "trials",
    "away": "trials",
    "paths": "contents",
    "facts": "steps",
    "needs": "steps",
    "out": "steps",
}
"""Where the rules of a step are tested, when it is not under the step's own name."""


class Witnesses:
    """Notes where each rule was seen to find something, and where to find nothing; fails a whole run where one lacks.

    Each rule needs tests in its room, in one module, that see it find its fault and have nothing to say of a neighbour
    without it. How near that neighbour is, no machine can tell.
    """

    def __init__(self, config: pytest.Config) -> None:
        self.config = config
        chosen = (
            config.getoption("keyword")
            or config.getoption("lf", default=False)
            or "not slow" not in config.getoption("markexpr")
        )
        # Elsewhere some tests are skipped: not every system holds a link or a name that is not UTF-8.
        self.whole = config.args_source is pytest.Config.ArgsSource.TESTPATHS and not chosen and sys.platform == "linux"
        self.seen: dict[str, dict[str, list[int]]] = {}  # by rule and test module: times it found some, and none
        self.lacking: list[str] = []
        self.now = ""

    def pytest_collection_finish(self) -> None:
        import msgspec

        from companion.steps.catalogue import RULES

        for rule in RULES:
            msgspec.structs.force_setattr(rule, "check", self._counted(rule.id, rule.check))

    def _counted(self, rule_id: str, check: Callable[[Any], Any]) -> Callable[[Any], list[Any]]:
        def counted(model: Any) -> list[Any]:
            found = list(check(model))
            if self.now:
                self.seen.setdefault(rule_id, {}).setdefault(self.now, [0, 0])[not found] += 1
            return found

        return counted

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[Any]:
        self.now = item.nodeid.partition("::")[0]
        try:
            return (yield)
        finally:
            self.now = ""

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        for rule_id, tests in getattr(node, "workeroutput", {}).get("witnesses", {}).items():
            for module, counts in tests.items():
                before = self.seen.setdefault(rule_id, {}).setdefault(module, [0, 0])
                before[:] = before[0] + counts[0], before[1] + counts[1]

    @pytest.hookimpl(tryfirst=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if hasattr(self.config, "workeroutput"):
            self.config.workeroutput["witnesses"] = self.seen
        elif self.whole and session.exitstatus == pytest.ExitCode.OK:
            self.lacking = list(self._lacking())
            if self.lacking:
                session.exitstatus = pytest.ExitCode.TESTS_FAILED

    def _lacking(self) -> Iterator[str]:
        from companion.steps.catalogue import RULES

        for rule in RULES:
            room = f"tests/{ROOMS.get(rule.step, rule.step)}/"
            modules = [counts for module, counts in self.seen.get(rule.id, {}).items() if module.startswith(room)]
            if not any(found for found, _ in modules):
                yield f"{rule.id}: no test in {room} sees it find its fault"
            elif not any(found and none for found, none in modules):
                yield f"{rule.id}: no test beside it sees it leave an innocent neighbour alone"

    def pytest_terminal_summary(self, terminalreporter: Any) -> None:
        for line in self.lacking:
            terminalreporter.write_line(line, red=True)


def pytest_configure(config: pytest.Config) -> None:
    """Have a whole run fail for a rule without its tests, and keep the way out that no test's capture closes."""
    global _stderr
    if capture := config.pluginmanager.getplugin("capturemanager"):
        with capture.global_and_fixture_disabled():
            _stderr = os.dup(2)
    config.pluginmanager.register(Witnesses(config), "witnesses")
