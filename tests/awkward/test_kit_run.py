"""A kit at a helper's who has the companion: opened away from everything, answered by one file, trusted in nothing."""

from __future__ import annotations

import io
import re
import shutil
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.steps.deeds import kit_run
from tests.awkward.sent import Sent


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The place for temporary files at the helper's."""
    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(place))
    return place


@pytest.fixture
def kit(kit_file: Path, tmp_path: Path) -> Path:
    """The kit in the folder that the helper's browser puts things into."""
    place = tmp_path / "Ada" / "Downloads"
    place.mkdir(parents=True)
    return Path(shutil.copy(kit_file, place))


@pytest.fixture
def answering(monkeypatch: pytest.MonkeyPatch, companion: Any) -> Callable[..., Any]:
    """``answering(kit, *lines)``: run a kit in a terminal, in which the helper types these lines."""

    def run(kit: Path, *lines: str, more: tuple[str, ...] = ()) -> Any:
        typed = io.StringIO("".join(f"{line}\n" for line in lines))
        typed.isatty = lambda: True  # type: ignore[method-assign]
        with monkeypatch.context() as patched:
            patched.setattr(sys, "stdin", typed)
            patched.setattr(sys.stdout, "isatty", lambda: True, raising=False)
            patched.setattr(kit_run, "this_system", lambda: "Windows 11")
            return companion("kit", "run", kit, *more)

    return run


WELL = ("7.2", "full", "", "yes", "", "yes", "every key", "yes", "lovely", "Ada")


def answers_beside(kit: Path) -> list[Path]:
    return sorted(path for path in kit.parent.iterdir() if path != kit)


def test_without_a_terminal_it_is_opened_and_told_where_the_form_lies(
    kit: Path, companion: Any, elsewhere: Path, makers: Any
) -> None:
    before = makers(kit.parent)
    came = companion("kit", "run", kit)
    assert came.code == 0, came
    (place,) = elsewhere.iterdir()
    patch = place / "instrument" / "Slate Choir" / "Slate.eeng"
    assert patch.is_file()
    assert f"Open in Example Engine:\n  {patch}\n" in came.out
    assert "You need Example Engine 7.1 or newer." in came.out
    form = next(place.rglob("Form.txt"))
    assert f"Then fill in the form, in any text editor:\n  {form}\n" in came.out
    assert "--bounce SOUND" in came.out
    assert "Slate Choir 1.0 keys.mid" in came.out
    assert makers(kit.parent) == before


def test_the_form_filled_in_an_editor_goes_back_as_one_file(
    kit: Path, companion: Any, packed: Path, sent: Sent, bounce: Callable[..., Path], elsewhere: Path
) -> None:
    alone = companion("kit", "run", kit, "--form", sent.fill(), "--json")
    assert alone.code == 0, alone
    (form,) = answers_beside(kit)
    assert form.name == f"Test answer {sent.code}.txt"
    assert alone.json["answer"] == str(form)
    assert companion("receive", packed, form).code == 0
    sound = bounce().rename(sent.place / "Ada Lark's bounce.WAV")
    both = companion("kit", "run", kit, "--form", sent.form, "--bounce", sound)
    assert both.code == 0, both
    back = kit.parent / f"Test answer {sent.code}.zip"
    assert f"Send this one file back to whoever sent you the kit:\n  {back}" in both.out
    with zipfile.ZipFile(back) as archive:
        names = [name.rpartition("/")[2] for name in archive.namelist()]
    assert names == ["Bounce 1.wav", "Form.txt"], "the helper's own name of it may tell who it is"
    received = companion("receive", packed, back, "--json").json["received"]
    assert (received["result"], received["who"]) == ("pass", "Ada")
    assert re.search(r"Bounce 1\.wav: \d+ notes judged, 0 findings", received["bounce"][0])
    assert companion("kit", "run", kit, "--form", sent.form).code == 0
    assert (kit.parent / f"Test answer {sent.code} 2.txt").is_file(), "nothing is written over"
    assert list(elsewhere.iterdir()) == [], "a form alone leaves no copy behind"


def test_what_failed_or_is_not_said_is_exit_1(kit: Path, companion: Any, sent: Sent, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    failed = companion("kit", "run", kit, "--out", out, "--form", sent.fill(whole="no"))
    assert failed.code == 1
    half = companion("kit", "run", kit, "--out", out, "--form", sent.fill(whole=""))
    assert half.code == 1
    assert "Question 8 is not answered: the maker will have to ask you." in half.out
    assert len(list(out.iterdir())) == 2
    assert answers_beside(kit) == []


def test_in_a_terminal_the_form_is_asked(
    kit: Path, answering: Any, packed: Path, companion: Any, elsewhere: Path
) -> None:
    came = answering(kit, *WELL, "")
    assert came.code == 0, came
    assert came.out.index("1 of 10. Which version of Example Engine") < came.out.index("The archive is whole")
    assert came.out.index("The archive is whole") < came.out.index("4 of 10. Did the patch open?")
    (form,) = answers_beside(kit)
    received = companion("receive", packed, form, "--json")
    assert received.code == 0, received
    (test,) = companion("away", packed, "--json").json["here"]
    assert (test["system"], test["engine_version"], test["played"]) == ("Windows 11", "7.2", "every key")
    assert next(elsewhere.rglob("Slate.eeng")), "the engine may still have it open"
    assert "this may be deleted" in came.out


def test_what_is_not_understood_is_asked_again(kit: Path, answering: Any) -> None:
    lines = [
        "newest",
        "7.2",
        "full",
        "11",
        "Linux",
        "maybe",
        "Yes.",
        "",
        "",
        "yes",
        "7",
        "all",
        "y",
        "",
        "Ada Lark of X",
        "",
    ]
    came = answering(kit, *lines, "")
    assert came.code == 0, came
    for told, times in (
        ("That does not read as a version.", 1),
        ("Please begin with yes or no.", 2),
        ("A word or two, please", 2),
        ("A first name or initials will do, or nothing.", 1),
    ):
        assert came.out.count(told) == times, told
    (form,) = answers_beside(kit)
    assert "Answer: Linux" in form.read_text("utf-8-sig")


def test_an_engine_that_is_too_old_ends_it_before_anything_is_opened(
    kit: Path, answering: Any, packed: Path, companion: Any, elsewhere: Path
) -> None:
    came = answering(kit, "6.9")
    assert came.code == 1
    assert "Example Engine 6.9 is older than 7.1, so that is all. Thank you!" in came.out
    assert list(elsewhere.rglob("Slate.eeng")) == []
    (form,) = answers_beside(kit)
    assert "helper-too-old" in companion("receive", packed, form).out


def test_the_lowest_version_itself_will_do_and_only_what_the_form_asks_is_asked(
    kit: Path, answering: Any, companion: Any, packed: Path
) -> None:
    def shorter(name: str, data: bytes) -> bytes:
        return data.replace(b"2. Which edition", b"2. What edition") if name.endswith("Form.txt") else data

    rewrite(kit, shorter)
    came = answering(kit, "7.1", "", *WELL[3:], "")
    assert came.code == 0, came
    assert "older than" not in came.out
    assert "2 of 10" not in came.out
    (form,) = answers_beside(kit)
    assert companion("receive", packed, form).code == 0


def test_of_a_patch_that_does_not_open_little_is_asked(kit: Path, answering: Any, packed: Path, companion: Any) -> None:
    came = answering(kit, "7.2", "", "", "no", "a.wav", "a grey window", "", "")
    assert came.code == 1
    assert "6 of 10" not in came.out
    (form,) = answers_beside(kit)
    companion("receive", packed, form)
    (test,) = companion("away", packed, "--json").json["here"]
    assert (test["result"], test["notes"]) == ("fail", "asked for: a.wav; it opened: no; a grey window")


def test_bounces_are_asked_for_until_none_is_named(
    kit: Path, answering: Any, bounce: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = bounce()
    monkeypatch.setattr(kit_run, "_MOST_SOUNDS", 1)
    came = answering(kit, *WELL, "nowhere.wav", str(kit), f"'{sound}'", str(sound), "")
    assert came.code == 0, came
    assert "Those are 2 bounces" in came.out
    assert "There is no such file (nowhere.wav)." in came.out
    assert "That is no sound file" in came.out
    assert [path.suffix for path in answers_beside(kit)] == [".zip"]


def test_whoever_leaves_half_way_keeps_what_was_answered(kit: Path, answering: Any, sent: Sent) -> None:
    came = answering(kit, "7.2", "full", "", "yes")
    assert came.code == 130
    (form,) = answers_beside(kit)
    assert f"What you answered is kept: {form}." in came.err
    assert "Answer: full" in form.read_text("utf-8-sig")
    form.unlink()
    nothing = answering(kit)
    assert (nothing.code, answers_beside(kit)) == (130, [])


def test_the_archive_that_was_tried_must_be_the_one_that_was_sent(
    kit: Path, answering: Any, companion: Any, packed: Path, one_line: Any
) -> None:
    def other(name: str, data: bytes) -> bytes:
        if not name.endswith(".zip"):
            return data
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as archive:
            archive.writestr("Slate Choir/Slate.eeng", b"\0\1 another")
        return out.getvalue()

    rewrite(kit, other)
    assert answering(kit, *WELL, "").code == 0
    (form,) = answers_beside(kit)
    one_line(companion("receive", packed, form), "not the one that was sent", "Send the kit again")
    assert companion("away", packed, "--json").json["here"] == []


def rewrite(kit: Path, change: Callable[[str, bytes], bytes], more: dict[str, bytes] | None = None) -> None:
    """Write a kit anew, each member changed, and more members with it."""
    with zipfile.ZipFile(kit) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(kit, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, change(name, data))
        for name, data in (more or {}).items():
            archive.writestr(name, data)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"Slate Choir test kit/run.exe": b"MZ"}, "This holds “Slate Choir test kit/run.exe”, which no test kit does"),
        ({"Slate Choir test kit/a\x1b[2J.sh": b""}, "\\x1b[2J.sh”, which no test kit does"),
        ({"../evil.txt": b"x"}, "The kit is not opened (member-escapes"),
        ({"C:/evil.txt": b"x"}, "The kit is not opened (member-escapes"),
        ({"Slate Choir test kit/two.zip": b"PK"}, "it holds 1 form and 2 archives"),
        ({"Slate Choir test kit/long.txt": b"x" * 70_000}, "which is too large for one"),
        ({f"Slate Choir test kit/{n}.txt": b"x" for n in range(50)}, "far more than a test kit does"),
    ],
)
def test_what_is_no_kit_is_refused_before_anything_of_it_is_there(
    kit: Path, companion: Any, one_line: Any, elsewhere: Path, more: dict[str, bytes], says: str
) -> None:
    rewrite(kit, lambda _, data: data, more)
    one_line(companion("kit", "run", kit), says)
    assert list(elsewhere.iterdir()) == []
    assert answers_beside(kit) == []


def test_files_that_are_no_kit_at_all_are_one_line(
    kit: Path, companion: Any, one_line: Any, sent: Sent, tmp_path: Path
) -> None:
    one_line(companion("kit", "run", tmp_path / "gone.zip"), "There is no such file")
    one_line(companion("kit", "run", sent.form), "not a zip archive")
    one_line(companion("kit", "run", sent.folder / "Slate Choir 1.0.zip"), "which no test kit does")
    one_line(companion("kit", "run", kit, "--to", sent.folder), "is not empty")
    assert len(list(sent.folder.iterdir())) == 4
    one_line(companion("kit", "run", kit, "--bounce", sent.form), "A bounce goes with a form")
    other = tmp_path / "other.txt"
    other.write_text(sent.blank.replace(sent.code, "0000-1111-2222"), encoding="utf-8")
    one_line(companion("kit", "run", kit, "--form", other), "That form belongs to another kit, 0000-1111-2222")
    one_line(companion("kit", "run", kit, "--form", sent.fill(), "--bounce", sent.form), "That is no sound file")
    rewrite(kit, lambda name, data: b"no form" if name.endswith("Form.txt") else data)
    one_line(companion("kit", "run", kit), "it holds 0 forms and 1 archive")


def test_a_damaged_archive_in_a_kit_is_one_line_and_leaves_nothing(
    kit: Path, companion: Any, one_line: Any, elsewhere: Path
) -> None:
    rewrite(kit, lambda name, data: data[:-40] if name.endswith(".zip") else data)
    one_line(companion("kit", "run", kit), "The archive in the kit is not opened", "Ask for the kit again")
    assert list(elsewhere.iterdir()) == []


def test_the_words_of_a_stranger_s_kit_are_inert(kit: Path, companion: Any, elsewhere: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.txt").write_text("secret", encoding="utf-8")

    def spoilt(name: str, data: bytes) -> bytes:
        text = data.decode("utf-8-sig") if name.endswith(".txt") else ""
        text = text.replace("Example Engine", "\x1b[31m{{ 7*7 }}[bold]").replace(
            "Slate Choir 1.0:", "\x1b]0;x\x07 1.0:"
        )
        return text.replace("Slate.eeng", f"{'../' * 12}{tmp_path}/secret.txt").encode() if text else data

    rewrite(kit, spoilt)
    came = companion("kit", "run", kit)
    assert came.code == 0, came
    assert "\x1b" not in came.out
    assert "\\x1b[31m{{ 7*7 }}[bold]" in came.out
    assert "secret.txt" not in came.out, "only what lies in the copy is named"


def test_an_archive_of_another_shape_is_opened_and_its_fault_is_told(kit: Path, companion: Any) -> None:
    """No top folder, and a folder that the guide names: what is to be opened is a file."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("Slate.eeng", b"\0\1 a patch")
        archive.writestr("Samples/a.wav", b"RIFF")

    def other(name: str, data: bytes) -> bytes:
        if name.endswith(".zip"):
            return out.getvalue()
        return data.replace(b"monitors", "“Samples”".encode()) if name.endswith(".txt") else data

    rewrite(kit, other)
    told = companion("kit", "run", kit, "--json").json["opened"]
    assert [Path(path).name for path in told["patches"]] == ["Slate.eeng"]
    assert any(one.startswith("top-level-many: ") for one in told["warned"])
    assert "It has a fault, but opens: top-level-many: " in companion("kit", "run", kit).out


def test_more_than_a_kit_holds_and_more_than_comes_back_is_refused(
    kit: Path, companion: Any, one_line: Any, sent: Sent, elsewhere: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(kit_run, "MOST_KIT", 1_000)
        one_line(companion("kit", "run", kit), "far more than a test kit does")
    sound = sent.place / "a.wav"
    sound.write_bytes(b"RIFF" + bytes(96))
    bounces = [word for _ in range(9) for word in ("--bounce", sound)]
    one_line(companion("kit", "run", kit, "--form", sent.fill(), *bounces), "Those are 9 bounces", "Send 8 at most")
    monkeypatch.setattr(kit_run, "MOST_RETURNED", 199)
    one_line(companion("kit", "run", kit, "--form", sent.form, *bounces[:4]), "far too large")
    assert answers_beside(kit) == []
    assert companion("kit", "run", kit, "--form", sent.form, *bounces[:2]).code == 0
    assert list(elsewhere.iterdir()) == []


def test_it_is_opened_where_it_is_to_be(kit: Path, companion: Any, elsewhere: Path, tmp_path: Path) -> None:
    to = tmp_path / "new" / "copy"
    assert companion("kit", "run", kit, "--to", to).code == 0
    assert (to / "instrument" / "Slate Choir" / "Slate.eeng").is_file()
    assert list(elsewhere.iterdir()) == []


def test_a_folder_may_still_be_called_run(companion: Any, packed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packed.rename(packed.parent / "run")
    monkeypatch.chdir(packed.parent)
    assert companion("kit", "./run", "--json").json["kit"]["code"]
    monkeypatch.chdir("run")
    assert companion("kit", "--json").json["kit"]["code"]
