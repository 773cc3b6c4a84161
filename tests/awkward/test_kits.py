"""A kit goes out and comes back: one file each way, and nothing of a stranger's is believed or written."""

from __future__ import annotations

import json
import os
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from companion.trials.kits import QUESTIONS
from tests.awkward.sent import Sent


def away(companion: Any, folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = companion("away", folder, "--json").json
    return found


def test_a_kit_is_one_file_that_needs_no_companion(packed: Path, companion: Any, tmp_path: Path, sent: Sent) -> None:
    assert sorted(path.name for path in sent.folder.iterdir()) == [
        "Form.txt",
        "Read me first.txt",
        "Slate Choir 1.0 keys.mid",
        "Slate Choir 1.0.zip",
    ]
    released = packed / "releases" / "Slate Choir 1.0.zip"
    assert (sent.folder / released.name).read_bytes() == released.read_bytes()
    assert b"\r\n" in (sent.folder / "Read me first.txt").read_bytes(), "for the plainest editor there is"
    assert sent.code in sent.blank
    out = tmp_path / "out"
    other = companion("kit", packed, "--out", out, "--json").json["kit"]
    assert Path(other["path"]).parent == out
    assert other["code"] != sent.code
    assert "/" not in (sent.folder / "Form.txt").read_text("utf-8-sig").replace("kit", ""), (
        "nothing of the maker's disk"
    )


def test_without_a_proven_archive_there_is_no_kit(
    instrument: Path, companion: Any, one_line: Any, packed: Path
) -> None:
    one_line(companion("kit", packed, "--for", "Ada B. Cee"), "more about a person")
    (packed / "Samples" / "slate_C4.wav").write_bytes((packed / "Samples" / "slate_E4.wav").read_bytes())
    one_line(companion("kit", instrument), "no proven archive of this content", "companion pack")
    assert list((packed / ".companion").glob("kits/*.zip")) == []


def test_a_form_that_comes_back_is_the_away_test(packed: Path, companion: Any, sent: Sent) -> None:
    came = companion("receive", packed, sent.fill(), "--json")
    assert came.code == 0, came
    assert came.json["received"] | {"says": None} == {
        "code": sent.code, "who": "Ada", "result": "pass", "recorded": True, "says": None, "bounce": [],
    }  # fmt: skip
    (test,) = away(companion, packed)["here"]
    assert (test["kind"], test["result"], test["who"]) == ("another player", "pass", "Ada")
    assert (test["engine"], test["engine_version"], test["system"]) == ("Example Engine", "7.2", "Windows 11")
    record = json.loads((packed / ".companion" / "kits" / f"{sent.code}.json").read_text("utf-8"))
    assert record["outcome"] == "pass"


def test_what_failed_there_is_kept_as_failed(packed: Path, companion: Any, sent: Sent) -> None:
    came = companion("receive", packed, sent.fill("cp1252", "\n", opened="no", asked="slate_C4.wav"))
    assert came.code == 1
    assert "failed, recorded as an away test" in came.out
    (test,) = away(companion, packed)["here"]
    assert (test["result"], test["notes"]) == ("fail", "asked for: slate_C4.wav; it opened: no; lovely")


@pytest.mark.parametrize(
    ("left_out", "says"),
    [
        ({"engine_version": ""}, "with which version of the engine"),
        ({"engine_version": "the newest"}, "does not read as a version"),
        ({"system": ""}, "on which system"),
        ({"played": ""}, "what was opened and played"),
        ({"opened": ""}, "Question 4 is not answered"),
        ({"keys": "most"}, "Question 6 is answered neither yes nor no"),
    ],
)
def test_a_half_empty_form_is_one_line_and_records_nothing(
    packed: Path, companion: Any, one_line: Any, sent: Sent, left_out: dict[str, str], says: str
) -> None:
    one_line(companion("receive", packed, sent.fill(**left_out)), says)
    assert away(companion, packed)["here"] == []


def test_an_engine_that_is_too_old_ends_it(packed: Path, companion: Any, sent: Sent) -> None:
    blank = dict.fromkeys(QUESTIONS, "") | {"engine_version": "6.9"}
    came = companion("receive", packed, sent.fill("utf-8-sig", "\r", **blank))
    assert came.code == 1
    assert "nothing to record" in came.out
    assert "helper-too-old: Example Engine 6.9 is older than 7.1" in came.out
    assert away(companion, packed)["here"] == []


def test_a_kit_of_other_content_counts_for_that_alone(packed: Path, companion: Any, sent: Sent) -> None:
    patch = packed / "Slate.eeng"
    before = patch.read_bytes()
    patch.write_bytes(before + b"\3")
    came = companion("receive", packed, sent.fill())
    assert "report-old: it was made for 1.0, of other content than now" in came.out
    assert [test["why"] for test in away(companion, packed)["elsewhere"]] == ["other content"]
    patch.write_bytes(before)
    assert [test["result"] for test in away(companion, packed)["here"]] == ["pass"]


def test_a_kit_for_another_engine_counts_for_that_alone(packed: Path, companion: Any, sent: Sent) -> None:
    facts = packed / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace("Example Engine", "Other Engine"), encoding="utf-8")
    companion("receive", packed, sent.fill())
    assert [test["why"] for test in away(companion, packed)["elsewhere"]] == ["another engine"]


def test_a_form_of_another_folder_is_refused(packed: Path, companion: Any, one_line: Any, sent: Sent) -> None:
    sent.blank = sent.blank.replace(sent.code, "0000-1111-2222")
    one_line(companion("receive", packed, sent.fill()), "No kit 0000-1111-2222 was made in this folder")


def test_a_bounce_that_comes_along_is_judged(
    packed: Path, companion: Any, sent: Sent, bounce: Callable[..., Path]
) -> None:
    sent.fill()
    clean = companion("receive", packed, sent.zipped(bounce()), "--json")
    assert clean.code == 0, clean
    assert re.search(r"there\.wav: \d+ notes judged, 0 findings", clean.json["received"]["bounce"][0])
    assert "no bounce made at home is kept to compare it with" in clean.json["received"]["bounce"][1]
    silent = companion("receive", packed, sent.zipped(bounce(silent=frozenset({64}))))
    assert silent.code == 1
    assert [test["result"] for test in away(companion, packed)["here"]] == ["pass", "fail"]
    assert "bounce: note-silent at E3" in away(companion, packed)["here"][1]["notes"]


def test_a_bounce_is_held_against_the_one_made_at_home(
    packed: Path, companion: Any, sent: Sent, bounce: Callable[..., Path], tmp_path: Path
) -> None:
    sent.fill()
    home = bounce().rename(tmp_path / "home.wav")
    assert companion("judge", packed, home, "--keep").code in (0, 1)
    same = companion("receive", packed, sent.zipped(bounce()))
    assert re.search(r"there\.wav: \d+ notes compared with “home\.wav”, all as there", same.out), same
    louder = companion("receive", packed, sent.zipped(bounce(gain={64: 9.0}, late={66: 0.06})), "--json").json[
        "received"
    ]
    assert louder["result"] == "pass", "it plays, and what differs is told"
    for said in (r"E3.*: \+9 dB off there", r"F#3.*: begins 60 ms later there"):
        assert any(re.fullmatch(rf"there\.wav: away-differs: {said}", line) for line in louder["bounce"]), louder
    off = companion("receive", packed, sent.zipped(bounce(transposed={64: 1.0})), "--json").json["received"]
    assert off["result"] == "fail"
    assert any(re.search(r"away-differs: .*E3.*cents off there", line) for line in off["bounce"])


def test_a_sound_that_is_no_bounce_of_it_decides_nothing(packed: Path, companion: Any, sent: Sent) -> None:
    sent.fill()
    came = companion("receive", packed, sent.zipped(packed / "Samples" / "slate_C4.wav"))
    assert came.code == 0
    assert "it is no bounce of this performance" in came.out
    garbage = sent.place / "noise.wav"
    garbage.write_bytes(b"RIFF" + bytes(100))
    came = companion("receive", packed, sent.zipped(garbage))
    assert came.code == 0
    assert "noise.wav: " in came.out


def test_a_zip_of_a_stranger_writes_nothing_and_is_one_line(
    packed: Path, companion: Any, one_line: Any, sent: Sent, makers: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent.fill()
    before = makers(packed)
    one_line(companion("receive", packed, sent.zipped(**{"../../evil.txt": b"x"})), "member-escapes")
    one_line(companion("receive", packed, sent.zipped(**{"Form 2.txt": b"x"})), "2 texts where one form is meant")
    with monkeypatch.context() as patched:
        patched.setattr("companion.steps.deeds.receiving.MOST_RETURNED", 1 << 20)
        bomb = sent.place / "bomb.zip"
        with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("zeros.wav", bytes(2 << 20))
        one_line(companion("receive", packed, bomb), "holds far more than a form and a bounce")
        bomb.write_bytes(b"PK\x03\x04" + bytes(1 << 20))
        one_line(companion("receive", packed, bomb), "far too large for a form and a bounce")
    one_line(companion("receive", packed, sent.place / "gone.txt"), "There is no such file")
    assert makers(packed) == before
    assert not list(sent.place.parent.rglob("evil.txt"))


def test_the_form_and_its_bounces_may_come_as_files_of_their_own(
    packed: Path, companion: Any, one_line: Any, sent: Sent, bounce: Callable[..., Path], tmp_path: Path
) -> None:
    sound = bounce()
    came = companion("receive", packed, sent.fill(), sound, "--json")
    assert came.code == 0, came
    assert re.search(r"there\.wav: \d+ notes judged, 0 findings", came.json["received"]["bounce"][0])
    both = companion("receive", packed, sound, sent.zipped(), "--json")
    assert both.json["received"]["bounce"] == came.json["received"]["bounce"], "in whatever order, zipped or not"
    one_line(companion("receive", packed, sound), "There is no form", "Name the form first")
    other = tmp_path / "note.txt"
    other.write_text("Hello", encoding="utf-8")
    one_line(companion("receive", packed, sent.form, other), "2 files that could be the form")
    one_line(companion("receive", packed, other), "no form of a test kit")


def test_a_bounce_of_another_content_is_not_held_against_this(
    packed: Path, companion: Any, sent: Sent, bounce: Callable[..., Path]
) -> None:
    sample = packed / "Samples" / "slate_C4.wav"
    sample.write_bytes((packed / "Samples" / "slate_E4.wav").read_bytes())
    came = companion("receive", packed, sent.fill(), bounce(), "--json").json["received"]
    assert came["bounce"] == ["there.wav: not judged, since the instrument has changed since the kit was made"]
    assert came["result"] == "pass"


def test_of_a_patch_that_did_not_open_that_much_is_enough(packed: Path, companion: Any, sent: Sent) -> None:
    empty = {"asked": "", "keys": "", "played": "", "whole": ""}
    came = companion("receive", packed, sent.fill(opened="no", notes="a grey window", **empty))
    assert came.code == 1
    assert "failed, recorded as an away test" in came.out
    (test,) = away(companion, packed)["here"]
    assert (test["result"], test["played"]) == ("fail", "the patch, which did not open")


def test_an_archive_that_was_changed_behind_its_proof_is_sent_to_nobody(
    packed: Path, companion: Any, one_line: Any
) -> None:
    (archive,) = (packed / "releases").glob("*.zip")
    before, data = archive.stat(), bytearray(archive.read_bytes())
    data[len(data) // 2] ^= 1
    archive.write_bytes(data)
    os.utime(archive, ns=(before.st_atime_ns, before.st_mtime_ns))
    one_line(companion("kit", packed), "archive")
    assert list((packed / ".companion").glob("kits/*.zip")) == []


def test_what_is_noted_of_a_kit_counts_for_its_own_code(
    packed: Path, companion: Any, one_line: Any, sent: Sent
) -> None:
    noted = packed / ".companion" / "kits" / f"{sent.code}.json"
    noted.rename(noted.with_name("0000-1111-2222.json"))
    sent.blank = sent.blank.replace(sent.code, "0000-1111-2222")
    one_line(companion("receive", packed, sent.fill()), "No kit 0000-1111-2222 was made in this folder")


def test_a_kit_that_lies_there_is_not_written_over(packed: Path, companion: Any, one_line: Any, tmp_path: Path) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("secrets.token_hex", lambda _: "0123456789ab")
        assert companion("kit", packed, "--out", tmp_path / "out").code == 0
        (kit,) = (tmp_path / "out").iterdir()
        before = kit.read_bytes()
        one_line(companion("kit", packed, "--out", tmp_path / "out"), "Something of that name lies there")
    assert [path.read_bytes() for path in (tmp_path / "out").iterdir()] == [before], "and nothing lies beside it"
