"""The page in a working folder: what it says of an archive before and after it is built, and of the release before."""

from __future__ import annotations

import wave
from pathlib import Path

import pytest

from companion.core.entries import Kind
from companion.core.evidence import AwayTest
from companion.words.built import once_built
from companion.workshop import Workshop

FACTS = """
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
summary = "Slabs of slate, struck."
contact = "hello@quay-room.example"
licence = "CC0-1.0"
rights = "All of it was recorded by Quay Room."
[engine]
name = "Example Engine"
edition = "any"
saved_with = "7.1.2"
minimum = "7.1.2"
[contents]
patches = ["Soft.eeng", "*.eeng"]
[naming]
pattern = "{layer}_{note}_v{velocity}"
middle_c = "C3"
"""


def sample(path: Path, value: int) -> None:
    path.parent.mkdir(exist_ok=True)
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, 44_100, 0, "NONE", ""))
        file.writeframes(value.to_bytes(2, "little") * 4410)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "release.toml").write_text(FACTS, encoding="utf-8")
    for number, name in enumerate(("struck_E3_v40", "struck_E3_v100", "struck_F3_v40", "struck_F3_v100"), 1):
        sample(folder / "Samples" / f"{name}.wav", number)
    names = "\n".join(f"Samples/{path.name}" for path in sorted((folder / "Samples").iterdir()))
    for name in ("Loud", "Soft"):
        (folder / f"{name}.eeng").write_text(f"{name}\n{names}\n", encoding="utf-8")
    (folder / "LICENCE.txt").write_text("CC0 1.0, all of it.\n", encoding="utf-8")
    return folder


def raised(folder: Path, old: str, new: str) -> Workshop:
    facts = folder / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace(old, new), encoding="utf-8")
    return Workshop.open(folder)


def test_building_the_archive_fills_the_page_and_makes_no_words_stale(folder: Path) -> None:
    shop = Workshop.open(folder)
    shop.write_draft("changelog")
    shop.write_draft("readme")
    page = shop.write_draft("page").target
    assert once_built("checksum") in page.read_text("utf-8")
    page.write_text(page.read_text("utf-8") + "\nBest heard in the dark.\n", encoding="utf-8")
    shop.check(["contents", "paths", "words"])
    before = shop.status().step("words")
    packed = shop.pack()
    text = page.read_text("utf-8")
    assert f"SHA-256: {packed.sha256}" in text
    assert once_built("size") not in text
    assert text.endswith("Best heard in the dark.\n")
    after = Workshop.open(folder).status().step("words")
    assert (after.state, after.because) == (before.state, before.because)
    again = Workshop.open(folder).draft("page")
    assert again.text == text
    assert again.conflicts == ()


def test_a_wrong_checksum_on_the_page_makes_the_words_stale(folder: Path) -> None:
    shop = Workshop.open(folder)
    page = shop.write_draft("page").target
    packed = shop.pack()
    shop = Workshop.open(folder)
    shop.check(["words"])
    text = page.read_text("utf-8")
    page.write_text(text.replace(packed.sha256, "0" * 64), encoding="utf-8")
    assert Workshop.open(folder).status().step("words").state.value == "stale"
    page.write_text(text, encoding="utf-8")
    assert Workshop.open(folder).status().step("words").state.value != "stale"


def test_a_page_follows_the_archive_that_is_built_anew(folder: Path) -> None:
    shop = Workshop.open(folder)
    page = shop.write_draft("page", "html").target
    first = shop.pack()
    sample(folder / "Samples" / "struck_F3_v100.wav", 9)
    shop = Workshop.open(folder)
    second = shop.pack()
    text = page.read_text("utf-8")
    assert second.sha256 in text
    assert first.sha256 not in text


def test_the_patch_that_the_facts_name_first_is_the_one_to_start_with(folder: Path) -> None:
    text = Workshop.open(folder).draft("page").text
    assert "Open Soft.eeng in Example Engine to start with. There is also Loud.eeng." in text
    text = raised(folder, '["Soft.eeng", "*.eeng"]', '["*.eeng"]').draft("page").text
    assert "Open one of the patches in Example Engine: Loud.eeng and Soft.eeng." in text


def test_a_cover_and_previews_are_held_to_what_the_host_takes(folder: Path) -> None:
    (folder / "cover.png").write_bytes(b"x" * 2000)
    given = '[page]\ncover = "cover.png"\npreviews = ["slow.ogg"]\n[limits]\ncover_bytes = 1999\n'
    shop = raised(folder, "[naming]", f"{given}[naming]")
    found = {one.rule: one for one in shop.check(["words"]).step("words").findings}
    assert found["media-too-large"].path == "cover.png"
    assert (found["media-too-large"].value, found["media-too-large"].bound) == (2000, 1999)
    assert (found["media-missing"].where, found["media-missing"].value) == ("page.previews", "slow.ogg")
    (folder / "slow.ogg").write_bytes(b"heard")
    shop = raised(folder, "cover_bytes = 1999", "cover_bytes = 2000")
    assert not [one for one in shop.check(["words"]).step("words").findings if one.rule.startswith("media")]
    (folder / "cover.png").write_bytes(b"x" * 2001)
    assert Workshop.open(folder).status().step("words").state.value == "stale"


def test_pixels_and_seconds_are_held_to_what_the_host_takes(folder: Path) -> None:
    from PIL import Image

    Image.new("RGB", (300, 400)).save(folder / "cover.png")
    sample(folder / "slow.wav", 9)
    given = (
        '[page]\ncover = "cover.png"\npreviews = ["slow.wav"]\n[limits]\ncover_pixels = 399\npreview_seconds = 0.05\n'
    )
    shop = raised(folder, "[naming]", f"{given}[naming]")

    def media() -> dict[str, str]:
        found = shop.check(["words"]).step("words").findings
        return {one.path: f"{one.rule}: {one.measured}" for one in found if one.rule.startswith("media")}

    found = media()
    assert found["cover.png"] == "media-too-large: longest side 400 pixels"
    assert found["slow.wav"].startswith("media-too-large: 0.")
    shop = raised(folder, "preview_seconds = 0.05", "preview_seconds = 60")
    assert list(media()) == ["cover.png"]
    shop = raised(folder, "cover_pixels = 399", "cover_pixels = 400")
    assert media() == {}
    (folder / "cover.png").write_bytes(b"no picture")
    (folder / "slow.wav").write_bytes(b"no sound")
    shop = Workshop.open(folder)
    assert set(media()) == {"cover.png", "slow.wav"}
    assert all(told.startswith("media-unmeasured: not measured: ") for told in media().values())
    shop = raised(raised(folder, "cover_pixels = 400", "").places.folder, "preview_seconds = 60", "")
    assert media() == {}, "nothing is opened that is held to nothing"


def test_a_preview_is_no_sample_wherever_it_lies(folder: Path) -> None:
    shop = raised(folder, "[naming]", '[page]\npreviews = ["Heard/slow_C4_v100.wav"]\n[naming]')
    before = len(shop.status().step("contents").findings), shop.check(["sound"]).step("sound").details["samples"]
    (folder / "Heard").mkdir()
    sample(folder / "Heard" / "slow_C4_v100.wav", 9)
    shop = Workshop.open(folder)
    shown = {one.path: one for one in shop.contents().files}["Heard/slow_C4_v100.wav"]
    assert (shown.fate, shown.kind) == ("ships", Kind.OTHER)
    assert "page.previews" in shown.why
    found = shop.check(["contents", "sound"])
    assert found.step("sound").details["samples"] == before[1]
    assert not [one for one in found.step("contents").findings if one.path.startswith("Heard")]
    # One that a layer names by its name, or that the patch plays, is a sample whatever it is shown as besides.
    played = raised(folder, "[naming]", '[[layers]]\nname = "heard"\nfiles = ["Heard/slow_C4_v100.wav"]\n[naming]')
    assert played.check(["sound"]).step("sound").details["samples"] == before[1] + 1


def test_problems_are_told_by_the_note_that_a_player_hears(folder: Path) -> None:
    sample(folder / "Samples" / "struck_E3_v100.wav", 20_000)
    shop = Workshop.open(folder)
    shop.check(["sound"])
    text = shop.draft("page").text
    assert "\n- A recording does not swing around zero: E3, loud.\n" in text
    assert "struck_" not in text
    raised(folder, 'pattern = "{layer}_{note}_v{velocity}"', 'pattern = ""').check(["sound"])
    assert "\n- A recording does not swing around zero (1 file).\n" in Workshop.open(folder).draft("page").text


def test_an_away_test_is_of_the_engine_and_its_edition(folder: Path) -> None:
    shop = Workshop.open(folder)
    shop.record_away(
        AwayTest(
            kind="another computer",
            result="pass",
            system="Windows 11",
            engine_version="7.1.2",
            edition="any",
            played="a scale",
        )
    )
    assert (
        "Example Engine 7.1.2 or newer, any edition (tested with 7.1.2 on another computer)." in shop.draft("page").text
    )
