"""A maths library works in the thread that asks."""

from __future__ import annotations

import os
import sys

import pytest

from companion import cli
from companion.core.single import VARIABLES, one_thread_each


def test_it_is_one_thread_unless_a_person_has_said_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    one_thread_each()
    assert [os.environ[name] for name in VARIABLES] == ["3", "1", "1", "1"]


def test_every_command_begins_so(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in VARIABLES:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(sys, "argv", ["companion", "--version"])
    with pytest.raises(SystemExit) as left:
        cli.main()
    assert left.value.code == 0
    assert os.environ["OPENBLAS_NUM_THREADS"] == "1"
