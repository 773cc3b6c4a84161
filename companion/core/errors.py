"""Errors meant for people: one line that says what happened, where, and what to do next."""

from companion.core.text import shorten, visible

MOST = 600
"""Characters of each part: whoever writes a book into a fact or a name is shown its two ends."""


class CompanionError(Exception):
    """Something the companion cannot go on from, told so that a person can act on it.

    what: what happened, without a full stop.
    where: the file, key or place it happened at; may be empty.
    do: what to do next.
    """

    exit_code = 2

    def __init__(self, what: str, where: str = "", do: str = "") -> None:
        self.what = shorten(visible(what), MOST)
        self.where = shorten(visible(where), MOST)
        self.do = shorten(visible(do), MOST)
        super().__init__(self.line)

    @property
    def line(self) -> str:
        """The whole message as one line."""
        place = f" ({self.where})" if self.where else ""
        advice = f" {self.do[:1].upper()}{self.do[1:].rstrip('.')}." if self.do else ""
        return f"{self.what.rstrip('.')}{place}.{advice}"


class Busy(CompanionError):
    """Another process holds what is needed; the message names it."""


class Cancelled(CompanionError):
    """The person stopped the work; everything is as it was before it began."""

    exit_code = 130

    def __init__(self, what: str = "Stopped before the end; nothing was changed") -> None:
        super().__init__(what)
