"""What ``prove`` says in its last line is never more than its findings."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


def archive_of(place: Path, *names: str, **more: Any) -> Path:
    path = place / "made.zip"
    with zipfile.ZipFile(path, "w", more.get("method", zipfile.ZIP_DEFLATED)) as archive:
        for name in names:
            archive.writestr(name, b"sound" * 99)
    return path


@pytest.mark.parametrize(
    ("names", "code", "last"),
    [
        (["Slate/a.wav"], 0, "Whole and portable."),
        ([f"Slate/{'deep folder/' * 36}a.wav"], 0, "Whole. Portable but for 1 warning above."),  # 441 characters
        (["Slate/a.wav", "Slate/b\u200b.wav", "Slate/c\u202e.wav"], 0, "Whole. Portable but for 2 warnings above."),
        (["Slate/a.wav", "b.wav"], 1, "Not fit to publish."),
        (["Slate/CON.wav"], 1, "Not fit to publish."),
    ],
)
def test_the_last_line_says_no_more_than_the_findings(
    companion: Callable[..., Any], tmp_path: Path, names: list[str], code: int, last: str
) -> None:
    told = companion("prove", archive_of(tmp_path, *names))
    assert (told.code, told.out.splitlines()[-1]) == (code, last)


@pytest.mark.parametrize(
    ("names", "more", "rule", "says"),
    [
        (["Slate/a.wav"], {"method": zipfile.ZIP_BZIP2}, "method-uncommon", "choose “Deflate”"),
        (["Slate/a.wav", "__MACOSX/Slate/._a.wav"], {}, "top-level-many", "“__MACOSX” came along"),
    ],
)
def test_a_good_archive_that_is_refused_is_told_what_it_needs(
    companion: Callable[..., Any], tmp_path: Path, names: list[str], more: dict[str, Any], rule: str, says: str
) -> None:
    told = companion("prove", archive_of(tmp_path, *names, **more))
    assert told.code == 1
    assert rule in told.out
    assert says in told.out
