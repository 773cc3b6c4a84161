"""Find anything by a few letters: a step, an action, a rule, a snapshot, a file in which something was found."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from textual.binding import Binding
from textual.command import DiscoveryHit, Hit, Hits, Provider
from textual.content import Content

from companion.core.describe import rule_words
from companion.core.errors import CompanionError
from companion.core.text import visible
from companion.steps.table import BY_ID, STEPS
from companion.tui.bodies import body_of
from companion.tui.parts.body import FINDINGS, Body
from companion.tui.parts.companion import Companion, companion_of
from companion.tui.parts.content import content
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.foot import SHOWN_KEYS

if TYPE_CHECKING:
    from companion.core.findings import Finding
    from companion.core.rules import Rule
    from companion.drawing.shapes import Kind
    from companion.history.snapshot import Snapshot


WHOLE: Final[dict[Kind, str]] = {
    "map": "The keys: layers, dynamics and takes, holes and overlaps",
    "pitch": "The tuning of all samples",
    "levels": "The levels of layers and dynamics",
    "noise": "Noise against voices",
    "weight": "What weighs how much, and what ships",
    "history": "The history, and what changed",
}
"""The pictures of the whole instrument, as they are found."""


class Goal(NamedTuple):
    """Something that can be found: its line, what kind of thing it is, and what goes there."""

    line: str
    kind: str
    go: Callable[[], Any]


class Everything(Provider):
    """What the palette searches in. Files are those that findings are about; the folder may hold 20,000 others."""

    _rules: tuple[Rule[Any], ...] = ()
    _shots: tuple[Snapshot, ...] = ()

    @property
    def _app(self) -> Companion:
        return companion_of(self.screen)

    async def startup(self) -> None:
        """Read what is not at hand: the rules, and the snapshots there are."""
        shop = self._app.workshop
        if shop is None:
            return

        def read() -> tuple[tuple[Rule[Any], ...], tuple[Snapshot, ...]]:
            from companion.workshop import explain

            try:
                shots = () if shop.history_problem(looking=True) else tuple(shop.snapshots())
            except CompanionError:
                shots = ()  # the drawer says why
            return explain(), shots

        self._rules, self._shots = await asyncio.to_thread(read)

    async def discover(self) -> Hits:
        """Offer the steps and the actions before anything is typed."""
        for place in (*self._steps(), *self._actions()):
            yield DiscoveryHit(_line(place), place.go, place.line)

    async def search(self, query: str) -> Hits:
        """Offer whatever the letters typed are found in, in their order."""
        matcher = self.matcher(query)
        for place in self._all():
            if score := matcher.match(f"{place.line} {place.kind}"):
                yield Hit(score, _line(place), place.go, place.line)

    def _all(self) -> Iterator[Goal]:
        yield from self._steps()
        yield from self._actions()
        yield from self._findings()
        yield from self._pictures()
        yield from (
            Goal(rule_words(rule.id), f"rule of {BY_ID[rule.step].title}", partial(self._explain, rule))
            for rule in self._rules
        )
        yield from (
            Goal(f"{shot.number}  {visible(shot.label)}", "snapshot", self._app.open_snapshots)
            for shot in reversed(self._shots)
        )

    def _steps(self) -> Iterator[Goal]:
        for step in STEPS:
            yield Goal(step.title, "step", partial(self._app.open_step, step.id, arrive=True))

    def _actions(self) -> Iterator[Goal]:
        app = self._app
        for binding in app.BINDINGS:
            if isinstance(binding, Binding) and binding.tooltip and binding.action != "escape":
                yield Goal(binding.tooltip, f"key {SHOWN_KEYS.get(binding.key, binding.key)}", self._run(binding))
        for step in STEPS:
            for key in body_of(step.body).KEYS:
                yield Goal(f"{step.title}: {key.help}", f"key {key.key}", partial(self._do, step.id, key.action))

    def _pictures(self) -> Iterator[Goal]:
        """Offer the pictures of the whole instrument, and what can be done in the one that is open."""
        for kind, line in WHOLE.items():
            yield Goal(line, "picture", partial(self._picture, kind))
        if type(self.screen).__name__ == "PictureScreen":
            for binding in self.screen.BINDINGS:
                if isinstance(binding, Binding) and binding.tooltip:
                    key = SHOWN_KEYS.get(binding.key.partition(",")[0], binding.key)
                    go = partial(self.screen.run_action, binding.action)
                    yield Goal(binding.tooltip, f"key {key}", go)

    def _picture(self, kind: Kind) -> None:
        from companion.steps.drawn.which import Sight
        from companion.tui.parts.picture import PictureScreen
        from companion.tui.parts.tour import Tour

        self._app.push_screen(PictureScreen(Tour(Sight(kind=kind))))

    def _run(self, binding: Binding) -> Callable[[], Any]:
        return partial(self._app.run_action, binding.action)

    async def _do(self, step: str, action: str) -> None:
        await self._app.open_step(step, arrive=True)
        await self._app.run_action(f"step('{action}')")

    def _findings(self) -> Iterator[Goal]:
        for step in self._app.status.steps if self._app.status else ():
            for finding in step.findings:
                place = visible(finding.at.fact or finding.path or finding.where)
                words = f"{place}  {rule_words(finding.rule)}" if place else rule_words(finding.rule)
                yield Goal(words, f"found in {step.title}", partial(self._show, step.id, finding))

    async def _show(self, step: str, finding: Finding) -> None:
        await self._app.open_step(step, part=FINDINGS)
        body = next(body for body in self._app.query(Body) if body.step_id == step)
        if isinstance(view := body.made[FINDINGS], FindingsView):
            view.go_to(finding)

    def _explain(self, rule: Rule[Any]) -> None:
        from companion.tui.frame.explained import Explained

        self._app.push_screen(Explained(rule))


def _line(place: Goal) -> Content:
    """Return a line that is inert: names come from files, and the palette would read plain text as markup."""
    return content(visible(place.line), (f"  {place.kind}", "$foreground-muted"))
