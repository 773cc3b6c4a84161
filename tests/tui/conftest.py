"""A workshop that answers from memory and works exactly as long as a test wants, and the app over it."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any, Literal

import msgspec
import pytest
from textual import events
from textual.pilot import Pilot
from textual.widgets import Input, TextArea

from companion.core.errors import CompanionError
from companion.core.evidence import Answer, AwayTest
from companion.core.facts import Facts
from companion.core.findings import Finding, Severity
from companion.core.progress import QUIET, Watch
from companion.history.model import Size
from companion.history.snapshot import Snapshot
from companion.steps.account.changes import Changes, Preview
from companion.steps.account.due import Due, Standing, Unkept
from companion.steps.account.moved import Counts, Moved
from companion.steps.checks.needs import Line
from companion.steps.deeds.start import Proposal
from companion.steps.looks.controls import AwayView, TrialView, planned
from companion.steps.looks.wording import Worded, WordedPart
from companion.steps.looks.words import Draft
from companion.steps.model import State, Status, StepStatus
from companion.steps.table import STEPS
from companion.trials.away import KINDS, refuse
from companion.tui.app import CompanionApp
from companion.workshop import Workshop

FACTS = """# Kept by hand.
[instrument]
title = "Slate Choir"
version = "1.0"  # the first
maker = "Quay Room"

[engine]
name = "Example Engine"
saved_with = "3.2"
minimum = "3.2"

[[controls]]
name = "Tone"
effect = "brighter to the right"

[[controls]]
name = "Air"
"""

HOSTILE = (
    "x[/].wav",
    "[@click=app.quit]go[/]",
    "a\x1b[31mred",
    "\x1b]0;title\x07b",
    "bi\u202edi.wav",
    "lone\udcff.wav",
)
"""Names a stranger's disk may hold: markup, an action link, ESC, OSC, bidi, and bytes that are not UTF-8."""


def finding(rule: str, path: str = "", **more: Any) -> Finding:
    """Return a finding with words in every place."""
    told: dict[str, Any] = {
        "severity": Severity.BLOCKS,
        "measured": "0.0 dBFS",
        "limit": "−0.1 dBFS",
        "why": "Players would hear a crackle.",
        "mend": "Record it again, softer.",
    }
    return Finding(rule=rule, path=path, **{**told, **more})


class Bench(Workshop):
    """The real facts and refusals, but no checks: steps stand as they are put, and long work waits for ``gate``."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.found: dict[str, tuple[Finding, ...]] = {}
        self.states: dict[str, State] = {}
        self.details: dict[str, dict[str, Any]] = {}
        self.gate = threading.Event()
        self.gate.set()
        self.calls: list[tuple[Any, ...]] = []
        self.answers: dict[str, Answer] = {}
        self.tests: list[AwayTest] = []
        self.shots: list[Snapshot] = []
        self.no_history = ""
        self.unkept: Unkept | None = None
        self.due: Due | None = None
        self.moved = Moved(samples=Counts(added=2, changed=1), facts=True)
        self.asked: list[tuple[str, str]] = []
        self.broken: Exception | None = None

    def status(self, watch: Watch = QUIET) -> Standing:
        steps = tuple(
            StepStatus(
                id=step.id,
                title=step.title,
                question=step.question,
                state=self.states.get(step.id, State.OPEN),
                because=f"because of {step.id}",
                next=step.next,
                fingerprint="0" * 64,
                findings=self.found.get(step.id, ()),
                details=self.details.get(step.id, {}),
            )
            for step in STEPS
        )
        title, version = self.facts.instrument.title, self.facts.instrument.version
        return Standing(title=title, version=version, steps=steps, unkept=self.unkept, due=self.due)

    def labour(self, what: str, watch: Watch) -> None:
        """Do something that takes until the gate is open, and can be stopped."""
        if self.broken:
            raise self.broken
        watch.stage(what, 100, "files")
        watch.step(10)
        while not self.gate.wait(0.005):
            watch.step(0)
        watch.step(90)

    def check(self, steps: Sequence[str] = (), watch: Watch = QUIET) -> Status:
        self.labour("Checking", watch)
        self.calls.append(("check", tuple(steps)))
        for step in steps:
            self.states[step] = State.FAILING if self.found.get(step) else State.PROVEN
        return self.status()

    def waive(self, rule: str, path: str, reason: str, where: str = "") -> None:
        self.calls.append(("waive", rule, path, reason))
        for step, found in self.found.items():
            self.found[step] = tuple(
                msgspec.structs.replace(f, waived=reason) if (f.rule, f.path) == (rule, path) else f for f in found
            )

    def waive_all(self, rule: str, reason: str, severity: Severity | None = None) -> int:
        self.calls.append(("waive_all", rule, reason, severity))
        for step, found in self.found.items():
            self.found[step] = tuple(
                msgspec.structs.replace(f, waived=reason) if (f.rule, f.severity) == (rule, severity) else f
                for f in found
            )
        return 0

    def trials(self) -> tuple[TrialView, ...]:
        return tuple(TrialView(trial=t, answer=self.answers.get(t.id)) for t in planned(self.facts))

    def answer(self, trial: str, result: Literal["pass", "fail", "note"], note: str = "") -> None:
        self.answers[trial] = Answer(subject=trial, result=result, note=note, at="2026-01-01T00:00:00Z")

    def away(self) -> AwayView:
        return AwayView(kinds=tuple(KINDS.values()), here=tuple(self.tests), elsewhere=())

    def record_away(self, test: AwayTest) -> None:
        if refusal := refuse(test, self.facts):
            raise refusal
        self.tests.append(test)

    def needs(self, watch: Watch = QUIET) -> tuple[Line, ...]:
        return (Line(name="Engine", value="Example Engine 3.2 or newer", because="not tested elsewhere", proven=False),)

    def draft(
        self,
        what: Literal["changelog", "readme", "page"],
        fmt: Literal["md", "txt", "html"] = "md",
        watch: Watch = QUIET,
    ) -> Draft:
        name = self.facts.instrument.title
        return Draft(
            what=what, format=fmt, text=f"# {name} {what} {fmt}\n", target=self.folder / f"{what}.{fmt}", base=""
        )

    def write_draft(
        self,
        what: Literal["changelog", "readme", "page"],
        fmt: Literal["md", "txt", "html"] = "md",
        watch: Watch = QUIET,
        *,
        settle: Literal["mine", "draft", ""] = "",
    ) -> Draft:
        self.calls.append(("write", what, fmt))
        return self.draft(what, fmt)

    def worded(
        self,
        what: Literal["changelog", "readme", "page"],
        fmt: Literal["md", "txt", "html"] = "md",
        watch: Watch = QUIET,
    ) -> Worded:
        drafted = self.draft(what, fmt)
        parts = (WordedPart(text=drafted.text.strip(), whose="drafted", rests=("fact: title",)),)
        return Worded(draft=drafted, parts=parts, standing=None, limit=None)

    def write_text(self, came: Worded, text: str, watch: Watch = QUIET) -> Draft:
        self.labour("Writing", watch)
        self.calls.append(("text", text, len(came.draft.clashes)))
        return msgspec.structs.replace(came.draft, text=text)

    def history_problem(self, *, looking: bool = False) -> str:
        return self.no_history

    def snapshots(self) -> list[Snapshot]:
        return list(reversed(self.shots))

    def snapshot(self, label: str, watch: Watch = QUIET, kind: str = "asked") -> Snapshot:
        self.labour("Keeping", watch)
        number = len(self.shots) + 1
        shot = Snapshot(
            number=number,
            id="0",
            tree=f"{number:040x}",
            label=label,
            at="2026-01-01T00:00:00Z",
            kind=kind,
            files=3,
            bytes=9,
        )
        self.shots.append(shot)
        self.unkept, self.due = Unkept(snapshot=number, at=shot.at), None
        return shot

    def moves(self, pairs: Sequence[tuple[str, str]], watch: Watch = QUIET) -> dict[tuple[str, str], Moved | None]:
        self.asked += pairs
        return dict.fromkeys(pairs, self.moved)

    def history_size(self, watch: Watch = QUIET) -> Size:
        return Size(total=5_000, alone={shot.number: 100 * shot.number for shot in self.shots})

    def preview(self, number: int, watch: Watch = QUIET) -> Preview:
        return Preview(changes=self.compare(number), write=(("a.wav", 1_500),))

    def compare(self, a: int, b: int | None = None, watch: Watch = QUIET) -> Changes:
        return Changes(a=a, b=b, lines=("changed: a.wav (sample)",), changed=("a.wav",))

    def restore(self, number: int, only: Sequence[str] = (), into: Path | None = None, watch: Watch = QUIET) -> Any:
        from companion.history.model import Restored

        self.labour("Restoring", watch)
        self.calls.append(("restore", number, tuple(only), into))
        safety = self.snapshot("before the restore", watch, "before-restore")
        return Restored(number=number, safety=safety, written=("a.wav",))

    def pack(self, watch: Watch = QUIET) -> Any:
        from companion.steps.looks.archive import Packed

        self.labour("Packing", watch)
        self.calls.append(("pack",))
        return Packed(
            path=self.folder / "releases" / "Slate Choir 1.0.zip",
            size=1_250_000,
            sha256="ab" * 32,
            members=12,
            checked_with=(),
            findings=(),
            because="A candidate, good for away tests; not proven yet: Sound.",
        )

    def propose(self, watch: Watch = QUIET) -> Proposal:
        return Proposal(facts=Facts(), lines=("2 samples in samples.",), asks=(("instrument.maker", "Whose is it?"),))

    def start(self, answers: Mapping[str, object], watch: Watch = QUIET) -> None:
        self.calls.append(("start", dict(answers)))
        self.places.facts.write_text(f'[instrument]\ntitle = "{answers["instrument.title"]}"\n', encoding="utf-8")
        self.reload()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A working folder with facts."""
    place = tmp_path / "Slate Choir"
    place.mkdir()
    (place / "release.toml").write_text(FACTS, encoding="utf-8")
    return place


@pytest.fixture
def bench(folder: Path) -> Bench:
    """A workshop over it."""
    return Bench(folder)


class Hand:
    """A person at the app: presses keys, waits until all is done, and reads what is on the screen."""

    def __init__(self, app: CompanionApp, pilot: Pilot[Any]) -> None:
        self.app = app
        self.pilot = pilot

    async def rest(self) -> None:
        """Wait until every thread has ended and what it brought is shown."""
        calm = 0  # a key may lead to a message, a closing screen and only then to work: once calm is not enough
        for _ in range(4_000):
            if not self.app.jobs._current:
                calm += 1
                await self.pilot.pause()
                if calm == 2:
                    return
            else:
                calm = 0
                await asyncio.sleep(0.002)
        raise AssertionError(f"the work never ended\n{self.text()}")

    async def press(self, *keys: str) -> None:
        """Press keys one after the other, resting after each."""
        for key in keys:
            await self.pilot.press(key)
            await self.rest()

    async def write(self, text: str) -> None:
        """Type text; into a field the first letter by its key, and the rest as from a clipboard, which is quicker."""
        field = isinstance(self.app.focused, Input | TextArea) and text.isprintable()
        typed, rest = (text[:1], text[1:]) if field else (text, "")
        await self.pilot.press(*("space" if char == " " else char for char in typed))
        if rest and self.app.focused:
            self.app.focused.post_message(events.Paste(rest))
        await self.pilot.pause()

    def lines(self) -> list[str]:
        """Return what the screen shows, line by line, with the trailing blanks cut."""
        widgets = self.app.screen._compositor.render_strips()
        return ["".join(segment.text for segment in strip).rstrip() for strip in widgets]

    def text(self) -> str:
        """Return what the screen shows."""
        return "\n".join(self.lines())

    def shows(self, *words: str) -> bool:
        """Tell whether the screen shows these words, wherever lines are broken, in either pane or across both."""
        lines = [line.partition("▕") for line in self.lines()]
        panes = (
            [before for before, _, _ in lines],
            [after for _, _, after in lines],
            ["".join(line) for line in lines],
        )
        flat = [" ".join(" ".join(pane).split()) for pane in panes]
        missing = [word for word in words if not any(" ".join(word.split()) in pane for pane in flat)]
        if missing:
            print(f"not shown: {missing}\n{self.text()}")
        return not missing


Opened = Callable[..., AbstractAsyncContextManager[Hand]]


@pytest.fixture
def opened() -> Opened:
    """Open the app over a workshop (or over what raises an error) at a size, and rest until it stands."""

    @asynccontextmanager
    async def run(
        shop: Workshop | CompanionError, size: tuple[int, int] = (80, 24), *, rest: bool = True
    ) -> AsyncIterator[Hand]:
        def opener(_: Path) -> Workshop:
            if isinstance(shop, CompanionError):
                raise shop
            return shop

        place = Path("/nowhere/Slate Choir") if isinstance(shop, CompanionError) else shop.folder
        app = CompanionApp(place, opener)
        async with app.run_test(size=size) as pilot:
            hand = Hand(app, pilot)
            await pilot.pause()
            if rest:
                await hand.rest()
            yield hand

    return run
