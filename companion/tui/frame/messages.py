"""Messages from the threads and the panes to the app. Results carry their run, so that stale ones are dropped."""

from __future__ import annotations

from typing import Any

from textual.message import Message

from companion.core.errors import CompanionError
from companion.core.progress import Progress


class Reported(Message):
    """A run reports how far it is."""

    def __init__(self, run: int, progress: Progress) -> None:
        super().__init__()
        self.run = run
        self.progress = progress


class Finished(Message):
    """A run ended well."""

    def __init__(self, run: int, result: Any) -> None:
        super().__init__()
        self.run = run
        self.result = result


class Failed(Message):
    """A run ended with an error for people, a stop asked for among them."""

    def __init__(self, run: int, error: CompanionError) -> None:
        super().__init__()
        self.run = run
        self.error = error


class StepOpened(Message):
    """A step was chosen in the checklist; ``enter``: the person wants to work in it, not just look."""

    def __init__(self, step_id: str, *, enter: bool) -> None:
        super().__init__()
        self.step_id = step_id
        self.enter = enter
