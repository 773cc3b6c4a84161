"""The app over the real workshop and the demo instrument: what is done by keys is on the disk afterwards."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile

from companion.core.pasted import place_of
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.form import FieldBox
from companion.workshop import Workshop
from tests.tui.conftest import Opened


async def test_a_look_finds_the_faults_and_a_waiver_is_kept(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    async with opened(shop) as hand:
        assert hand.shows("Slate Choir", "2 · Contents open", "1 ✗ Facts failing")
        await hand.press("2", "r")
        assert hand.shows("2 ✗ Contents failing", "▾ ✗ file truncated")
        view = hand.app.query_one(Workspace).body
        assert view
        await hand.press("v")
        await hand.write("meant to be so")
        await hand.press("enter")
        assert hand.shows("› Waived")
    text = (demo_folder / "release.toml").read_text(encoding="utf-8")
    assert 'reason = "meant to be so"' in text
    assert "# Slate Choir: what we know so far." in text
    assert len(shop.facts.waivers) == 1
    shop.close()


async def test_an_answer_and_a_refusal_reach_the_workshop(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    async with opened(shop) as hand:
        await hand.press("5", "p")
        assert hand.shows("1 of 12 trials answered")
        await hand.press("6", "n", "right", "tab", "right", "tab", "tab")
        await hand.write("6.0")
        await hand.press("tab", "tab", "tab", "right", "tab", "enter")
        assert hand.shows("✗ Example Engine 6.0 is older than")
    assert [view.answer.result for view in shop.trials() if view.answer] == ["pass"]
    assert not shop.away().here
    shop.close()


async def test_the_performance_is_written_bounced_and_judged(
    demo_folder: Path, opened: Opened, standin: Any, bounce_demo: Any, tmp_path: Path
) -> None:
    shop = Workshop.open(demo_folder)
    bounce, moved = tmp_path / "my bounce [1].wav", tmp_path / "moved.wav"
    async with opened(shop) as hand:
        await hand.press("5", "t")
        assert hand.shows("25 keys, D2 to D4, at 3 touches", "not written yet: press m", "monitors low")
        await hand.press("m")
        assert hand.shows("2 MIDI files", "Slate Choir 1.0.0 keys.mid", "4 controls on C3")
        midi = (shop.places.bounces / "Slate Choir 1.0.0 keys.mid").read_bytes()
        soundfile.write(bounce, standin.render(midi, standin.Made("organ", rate=22_050, takes=3)), 22_050)
        await hand.press("b")
        await hand.write(f"'{bounce}'")
        await hand.press("enter")
        assert hand.shows("my bounce [1].wav: 132 of 132 slots judged, nothing found")
        await hand.press("t", "t")
        assert hand.shows("0 of 12 trials answered, 8 measured", "✓ Round robins change: 25 keys proven by measurement")
        await hand.press("t")
        bounce_demo(demo_folder, shop.places.bounces / "Slate Choir 1.0.0 controls.mid", moved)
        await hand.press("b")
        await hand.write(str(moved))
        await hand.press("enter")
        assert hand.shows("moved.wav: 81 of 81 slots judged, nothing found; 3 questions left to your ear")
        await hand.press("t", "t")
        assert hand.shows("0 of 3 trials answered", "· Does it move without clicks?", "dies away so soon hides clicks")
        await hand.press("p")
        assert hand.shows("1 of 3 trials answered", "· Does it glide?", "a held note does not show its glide")
        await hand.press("p")
        assert hand.shows("2 of 3 trials answered", "✓ Air alone proven by measurement", "· Brush alone")
    assert shop.performance().outcomes[0].findings == ()
    shop.close()


@pytest.mark.parametrize(
    "text",
    [
        "/a b/[c].wav",
        "'/a b/[c].wav'",
        '"/a b/[c].wav"',
        "/a\\ b/\\[c\\].wav",
        "file:///a%20b/%5Bc%5D.wav",
        "  /a b/[c].wav\n",
    ],
)
def test_a_dropped_path_is_read_however_a_terminal_writes_it(text: str) -> None:
    assert place_of(text) == Path("/a b/[c].wav")


async def test_a_snapshot_is_taken_and_brought_back(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    licence = demo_folder / "Licence.txt"
    before = licence.read_bytes()
    async with opened(shop) as hand:
        await hand.press("escape", "s", "t")
        await hand.write("as it was")
        await hand.press("enter")
        assert hand.shows("1 as it was", "Snapshot 1 is kept")
        licence.write_text("spoilt", encoding="utf-8")
        await hand.press("enter")
        assert hand.shows("changed: Licence.txt")
        await hand.press("r")
        assert hand.shows("goes back: Licence.txt")
        await hand.press("y")
        assert hand.shows("1 file brought back", "What was there is snapshot 2.")
    assert licence.read_bytes() == before
    shop.close()


async def test_an_archive_is_built_and_proven(
    demo_folder: Path, mend_demo: Callable[..., None], opened: Opened
) -> None:
    mend_demo(demo_folder)
    shop = Workshop.open(demo_folder)
    async with opened(shop) as hand:
        await hand.press("9", "b")
        assert hand.shows("Slate Choir 1.0.0.zip", "SHA-256", "A candidate, good for away tests")
    assert (demo_folder / "releases" / "Slate Choir 1.0.0.zip").is_file()
    shop.close()


async def test_every_step_of_a_real_folder_opens(demo_folder: Path, opened: Opened) -> None:
    shop = Workshop.open(demo_folder)
    async with opened(shop, (120, 40)) as hand:
        for number in "1234567890":
            await hand.press(number)
            assert hand.shows("Next")
        await hand.press("8", "t", "m")
        assert hand.shows("README.txt")
    shop.close()


async def test_a_folder_without_facts_is_started(demo_folder: Path, opened: Opened) -> None:
    (demo_folder / "release.toml").unlink()
    shop = Workshop.open(demo_folder)
    async with opened(shop) as hand:
        assert hand.shows("There is no release.toml here yet.", "samples in Samples", "What is the instrument called?")
        assert hand.shows("1 of")
        await hand.press("enter")
        assert not (demo_folder / "release.toml").exists()  # Enter goes on to the next question
        assert hand.app.focused is hand.app.query(FieldBox)[1].box
        assert hand.shows("2 of", "Which files do players open", "Slate Choir.eeng")
        await hand.press("enter")
        assert hand.app.focused is hand.app.query(FieldBox)[2].box
        await hand.write("1.0")
        hand.app.query(FieldBox).last().box.focus()
        await hand.press("enter", "enter")  # a choice: on to the button, and that writes
        assert hand.shows("release.toml is written.")
    assert shop.facts.instrument.version == "1.0"
    assert shop.facts.contents.patches == ("Slate Choir.eeng",)
    shop.close()
