"""Everything the companion brings along is listed with its licence."""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

import pytest

from companion.core import licences
from companion.core.licences import Part
from tests.cli.conftest import Companion

PROJECT = Path(licences.__file__).parents[2] / "pyproject.toml"


def test_all_that_is_required_is_listed_with_its_licence(companion: Companion) -> None:
    came = companion("--licences")
    assert came.code == 0
    rows = {line.split()[0].lower().replace("_", "-"): line for line in came.out.splitlines() if line}
    asked = tomllib.loads(PROJECT.read_text("utf-8"))["project"]["dependencies"]
    assert {re.split(r"[^\w-]", one)[0].lower() for one in asked} <= rows.keys()
    assert next(iter(rows)) == "release-companion"
    assert re.fullmatch(r"click +\S+ +BSD-3-Clause", re.sub(r"(click) (\S+)", r"\1 \2", rows["click"]))
    assert {"pytest", "hypothesis"} & rows.keys() == set(), "nothing that only tests need"


def test_the_texts_come_with_it_when_asked_for(companion: Companion) -> None:
    came = companion("--licences", "texts")
    assert came.code == 0
    assert "Redistribution and use in source and binary forms" in came.out


def test_one_file_reads_what_was_listed_when_it_was_built(
    companion: Companion, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    monkeypatch.setattr(licences, "INSIDE", tmp_path / "list.json")
    broken = companion("--licences")
    assert (broken.code, broken.out, broken.err.count("\n")) == (2, "", 1)
    part = Part(name="libthing", version="1", licence="0BSD", texts=("Do what\x1b you like.",))
    (tmp_path / "list.json").write_bytes(licences.listed((part,)))
    assert companion("--licences").out.splitlines()[0] == "libthing 1  0BSD"
    assert "Do what\\x1b you like." in companion("--licences", "texts").out
