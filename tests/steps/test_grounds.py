"""What reopens an answer, and the nearest innocent change that does not: every row of ``companion.steps.grounds``."""

from __future__ import annotations

import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest

from companion.core.evidence import AwayKind, AwayTest
from companion.workshop import Workshop

AIR = '[[controls]]\nname = "Air"\neffect = "no air to much"\n'
BODY = '[[controls]]\nname = "Body"\n'
FACTS = """[instrument]
title = "Slate"
version = "1.0"

[engine]
name = "Example Engine"
saved_with = "7.1"
minimum = "7.1"
systems = ["windows"]

[contents]
patches = ["Slate.eeng"]
scripts = ["Scripts/*.txt"]
impulses = ["Impulses/*.wav"]

[[controls]]
name = "Tone"
effect = "dark to bright"
cc = 20

"""
FACTS += f"{AIR}\n{BODY}"
NAMES = ("Samples/a_C3.wav", "Samples/b_D3.wav", "Impulses/Hall.wav", "Pictures/Panel.png")
KINDS = frozenset(get_args(AwayKind))
OPENS = KINDS - {"a piece of music"}
MUSIC = frozenset({"a piece of music"})
NONE = frozenset[str]()


def tone(path: Path, value: int = 1, width: int = 2) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with wave.open(str(path), "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(width)
        sound.setframerate(48000)
        sound.writeframes(bytes([value]) * 480 * width)


def patch_of(*names: str) -> bytes:
    return b"".join(b'"%s"\0' % name.encode() for name in names) + b"\1\2"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An instrument whose patch can be read: it names two of three samples, an impulse response and its panel."""
    folder = tmp_path / "Slate"
    for name in (*NAMES[:3], "Samples/c_E3.wav", "Previews/Song.wav"):
        tone(folder / name)
    (folder / "Pictures").mkdir()
    for picture in ("Pictures/Panel.png", "Cover.png"):
        (folder / picture).write_bytes(b"\x89PNG\r\n\x1a\n")
    (folder / "Slate.eeng").write_bytes(patch_of(*NAMES))
    (folder / "Readme.txt").write_text("Unzip first.\n", encoding="utf-8")
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    return folder


def sealed(folder: Path) -> None:
    """Make the patch one that nobody can read."""
    import hashlib

    folder.joinpath("Slate.eeng").write_bytes(b"".join(hashlib.sha256(bytes([n])).digest() for n in range(64)))


def state(text: str, new: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        facts = folder / "release.toml"
        before = facts.read_text("utf-8")
        assert text in before
        facts.write_text(before.replace(text, new), encoding="utf-8")

    return change


def renamed(old: str, new: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        (folder / old).rename(folder / new)

    return change


def written(path: str, content: bytes = b"\x89PNG\r\n\x1a\nother") -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        (folder / path).parent.mkdir(exist_ok=True)
        (folder / path).write_bytes(content)

    return change


def sounds(path: str, value: int = 2, width: int = 2) -> Callable[[Path], None]:
    return lambda folder: tone(folder / path, value, width)


def passed(kind: AwayKind, **more: Any) -> AwayTest:
    said = {"engine_version": "7.1", "system": "Windows 11", "played": "low to high", "who": "Ada"}
    return AwayTest(**{"kind": kind, "result": "pass", **said, **more})


def kinds_here(folder: Path) -> frozenset[str]:
    return frozenset(test.kind for test in Workshop.open(folder).away().here)


AWAY = {
    "another patch": (written("Slate.eeng", patch_of(*NAMES, "x")), KINDS),
    "a script added": (written("Scripts/run.txt", b"print()"), KINDS),
    "a named sample renamed": (renamed("Samples/a_C3.wav", "Samples/a_C#3.wav"), KINDS),
    "a named sample gone": (lambda folder: (folder / "Samples/a_C3.wav").unlink(), KINDS),
    "a named sample in another format": (sounds("Samples/a_C3.wav", width=3), KINDS),
    "a named sample re-recorded": (sounds("Samples/a_C3.wav"), MUSIC),
    "an impulse response re-recorded": (sounds("Impulses/Hall.wav"), MUSIC),
    "a sample that no patch names re-recorded": (sounds("Samples/c_E3.wav"), NONE),
    "a sample that no patch names added": (sounds("Samples/d_F3.wav"), NONE),
    "the panel gone": (lambda folder: (folder / "Pictures/Panel.png").unlink(), OPENS),
    "the panel drawn anew": (written("Pictures/Panel.png"), NONE),
    "the cover replaced": (written("Cover.png"), NONE),
    "the cover renamed": (renamed("Cover.png", "Front.png"), NONE),
    "another cover added": (written("Cover 2.png"), NONE),
    "a preview replaced": (sounds("Previews/Song.wav"), NONE),
    "a preview in another format": (sounds("Previews/Song.wav", width=3), NONE),
    "the readme rewritten": (written("Readme.txt", b"Unzip all of it first.\n"), NONE),
    "another engine": (state("Example Engine", "Other Engine"), KINDS),
    "the engine's name in other letters": (state("Example Engine", "example  engine"), NONE),
    "another summary": (state('version = "1.0"', 'version = "1.1"'), NONE),
    "another control": (state('name = "Body"', 'name = "Stone"'), NONE),
}


@pytest.mark.parametrize("case", AWAY)
def test_what_reopens_an_away_test_and_what_does_not(folder: Path, case: str) -> None:
    change, reopened = AWAY[case]
    shop = Workshop.open(folder)
    for kind in get_args(AwayKind):
        shop.record_away(passed(kind))
    assert kinds_here(folder) == KINDS
    change(folder)
    assert kinds_here(folder) == KINDS - reopened


SEALED = {
    "a sample re-recorded": (sounds("Samples/c_E3.wav"), MUSIC),
    "a sample in another format": (sounds("Samples/c_E3.wav", width=3), KINDS),
    "a sample added": (sounds("Samples/d_F3.wav"), KINDS),
    "a picture that may be its panel gone": (lambda folder: (folder / "Cover.png").unlink(), OPENS),
    "the cover replaced": (written("Cover.png"), NONE),
    "a preview replaced": (sounds("Previews/Song.wav"), NONE),
    "the readme rewritten": (written("Readme.txt", b"Unzip all of it first.\n"), NONE),
}


@pytest.mark.parametrize("case", SEALED)
@pytest.mark.parametrize("why", ["sealed", "script"])
def test_where_a_patch_may_open_anything_every_name_counts(folder: Path, case: str, why: str) -> None:
    if why == "sealed":
        sealed(folder)
    else:
        written("Scripts/run.txt", b'load("Samples/" + name)\n')(folder)
    change, reopened = SEALED[case]
    shop = Workshop.open(folder)
    for kind in get_args(AwayKind):
        shop.record_away(passed(kind))
    change(folder)
    assert kinds_here(folder) == KINDS - reopened


def test_what_comes_back_counts_again_and_the_reason_is_told_meanwhile(folder: Path) -> None:
    shop = Workshop.open(folder)
    shop.record_away(passed("another player"))
    assert shop.status().step("away").state.value == "proven"
    state("Example Engine", "Other Engine")(folder)
    away = Workshop.open(folder).status().step("away")
    assert (away.state.value, away.because) == (
        "stale",
        "1 away test made with another engine than the facts name",
    )
    assert [one.rule for one in away.findings] == ["away-untried", "engine-other"]
    state("Other Engine", "Example Engine")(folder)
    before = (folder / "Slate.eeng").read_bytes()
    (folder / "Slate.eeng").write_bytes(before + b"\3")
    assert Workshop.open(folder).status().step("away").because == "1 away test made with other content"
    (folder / "Slate.eeng").write_bytes(before)
    assert Workshop.open(folder).status().step("away").state.value == "proven"


def test_a_later_failure_counts_although_the_content_changed_and_came_back_meanwhile(folder: Path) -> None:
    """The same file of evidence is written again with what stood in it before: the order of giving still decides."""
    shop = Workshop.open(folder)
    shop.record_away(passed("another player"))
    tone(folder / "Samples/a_C3.wav", 2)  # other content for music alone
    Workshop.open(folder).record_away(passed("another player", result="fail", notes="silence"))
    tone(folder / "Samples/a_C3.wav", 1)
    shop = Workshop.open(folder)
    assert [test.result for test in shop.away().here] == ["pass", "fail"]
    shop.record_away(passed("a piece of music"))
    assert [test.result for test in Workshop.open(folder).away().here] == ["pass", "fail", "pass"]
    assert Workshop.open(folder).status().step("away").state.value == "failing"


def answered(folder: Path) -> set[str]:
    return {view.trial.title for view in Workshop.open(folder).trials() if view.answer}


ALONE = {"Tone alone", "Air alone", "Body alone"}
TOGETHER = {
    "All controls left to right",
    "All controls right to left",
    *(f"Extremes together {number} of 4" for number in range(1, 5)),
}
SHUFFLED = "All controls shuffled"

TRIALS = {
    "another patch": (written("Slate.eeng", patch_of(*NAMES, "x")), ALONE | TOGETHER),
    "a script added": (written("Scripts/run.txt", b"print()"), ALONE | TOGETHER),
    "an impulse response re-recorded": (sounds("Impulses/Hall.wav"), ALONE | TOGETHER),
    "a sample re-recorded": (sounds("Samples/a_C3.wav"), set()),
    "the cover replaced": (written("Cover.png"), set()),
    "another engine": (state("Example Engine", "Other Engine"), set()),
    "what one control is said to do": (state("dark to bright", "bright to dark"), {"Tone alone"}),
    "the controller of one": (state("cc = 20", "cc = 21"), {"Tone alone"}),
    "the rest of one": (state("cc = 20", "cc = 20\nrest = 0.5"), {"Tone alone"} | TOGETHER),
    "an end of one": (state("cc = 20", "cc = 20\nhigh = 2.0"), {"Tone alone"} | TOGETHER),
    "a control more": (state('name = "Body"', 'name = "Body"\n\n[[controls]]\nname = "New"'), TOGETHER),
    "a control less": (state('[[controls]]\nname = "Body"', ""), {"Body alone"} | TOGETHER),
    "the order on the panel": (state(f"{AIR}\n{BODY}", f"{BODY}\n{AIR}"), TOGETHER),
}


@pytest.mark.parametrize("case", TRIALS)
def test_what_reopens_a_trial_and_what_does_not(folder: Path, case: str) -> None:
    change, reopened = TRIALS[case]
    shop = Workshop.open(folder)
    for view in shop.trials():
        shop.answer(view.trial.id, "pass")
    assert answered(folder) >= ALONE | TOGETHER
    change(folder)
    gone = (ALONE | TOGETHER) - answered(folder)
    assert gone == reopened
    shuffled = any(title.startswith(SHUFFLED) for title in answered(folder))
    assert shuffled is not (reopened >= TOGETHER)


def test_a_bounce_rests_on_what_is_heard(folder: Path) -> None:
    from companion.steps.looks.performance import content_mark

    def mark() -> str:
        return content_mark(Workshop.open(folder).desk())

    first = mark()
    innocent = (
        "the panel drawn anew",
        "the cover replaced",
        "a preview replaced",
        "the readme rewritten",
        "another engine",
    )
    for case in innocent:
        AWAY[case][0](folder)
        assert mark() == first
    seen = {first}
    heard = ("a named sample re-recorded", "an impulse response re-recorded", "another patch", "a script added")
    for case in (*heard, "another control"):
        AWAY[case][0](folder)
        assert mark() not in seen
        seen.add(mark())
