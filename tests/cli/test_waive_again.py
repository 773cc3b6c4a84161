"""A waiver that has lapsed is told beside its finding, and given again with one command."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

Companion = Callable[..., Any]
GIVEN = ("away-untried", "-r", "a beta for friends")


def test_a_lapsed_waiver_is_told_and_renewed(companion: Companion, instrument: Path) -> None:
    def state() -> str:
        steps = companion("status", instrument, "--json").json["steps"]
        return str(next(step["state"] for step in steps if step["id"] == "away"))

    assert companion("waive", instrument, "away-untried", "--again").code == 2, "nothing was given yet"
    assert companion("waive", instrument, *GIVEN).code == 0
    assert state() == "waived"
    patch = instrument / "Slate.eeng"
    patch.write_bytes(patch.read_bytes() + b"\0")
    assert state() == "open"
    told = companion("check", instrument, "away")
    assert told.code == 1
    assert "waived before: “a beta for friends” (1.0, no test): what plays has changed since" in told.out
    again = companion("waive", instrument, "away-untried", "--again")
    assert (again.code, again.out) == (0, "away-untried: waived again. “a beta for friends”\n")
    assert state() == "waived"
    for more in (("--back",), ("--all",), ("-r", "another")):
        refused = companion("waive", instrument, "away-untried", "--again", *more)
        assert (refused.code, len(refused.err.splitlines())) == (2, 1)
