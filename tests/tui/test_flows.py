"""What a maker does in the app, over the real workshop and a copy of the demo: what the keys did is on the disk."""

from __future__ import annotations

import shutil
import tarfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input

from companion.core.progress import QUIET, Watch
from companion.steps.model import State, Status
from companion.steps.table import STEPS
from companion.tui.bodies import body_of
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.form import FieldBox
from companion.workshop import Workshop
from tests.tui.conftest import Hand, Opened

MADE = Path(__file__).resolve().parent.parent / "fixtures" / "first_building"


@pytest.fixture
def shop(demo_folder: Path) -> Any:
    """The workshop over a copy of the demo."""
    shop = Workshop.open(demo_folder)
    yield shop
    shop.close()


def box(hand: Hand, key: str) -> FieldBox:
    return next(box for box in hand.app.query(FieldBox) if box.field.key == key)


async def fill(hand: Hand, key: str, text: str) -> None:
    """Write ``text`` into a field in place of what stands there."""
    box(hand, key).box.focus()
    await hand.press("end", "ctrl+u")
    await hand.write(text)


def found(shop: Workshop, step: str) -> dict[tuple[str, str], str]:
    return {(f.rule, f.path): f.waived for f in shop.status().step(step).findings}


async def test_every_answer_is_kept_with_its_words(shop: Workshop, opened: Opened) -> None:
    async with opened(shop) as hand:
        await hand.press("5", "p", "f")
        await hand.write("it hums at the top")
        await hand.press("enter", "n")
        await hand.write("slow to start")
        await hand.press("enter")
        assert hand.shows("2 of 12 trials answered", "Answer noted, just now. slow to start")
        await hand.press("up", "p")
        assert hand.shows("2 of 12 trials answered"), "a second answer takes the place of the first"
    kept = [(view.answer.result, view.answer.note) for view in shop.trials()[:3] if view.answer]
    assert kept == [("pass", ""), ("pass", ""), ("note", "slow to start")]


async def test_a_failed_trial_fails_its_step(shop: Workshop, opened: Opened) -> None:
    async with opened(shop) as hand:
        await hand.press("5", "f", "enter")
        assert hand.shows("A failed trial needs words: what did you hear?")
        await hand.write("nothing at all")
        await hand.press("enter", "escape")
        assert hand.shows("5 ✗ Controls failing", "trial failed")
    assert shop.status().step("controls").state is State.FAILING


async def test_an_away_test_is_recorded_and_the_form_is_blank_again(shop: Workshop, opened: Opened) -> None:
    async with opened(shop, (100, 36)) as hand:
        await hand.press("6", "n")
        assert hand.app.query_one(Workspace).unsaved == "", "nothing has been written yet"
        await hand.press("right", "right", "right", "down", "right")
        assert hand.app.query_one(Workspace).unsaved == "Away"
        await fill(hand, "engine_version", "7.2.1")
        await fill(hand, "system", "Windows 11")
        box(hand, "reached_originals").box.focus()
        await hand.press("right")
        await fill(hand, "who", "Ada")
        await hand.press("enter")
        assert hand.shows("The test does not say what was opened and played"), "nor is it lost"
        await fill(hand, "played", "the lowest key")
        await hand.press("enter")
        assert hand.shows("The away test is recorded.", "✓ passed another player, just now", "the lowest key")
        assert hand.shows("Windows 11, Example Engine 7.2.1, Ada")
        assert hand.app.query_one(Workspace).unsaved == ""
        await hand.press("n")
        assert hand.shows("● not said yet", "○ another player")
    assert [(test.kind, test.system) for test in shop.away().here] == [("another player", "Windows 11")]


async def test_facts_are_kept_or_refused_beside_their_field(shop: Workshop, opened: Opened) -> None:
    facts = shop.folder / "release.toml"
    async with opened(shop, (100, 36)) as hand:
        await hand.press("1", "enter")
        await fill(hand, "instrument.contact", "https://quay-room.example/slate")
        await hand.press("enter")
        assert hand.shows("Kept: where players reach you.")
        kept = facts.read_text(encoding="utf-8")
        assert 'contact = "https://quay-room.example/slate"' in kept
        assert "# Slate Choir: what we know so far." in kept
        await hand.press("escape", "right", "enter")
        await fill(hand, "engine.systems", "windows, toaster")
        await hand.press("enter")
        assert box(hand, "engine.systems").has_class("-wrong")
        assert hand.shows("✗ “engine.systems")
        assert facts.read_text(encoding="utf-8") == kept
        await fill(hand, "engine.systems", "windows")
        await hand.press("enter")
        assert not box(hand, "engine.systems").has_class("-wrong")
    assert shop.facts.engine.systems == ("windows",)


async def test_a_waiver_is_taken_back_and_a_whole_rule_waived(shop: Workshop, opened: Opened) -> None:
    shop.check(("contents",))
    strays = [key for key in found(shop, "contents") if key[0] == "stray-system-file"]
    assert len(strays) == 2
    async with opened(shop, (100, 36)) as hand:
        await hand.press("2", "home")
        while not hand.shows("stray-system-file, 2"):  # the detail names the rule the cursor is on
            await hand.press("down")
        await hand.press("v")
        assert hand.shows("Waive “stray system file”, 2 findings")
        await hand.write("they never ship")
        await hand.press("enter")
        assert {found(shop, "contents")[key] for key in strays} == {"they never ship"}
        while not hand.shows("Waived they never ship"):
            await hand.press("down")
        await hand.press("v", "enter")
        assert {found(shop, "contents")[key] for key in strays} == {"they never ship"}
        await hand.press("v", "y")
        assert hand.shows("is taken back.")
    assert sorted(found(shop, "contents")[key] for key in strays) == ["", "they never ship"]


async def test_a_lapsed_waiver_is_given_again_with_one_key(shop: Workshop, opened: Opened) -> None:
    shop.waive("away-untried", "", "a beta for friends")
    patch = shop.folder / "Slate Choir.eeng"
    patch.write_bytes(patch.read_bytes() + b"\0")
    again = Workshop.open(shop.folder)
    assert again.status().step("away").state is State.OPEN
    async with opened(again, (100, 36)) as hand:
        await hand.press("6")
        while not hand.shows("Press g to waive it again."):
            await hand.press("t")
        assert hand.shows("“a beta for friends” (1.0.0, no test): what plays has changed since")
        await hand.press("g")
        assert hand.shows("Waived “away untried” again.")
        assert again.status().step("away").state is State.WAIVED
        given = again.facts.waivers
        assert [one.reason for one in given] == ["a beta for friends"]
        await hand.press("g")  # nothing has lapsed any more, and nothing happens
        assert again.facts.waivers == given
        assert not hand.app.check_action("renew", ())


async def test_a_waiver_that_lets_nothing_pass_is_taken_back_where_it_is_told(shop: Workshop, opened: Opened) -> None:
    shop.save_facts({"waivers": [{"rule": "minimum-unset", "path": "release.toml", "reason": "it is early"}]})
    async with opened(shop, (100, 36)) as hand:
        await hand.press("7")
        while not hand.shows("“it is early”: nothing of it is found there now"):
            await hand.press("t")
        while not hand.shows("Take it back: press v on it"):
            await hand.press("down")
        await hand.press("v")
        assert hand.shows("“minimum unset”, release.toml", "it is early")
        await hand.press("y")
        assert hand.shows("“minimum unset”, release.toml: the waiver is taken back.")
    assert shop.facts.waivers == ()
    assert "waiver-idle" not in [one.rule for one in shop.status().step("needs").findings]


async def test_a_text_is_written_and_what_stood_there_kept(shop: Workshop, opened: Opened) -> None:
    readme = shop.folder / "README.md"
    async with opened(shop, (100, 36)) as hand:
        await hand.press("8", "t")
        assert hand.shows("md README.md, not written yet")
        await hand.press("w")
        assert hand.shows("Written: README.md.", "exists already; your own words in it are kept")
        written = readme.read_text(encoding="utf-8")
        assert "Slate Choir" in written
        readme.write_text(f"{written}\nMy own words.\n", encoding="utf-8")
        await hand.press("w")
        assert "My own words." in readme.read_text(encoding="utf-8")


async def test_a_look_that_is_stopped_changes_nothing(
    shop: Workshop, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, never, check = threading.Event(), threading.Event(), shop.check

    def slow(steps: tuple[str, ...], watch: Watch = QUIET) -> Status:
        begun.set()
        while not watch.cancelled:
            never.wait(0.005)
        return check(steps, watch)

    monkeypatch.setattr(shop, "check", slow)
    async with opened(shop) as hand:
        await hand.pilot.press("4", "r")
        while not begun.is_set():
            await hand.pilot.pause()
        assert hand.shows("Checking Sound …", "c stops")
        await hand.press("c")
        assert hand.shows("› Stopped before the end; nothing was changed.")
        monkeypatch.undo()
        assert shop.status().step("sound").state is State.OPEN
        await hand.press("r")
        assert hand.shows("✗ failing")
    assert shop.status().step("sound").state is State.FAILING


async def test_of_a_read_only_folder_nothing_is_written(shop: Workshop, opened: Opened) -> None:
    shop.writable = False
    before = _files(shop.folder)
    async with opened(shop) as hand:
        assert hand.shows("read-only")
        await hand.press("5", "p")
        assert hand.shows("✗ The folder is read-only", "0 of 12 trials answered")
        await hand.press("8", "w")
        assert hand.shows("✗ The folder is read-only")
        await hand.press("9", "b", "k", "s", "t")
        assert hand.shows("No snapshot yet, and this folder is read-only.")
        assert not hand.shows("What will you know it by")
    assert _files(shop.folder) == before


async def test_snapshots_are_compared_and_some_of_one_brought_back(
    shop: Workshop, opened: Opened, tmp_path: Path
) -> None:
    licence, picture, other = shop.folder / "Licence.txt", shop.folder / "Pictures" / "Panel.png", tmp_path / "other"
    was, drawn = licence.read_bytes(), picture.read_bytes()
    shop.snapshot("as it came")
    licence.write_text("all of it", encoding="utf-8")
    picture.write_bytes(b"spoilt")
    shop.snapshot("spoilt")
    async with opened(shop, (100, 36)) as hand:
        await hand.press("escape", "s", "m", "down", "enter")
        assert hand.shows("From snapshot 1 to snapshot 2", "Licence.txt", "Pictures/Panel.png")
        await hand.press("r")
        assert hand.shows("Writes 2 files", "takes none away", "goes back: Licence.txt")
        hand.app.screen.query_one("#only", Input).focus()
        await hand.write("Licence.txt")
        assert hand.shows("Writes 1 file")
        assert not hand.shows("Panel.png")
        await hand.press("enter")
        assert hand.shows("1 file brought back")
        assert (licence.read_bytes(), picture.read_bytes()) == (was, b"spoilt")
        await hand.press("end", "r")
        hand.app.screen.query_one("#into", Input).focus()
        await hand.write(str(other))
        await hand.press("enter")
        assert hand.shows("brought back in")
    assert (other / "Pictures" / "Panel.png").read_bytes() == drawn
    assert picture.read_bytes() == b"spoilt"


async def test_what_an_older_companion_judged_is_stale_and_judged_again(tmp_path: Path, opened: Opened) -> None:
    with tarfile.open(MADE / "released.tar.xz") as archive:
        archive.extractall(tmp_path, filter="data")
    shop = Workshop.open(tmp_path / "Slate Choir")
    async with opened(shop, (100, 36)) as hand:
        await hand.press("4")
        assert hand.shows("4 ~ Sound stale", "judged by an older companion", "Next r Look again")
        await hand.press("r")
        assert hand.shows("4 ✓ Sound proven")
        await hand.press("0")
        assert hand.shows("1.0", "Slate Choir 1.0.zip", "SHA-256")
    shop.close()


async def test_an_upload_is_held_against_the_release(tmp_path: Path, opened: Opened) -> None:
    with tarfile.open(MADE / "released.tar.xz") as made:
        made.extractall(tmp_path, filter="data")
    shop = Workshop.open(tmp_path / "Slate Choir")
    copy = Path(shutil.copyfile(shop.folder / "releases" / "Slate Choir 1.0.zip", tmp_path / "copy.zip"))
    cut = tmp_path / "cut.zip"
    cut.write_bytes(copy.read_bytes()[:-1])
    async with opened(shop, (100, 36)) as hand:
        await hand.press("0", "u", "enter")
        assert hand.shows("Write the path of the downloaded file.")
        await hand.write(str(cut))
        await hand.press("enter")
        assert hand.shows("✗ The copy is not what was released.", "a copy checked just now is not this archive")
        await hand.press("u")
        await hand.write(f'"{copy}"')
        await hand.press("enter")
        assert hand.shows(
            "› The downloaded copy is Slate Choir 1.0.zip, byte for byte.", "a copy checked just now is identical"
        )
    shop.close()


async def test_an_archive_of_other_content_is_forgotten(
    demo_folder: Path, mend_demo: Callable[..., None], opened: Opened
) -> None:
    mend_demo(demo_folder)
    shop = Workshop.open(demo_folder)
    async with opened(shop, (100, 36)) as hand:
        await hand.press("9", "b")
        assert hand.shows("9 ✓ Archive proven", "Slate Choir 1.0.0.zip", "A candidate, good for away tests")
        (demo_folder / "Licence.txt").write_text("all of it, again", encoding="utf-8")
        await hand.press("r")
        assert hand.shows("9 ~ Archive stale", "Next b Build it again.", "No archive of this content yet.")
        assert not hand.shows("SHA-256")
    shop.close()


async def test_a_waiver_given_by_the_byte_is_taken_back_on_its_line(tmp_path: Path, opened: Opened) -> None:
    text = 'file "Samples/wind.wav" file "Samples/rain.wav"\nfile "Samples/here.wav"\n'
    facts = '[instrument]\ntitle = "Slate Choir"\nversion = "1.0"\n[contents]\npatches = ["Slate.txt"]\n'
    for name, content in {"release.toml": facts, "Slate.txt": text, "Samples/here.wav": "RIFF"}.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(content, encoding="utf-8", newline="")
    shop = Workshop.open(tmp_path)
    shop.check(("contents",))
    for name in ("wind", "rain"):
        shop.waive("reference-missing", "Slate.txt", f"no {name}", f"byte {text.index(f'Samples/{name}')}")
    async with opened(shop, (120, 40)) as hand:
        await hand.press("2")
        view = hand.app.query_one(FindingsView)
        view.go_to(next(one for one in shop.status().step("contents").findings if one.waived == "no rain"))
        await hand.rest()
        await hand.press("v")
        await hand.rest()
        assert hand.shows("line 1", "Waived: no rain")
        await hand.press("y")
        assert hand.shows("the waiver is taken back")
        assert [one.reason for one in shop.facts.waivers] == ["no wind"]
    shop.close()


async def test_every_step_of_a_mended_folder_offers_what_comes_next(
    demo_folder: Path, mend_demo: Callable[..., None], opened: Opened
) -> None:
    mend_demo(demo_folder)
    shop = Workshop.open(demo_folder)
    async with opened(shop) as hand:
        await hand.press("escape", "a")
        for step in STEPS:
            await hand.app.open_step(step.id)
            await hand.rest()
            now = shop.status()
            before = now.next_step if now.next_step and now.next_step.id != step.id else None
            key, words = body_of(step.body).next_thing(now.step(step.id), before)
            assert hand.shows(f"Next {key} {words}".replace("  ", " "))
            body = hand.app.query_one(Workspace).body
            assert body
            if key and not key.isdigit() and key not in ("r", "Enter"):
                assert body.offers(next(one.action for one in body.KEYS if one.key == key)), key
    shop.close()


def _files(folder: Path) -> dict[Path, bytes]:
    """Return everything in the folder but what is measured anew if it is gone."""
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file() and "cache" not in path.name}
