"""The app on a terminal that shows ASCII alone, or a code page: every line can be written, and none is displaced."""

from __future__ import annotations

from pathlib import Path

import pytest

from companion.core.plain import Charset
from companion.tui.parts import companion, content, picture, plainly
from tests.tui.conftest import Bench, Opened, finding


@pytest.fixture(params=["ascii"])
def encoding(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    charset = Charset(request.param)
    for module in (companion, content, picture, plainly):
        monkeypatch.setattr(module, "terminal", lambda: charset)
    return str(request.param)


async def test_every_screen_can_be_written(bench: Bench, opened: Opened, encoding: str) -> None:
    bench.found["sound"] = (finding("clipped", "Samples/höhle 洞.wav"), finding("starts-hot", "a…b ≤ 3.wav"))
    async with opened(bench) as hand:
        for keys in (("4", "enter", "down"), ("escape", "s"), ("escape", "question_mark")):
            await hand.press(*keys)
            for line in hand.text().splitlines():
                line.encode(encoding)
        await hand.press("escape", "4", "enter")
        name = "h\\xf6hle \\u6d1e" if encoding == "ascii" else "höhle \\u6d1e"
        assert hand.shows(name)
        assert {len(line) for line in hand.lines()} <= set(range(81))


async def test_marks_stand_where_they_stood(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        before = hand.lines()
    charset = Charset("ascii")
    with pytest.MonkeyPatch.context() as patch:
        for module in (companion, content, picture, plainly):
            patch.setattr(module, "terminal", lambda: charset)
        async with opened(Bench(bench.folder)) as hand:
            after = hand.lines()
    assert [charset.cells(line) for line in before] == after


def test_what_is_asked_is_the_stream_the_app_writes_to(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    plainly.terminal.cache_clear()
    with (tmp_path / "out").open("w", encoding="cp437") as stream:
        monkeypatch.setattr("sys.__stderr__", stream)
        monkeypatch.setattr("sys.__stdout__", stream)
        assert plainly.terminal().encoding == "cp437"
    plainly.terminal.cache_clear()
