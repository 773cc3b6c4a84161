"""Light and dark: chosen, kept, or as the terminal is; words can be read in both, the cursor without any colour."""

from __future__ import annotations

import difflib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest
from rich.color import Color, ColorSystem
from rich.style import Style
from textual.theme import Theme

from companion.core.errors import CompanionError
from companion.core.findings import Severity
from companion.core.own import choice, keep_choice
from companion.core.progress import QUIET, Watch
from companion.drawing.shapes import Axis, Bar, Bars, Bound, Dots, Drawing, Figure, Mark, Plot, Trace, Window
from companion.steps.account.due import Due
from companion.steps.drawn.which import Sight
from companion.steps.model import State
from companion.steps.table import STEPS
from companion.tui.app import CompanionApp
from companion.tui.frame import terminal
from companion.tui.frame.colours import has_few, wants_light
from companion.tui.frame.sixteen import CHALK_FEW, SLATE_FEW
from companion.tui.frame.terminal import background_is_light, is_light
from companion.tui.frame.theme import CHALK, SLATE, theme_of
from companion.tui.parts.editing import EditScreen, SettleScreen
from companion.tui.parts.form import FieldBox
from companion.tui.parts.picture import STYLES, PictureScreen
from tests.tui.conftest import Bench, Hand, finding
from tests.tui.test_picture import Easel
from tests.tui.test_wording import came

WORDS = 4.5
GRAPHICS = 3.0
"""Contrast of text, and of what is needed to see a control: WCAG 2.2, success criteria 1.4.3 and 1.4.11."""
LINES = set("▕▏│─▔·░█")
"""What divides and fills, and says nothing."""

Rgb = tuple[int, int, int]


def contrast(one: Rgb, other: Rgb) -> float:
    """Return the contrast of two sRGB colours, 1 to 21, after WCAG 2.2's definitions."""

    def luminance(colour: Rgb) -> float:
        parts = [part / 255 for part in colour]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    assert contrast((119, 119, 119), (255, 255, 255)) == pytest.approx(4.48, abs=0.005)  # WCAG's own #777777
    assert contrast((5, 5, 5), (5, 5, 5)) == 1


def shown(style: Style) -> tuple[Rgb, Rgb]:
    """Return the colours of letters and of their ground, as a terminal shows them."""
    assert style.color
    assert style.bgcolor
    pair = tuple(style.color.get_truecolor()), tuple(style.bgcolor.get_truecolor())
    return (pair[1], pair[0]) if style.reverse else pair  # type: ignore[return-value]


def words_on(hand: Hand) -> Iterator[tuple[str, Style]]:
    """Yield what the topmost screen shows; what lies behind a dialog is meant to step back."""
    screen = hand.app.screen
    dialog = len(hand.app.screen_stack) > 1 and not isinstance(screen, PictureScreen | EditScreen | SettleScreen)
    inside = screen.children[0].region if dialog else screen.region
    for y, strip in enumerate(screen._compositor.render_strips()):
        x = 0
        for segment in strip:
            if inside.contains(x, y) and segment.text.strip() and segment.style:
                yield segment.text.strip(), segment.style
            x += segment.cell_length


def poor(hand: Hand) -> list[str]:
    """Return the words that are hard to read, each with its contrast."""
    found = []
    for text, style in words_on(hand):
        if set(text) <= LINES:
            continue
        least = GRAPHICS if set(text) <= set("▌▐▸▾■━▁▂▃▄▅▆▇") else WORDS
        if (ratio := contrast(*shown(style))) < least:
            found.append(f"{text!r}: {ratio:.2f}")
    return found


class Palette(Easel):
    """Draws with every ink there is, as lines, dots, marks, bars and text."""

    def draw(self, sight: Sight, watch: Watch = QUIET) -> Drawing:
        inks = [ink for ink in STYLES if ink != "cursor"]
        lines = tuple(Trace(xs=(0.0, 99.0), ys=(0.1 * n, 0.1 * n), name=ink, ink=ink) for n, ink in enumerate(inks))
        dots = tuple(Dots(xs=(50.0,), ys=(-0.1 * n,), name=ink, ink=ink) for n, ink in enumerate(inks))
        marks = tuple(Mark(start=9 * n, end=9 * n + 1, text=ink, ink=ink) for n, ink in enumerate(inks))
        x, y = Axis(low=0, high=100, unit="frames"), Axis(low=-1, high=1)
        plot = Plot(x=x, y=y, traces=lines, dots=dots, marks=marks, bounds=(Bound(value=0.5, text="limit"),))
        bars = Bars(bars=tuple(Bar(name=f"{ink}.wav", value=5, text="5 B", ink=ink, path="a.wav") for ink in inks))
        return Drawing(
            kind=sight.kind or "waveform", title="all", path="a.wav",
            panes=(bars,) if sight.kind == "weight" else (plot,), figures=(Figure("Measured", "1"),),
            window=Window(start=0, end=50, whole=100),
        )  # fmt: skip


@pytest.fixture
def busy(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """A bench on which there is something of every kind to see."""
    monkeypatch.setattr(bench, "sights", lambda watch=QUIET: Palette())
    monkeypatch.setattr(bench, "worded", lambda what, fmt="md", watch=QUIET: came())
    states = [*State, *State]
    bench.states = {step.id: states[place] for place, step in enumerate(STEPS)}
    for step in STEPS:
        bench.found[step.id] = (
            finding("clipped", "a.wav"),
            finding("starts-hot", "b.wav", severity=Severity.WARNS),
            finding("stray-unasked", "c.txt", severity=Severity.NOTES),
            finding("noise-builds-up", "d.wav", severity=Severity.WARNS, waived="meant"),
        )
    bench.due = Due(because="21 samples changed", label="21 samples")
    return bench


WALK: Final = Path(__file__).parent / "screens" / "walk 100x36.txt"


def as_walked(texts: dict[str, str]) -> str:
    """Return screens as one text, each behind its keys; without scrollbars, which know how long a folder's path is."""
    bars = str.maketrans(dict.fromkeys("▁▂▃▄▅▆▇", " "))
    lines = {keys: text.translate(bars).splitlines() for keys, text in texts.items()}
    return "".join(f"======== {keys}\n" + "".join(f"{line.rstrip()}\n" for line in of) for keys, of in lines.items())


async def test_every_word_can_be_read_and_every_screen_is_as_it_was_looked_at(busy: Bench) -> None:
    """In light colours and dark ones. ``COMPANION_WRITE_SCREENS=1`` writes the screens anew, to be looked at."""
    app = CompanionApp(busy.folder, lambda _: busy)
    seen: dict[str, list[str]] = {}
    texts: dict[str, str] = {}
    walks = [f"{digit}|enter|escape {digit} t" for digit in "1234567890"]
    dialogs = ["escape 4 v", "s", "question_mark", "ctrl+p", "2 enter", "escape 8 e", "8 x", "8 i", "k", "1 x q"]
    pictures = ["escape 4 enter", "t"]
    async with app.run_test(size=(100, 36)) as pilot:
        hand = Hand(app, pilot)
        await hand.rest()

        async def look(name: str) -> None:
            texts[name] = hand.text()
            seen[f"{name}, {app.theme}"] = poor(hand)
            app.theme = CHALK.name if app.theme == SLATE.name else SLATE.name
            await pilot.pause()
            seen[f"{name}, {app.theme}"] = poor(hand)

        for walk in walks:
            for keys in walk.split("|"):
                await hand.press(*keys.split())
                await look(f"{walk[0]} {keys}")
        for keys in pictures:
            await hand.press(*keys.split())
            for _ in range(2_000):
                if isinstance(app.screen, PictureScreen) and app.screen.tour.drawing:
                    break
                await pilot.pause(0.002)
            await hand.rest()
            assert isinstance(app.screen, PictureScreen), hand.text()
            await look(f"picture {keys}")
        await hand.press("escape")
        for keys in dialogs:
            await hand.press(*keys.split())
            await look(f"dialog {keys}")
            await hand.press("escape")
        hand.app.folder_changed()
        hand.app.show_notice("good")
        hand.app.show_notice("bad", wrong=True)
        await hand.rest()
        await look("told")
    assert (len(texts), len(seen)) == (43, 86)
    assert not {place: words for place, words in seen.items() if words}
    if os.environ.get("COMPANION_WRITE_SCREENS"):
        WALK.write_text(as_walked(texts), encoding="utf-8")
    before, now = WALK.read_text(encoding="utf-8"), as_walked(texts)
    lines = difflib.unified_diff(before.splitlines(), now.splitlines(), "as looked at", "now", lineterm="", n=3)
    assert before == now, "look at it, then: COMPANION_WRITE_SCREENS=1\n" + "\n".join(lines)


async def test_the_cursor_is_told_by_more_than_colour(busy: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    app = CompanionApp(busy.folder, lambda _: busy)
    async with app.run_test(size=(100, 36)) as pilot:
        hand = Hand(app, pilot)
        await hand.rest()
        await hand.press("4", "escape")
        row = [style for text, style in words_on(hand) if "Sound" in text]
        assert any(style.reverse for style in row)
        other = [style for text, style in words_on(hand) if "Paths" in text]
        assert other
        assert not any(style.reverse for style in other)
        await hand.press("tab")
        assert not hand.app.rail.steps.has_focus
        left = [style for text, style in words_on(hand) if text == "Sound"]
        assert not any(style.reverse for style in left), "where the focus is not, there is no cursor"


# -- chosen -------------------------------------------------------------------------------------------------------


async def test_a_key_turns_the_colours_and_the_choice_is_kept(bench: Bench) -> None:
    app = CompanionApp(bench.folder, lambda _: bench)
    async with app.run_test() as pilot:
        hand = Hand(app, pilot)
        await hand.rest()
        assert app.theme == SLATE.name
        await hand.press("escape", "l")
        assert (app.theme, choice("colours"), wants_light()) == (CHALK.name, "light", True)
        await hand.press("l")
        assert (app.theme, choice("colours"), wants_light()) == (SLATE.name, "dark", False)


async def test_where_nothing_can_be_kept_the_colours_turn_all_the_same(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("COMPANION_HOME", str(tmp_path / "file"))
    app = CompanionApp(bench.folder, lambda _: bench)
    async with app.run_test() as pilot:
        hand = Hand(app, pilot)
        await hand.rest()
        await hand.press("escape", "l")
        assert app.theme == CHALK.name
        assert hand.shows("✗ The choice holds until you quit, and is not kept")


def test_a_choice_goes_before_what_the_terminal_says(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[bool | None] = [True]
    monkeypatch.setattr(terminal, "background_is_light", lambda: told[0])
    assert wants_light()
    told[0] = False
    assert not wants_light()
    told[0] = None
    assert not wants_light()
    keep_choice("colours", "light")
    assert wants_light()
    keep_choice("colours", "dark")
    told[0] = True
    assert not wants_light()


@pytest.mark.parametrize(
    ("light", "few", "theme"), [(a, b, theme_of(light=a, few=b)) for a in (False, True) for b in (False, True)]
)
def test_the_command_begins_in_the_right_colours(
    folder: Path, monkeypatch: pytest.MonkeyPatch, light: bool, few: bool, theme: Theme
) -> None:
    from companion.tui import running as module

    began: list[str] = []
    monkeypatch.setattr(terminal, "background_is_light", lambda: light)
    monkeypatch.setattr(module, "has_few", lambda: few)
    monkeypatch.setattr(CompanionApp, "run", lambda self: began.append(self.theme))
    assert module.run_app(folder) == 0
    assert began == [theme.name]


# -- the terminal's answer ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "light"),
    [
        (b"\x1b]11;rgb:ffff/ffff/ffff\x1b\\\x1b[?62;22c", True),
        (b"\x1b]11;rgb:0000/0000/0000\x07\x1b[?1;2c", False),
        (b"\x1b]11;rgb:fd/f6/e3\x1b\\", True),
        (b"\x1b]11;rgba:1c1c/1c1c/1c1c/ffff\x1b\\", False),
        (b"\x1b]11;rgb:f/0/0\x1b\\", False),  # red is dark: 0.2126
        (b"\x1b]11;rgb:0/f/0\x1b\\", True),
        (b"x\x1b]11;rgb:ffff/ffff/ffff\x1b\\", True),  # a key pressed meanwhile
        (b"\x1b[?62;22c", None),
        (b"\x1b]11;rgb:ffff/ffff\x1b\\", None),
        (b"\x1b]10;rgb:ffff/ffff/ffff\x1b\\", None),
        (b"", None),
    ],
)
def test_what_an_answer_means(answer: bytes, light: bool | None) -> None:
    assert is_light(answer) is light


@pytest.mark.parametrize(
    ("told", "light"),
    [("0;15", True), ("15;default;7", True), ("15;0", False), ("7;8", False), ("15;default", None), ("", None)],
)
def test_where_it_does_not_answer_the_environment_does(
    monkeypatch: pytest.MonkeyPatch, told: str, light: bool | None
) -> None:
    monkeypatch.setattr(terminal, "_ask", lambda: b"")
    monkeypatch.setenv("COLORFGBG", told)
    assert background_is_light() is light
    monkeypatch.setattr(terminal, "_ask", lambda: b"\x1b]11;rgb:ffff/ffff/ffff\x1b\\")
    assert background_is_light() is True

    def refuse() -> bytes:
        raise OSError("not a terminal")

    monkeypatch.setattr(terminal, "_ask", refuse)
    assert background_is_light() is light


@pytest.mark.skipif(sys.platform == "win32", reason="Windows is not asked")
@pytest.mark.parametrize(
    ("answer", "light"),
    [
        (b"\x1b]11;rgb:ffff/ffff/ffff\x1b\\\x1b[?62c", True),
        (b"\x1b[?62c", None),
        (b"\x1b]11;rgb:0/0/0\x07\x1b[?6c", False),
    ],
)
def test_a_terminal_is_asked_and_left_as_it_was(
    monkeypatch: pytest.MonkeyPatch, answer: bytes, light: bool | None
) -> None:
    import pty
    import termios

    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("COLORFGBG", raising=False)
    os.write(master, answer)
    with os.fdopen(slave, "r+b", buffering=0) as line:
        monkeypatch.setattr(sys, "stdin", line)
        monkeypatch.setattr(sys, "stdout", line)
        assert background_is_light() is light
        assert termios.tcgetattr(slave) == before
    asked = b""
    while not asked.endswith(b"\x1b]11;?\x1b\\\x1b[c"):  # behind the echo of what the test itself wrote
        asked += os.read(master, 4096)
    os.close(master)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows is not asked")
def test_a_terminal_that_says_nothing_costs_a_moment_and_what_comes_later_is_no_key(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import pty

    monkeypatch.setattr(terminal, "PATIENCE", 0.02)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("COLORFGBG", raising=False)
    master, slave = pty.openpty()
    with os.fdopen(slave, "r+b", buffering=0) as line:
        monkeypatch.setattr(sys, "stdin", line)
        monkeypatch.setattr(sys, "stdout", line)
        assert background_is_light() is None
        monkeypatch.setenv("TERM", "dumb")
        os.read(master, 4096)
        os.write(master, b"\x1b]11;rgb:ffff/ffff/ffff\x1b\\\x1b[?62c")
        assert background_is_light() is None, "a dumb terminal is not asked"
    os.close(master)


def test_a_refused_choice_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setenv("COMPANION_HOME", str(tmp_path / "file"))
    with pytest.raises(CompanionError):
        keep_choice("colours", "light")


# -- sixteen colours ----------------------------------------------------------------------------------------------

XTERM = (
    *((0, 0, 0), (205, 0, 0), (0, 205, 0), (205, 205, 0), (0, 0, 238), (205, 0, 205), (0, 205, 205), (229, 229, 229)),
    *((127, 127, 127), (255, 0, 0), (0, 255, 0), (255, 255, 0), (92, 92, 255), (255, 0, 255), (0, 255, 255)),
    (255, 255, 255),
)
"""The sixteen colours as xterm shows them by its own defaults."""


def as_one_of_sixteen(colour: str) -> Rgb:
    number = Color.parse(colour).downgrade(ColorSystem.STANDARD).number
    assert number is not None
    return XTERM[number]


@pytest.mark.parametrize("theme", [SLATE_FEW, CHALK_FEW], ids=lambda one: one.name)
def test_in_sixteen_colours_every_letter_stands_out_from_every_ground(theme: Theme) -> None:
    said = theme.variables
    letters = {
        name: str(getattr(theme, name))
        for name in ("foreground", "primary", "secondary", "accent", "success", "warning", "error")
    }
    letters["muted"] = said["foreground-muted"]
    grounds = {name: str(getattr(theme, name)) for name in ("background", "surface", "panel")}
    grounds |= {name: said[f"{name}-background"] for name in ("block-cursor", "block-cursor-blurred")}
    for letter, colour in letters.items():
        for ground, under in grounds.items():
            ratio = contrast(as_one_of_sixteen(colour), as_one_of_sixteen(under))
            assert ratio >= WORDS, f"{letter} on {ground}: {ratio:.2f}"
    selected = as_one_of_sixteen(said["input-selection-background"])
    assert contrast(as_one_of_sixteen(letters["foreground"]), selected) >= WORDS
    assert selected != as_one_of_sixteen(grounds["panel"])
    assert said["block-cursor-background"] != theme.background, "the cursor's row is found by it"
    assert as_one_of_sixteen(said["border-blurred"]) != as_one_of_sixteen(grounds["background"])


@pytest.mark.parametrize("light", [False, True])
async def test_in_sixteen_colours_fields_and_the_open_step_are_seen(bench: Bench, light: bool) -> None:
    app = CompanionApp(bench.folder, lambda _: bench, light=light, few=True)
    async with app.run_test(size=(100, 36)) as pilot:
        hand = Hand(app, pilot)
        await hand.rest()
        await hand.press("1", "enter")
        field = next(box for box in app.query(FieldBox) if box.field.key == "instrument.title").box
        other = next(box for box in app.query(FieldBox) if box.field.key == "instrument.maker").box
        sides = {one.has_focus: one.styles.border_left[0] for one in (field, other)}
        assert sides == {True: "outer", False: "vkey"}, "with the focus or without, and unlike without any colour"
        assert any(style.underline for text, style in words_on(hand) if "Facts" in text)
        await hand.press("escape", "l")
        assert app.theme == (SLATE_FEW if light else CHALK_FEW).name


@pytest.mark.parametrize(
    ("variables", "few"),
    [
        ({"TERM": "xterm"}, True),
        ({"TERM": "screen"}, True),
        ({"TERM": "xterm-256color"}, False),
        ({"TERM": "xterm", "COLORTERM": "truecolor"}, False),
        ({"TERM": "dumb"}, False),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="Windows says otherwise how many colours it has")
def test_how_many_colours_there_are_is_told_by_the_environment(
    monkeypatch: pytest.MonkeyPatch, variables: dict[str, str], few: bool
) -> None:
    for name in ("TERM", "COLORTERM", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setenv("FORCE_COLOR", "1")  # it is a terminal, which a test's output is not
    assert has_few() is few
