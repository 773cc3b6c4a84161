"""The form of a test kit: as any editor, mail program or phone hands it back, and what is not understood."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.core.versions import engine_version
from companion.trials import kit_texts
from companion.trials.kit_texts import KitAbout, form_text, guide_text
from companion.trials.kits import (
    ANSWER,
    MOST_ANSWER,
    MOST_FORM,
    NOT_OPENED,
    QUESTIONS,
    SEAL,
    Key,
    away_test_of,
    read_form,
    version_in,
)

ABOUT = KitAbout(
    title="Slate Choir",
    version="1.0",
    engine="Example Engine",
    minimum="7.0",
    archive="Slate Choir 1.0.zip",
    patches=("Slate.eeng",),
    readme=True,
    keys="C2 to C5, MIDI notes 48 to 84",
    controls=("Air", "Body"),
    music=("Slate keys.mid", "Slate controls.mid"),
    seconds=250,
)
CODE = "7f3a-22b1-90cd"
BLANK = form_text(ABOUT, CODE)
GOOD: dict[Key, str] = {
    "engine_version": "7.2.1",
    "edition": "full",
    "system": "Windows 11",
    "opened": "yes",
    "asked": "no",
    "keys": "Yes, all of them",
    "played": "every key, soft and hard",
    "whole": "y",
    "notes": "lovely; the café’s piano is jealous",
    "who": "Ada",
}


def filled(**answers: str) -> str:
    """The form as a person fills it: behind each “Answer:”."""
    said = {str(key): answer for key, answer in GOOD.items()} | answers
    keys = iter(QUESTIONS)
    lines = (f"{ANSWER} {said[next(keys)]}" if line.startswith(ANSWER) else line for line in BLANK.split("\n"))
    return "\n".join(lines)


def read(text: str | bytes) -> Any:
    form = read_form(text if isinstance(text, bytes) else text.encode(), "Form.txt")
    return form, away_test_of(form)


def test_the_engine_is_asked_for_first_and_an_old_one_ends_it() -> None:
    questions = [line for line in BLANK.split("\n") if line[:1].isdigit()]
    assert questions[0].startswith("1. Which version of Example Engine do you have?")
    assert "older than 7.0, stop here" in BLANK.split("2. ")[0]
    assert max(map(len, BLANK.split("\n"))) < 90


def guided(**changes: Any) -> str:
    return " ".join(guide_text(msgspec.structs.replace(ABOUT, **changes), form="Form.txt").split())


def test_a_helper_reads_what_to_open_what_to_play_and_where_it_ends() -> None:
    told = guided()
    for words in (
        "You need Example Engine 7.0 or newer, and some ten minutes.",
        "If your Example Engine is older than 7.0, that is all: send the form back.",
        "Unzip “Slate Choir 1.0.zip” into a folder of its own, and keep that folder whole.",
        "Turn the monitors down for the first playback",
        "Open “Slate.eeng” out of that folder in Example Engine; the readme beside it says how.",
        "If it asks for a file, write down which one, and cancel.",
        "soft and hard (it plays C2 to C5, MIDI notes 48 to 84).",
        "Move each control from end to end: “Air” and “Body”.",
        "If you have 5 minutes more: load “Slate keys.mid” and “Slate controls.mid” into your host",
        "at the tempo that each file states, let the instrument play them one after the other, and bounce each from",
        "send it to whoever sent you this, with the sound files if you bounced. That is all.",
    ):
        assert words in told
    numbers = [line[:2] for line in guide_text(ABOUT, form="Form.txt").split("\n") if line[:1].isdigit()]
    assert numbers == ["1.", "2.", "3.", "4.", "5.", "6.", "7."]
    assert max(map(len, guide_text(ABOUT, form="Form.txt").split("\n"))) <= 76


def test_a_helper_reads_nothing_of_what_there_is_not() -> None:
    told = guided(engine="", minimum="", patches=(), readme=False, keys="", controls=(), music=())
    for words in ("is older", "or newer", "“”", "()", "control", "bounce", "readme", "host"):
        assert words not in told
    assert "Open the patch out of that folder in the engine. If it asks" in told
    one = guided(controls=("Air",), music=("Slate keys.mid",))
    assert "Move the control from end to end: “Air”." in one
    assert "at the tempo that it states, let the instrument play it, and bounce it from" in one
    assert "If you have 1 minute more" in guided(seconds=60)
    assert "with the sound file if you bounced" in one
    blank = form_text(msgspec.structs.replace(ABOUT, engine="", minimum="", music=()), CODE)
    assert "Which version of the engine do you have?" in blank
    assert "older" not in blank
    assert "bounced" not in blank


def test_the_form_says_what_may_stay_empty() -> None:
    words = " ".join(BLANK.split())
    assert "Questions 2, 5, 9 and 10 may stay empty." in words
    assert "say so at 4 and what you saw at 9" in words
    assert "If you also bounced “Slate keys.mid” and “Slate controls.mid”, please send the sound" in words


def test_of_a_patch_that_did_not_open_nothing_more_need_be_said() -> None:
    _, test = read(filled(opened="no", asked="", keys="", played="", whole="", notes="a grey window"))
    assert (test.result, test.played, test.notes) == ("fail", NOT_OPENED, "it opened: no; a grey window")
    _, more = read(filled(opened="no", asked="", keys="no", played="one key", whole="", notes=""))
    assert (more.result, more.played, more.notes) == ("fail", "one key", "it opened: no; every key sounded: no")
    _, sounded = read(filled(opened="no", asked="", keys="yes", played="", whole="", notes=""))
    assert sounded.notes == "it opened: no"
    assert read(filled(played=""))[1].played == "", "of one that opened, what was played is asked for"
    with pytest.raises(CompanionError, match="Question 6 is not answered"):
        read(filled(keys=""))


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_form_filled_in_here_reads_as_if_by_hand(end: str) -> None:
    seal = "0a" * 32
    text = kit_texts.filled(BLANK.replace("\n", end), GOOD, seal)
    form, test = read(text)
    assert form.answers == GOOD
    assert (form.kit, form.seal) == (CODE, seal)
    assert test.result == "pass"
    assert text.split("\n")[0] == BLANK.split("\n")[0]
    assert kit_texts.filled(text, GOOD, seal) == text, "filling it again puts nothing in twice"
    assert kit_texts.filled(text, {}).strip() == BLANK.strip()
    assert SEAL not in kit_texts.filled(text, GOOD)


def test_what_stood_behind_a_question_goes_with_all_its_lines() -> None:
    text = BLANK.replace("4. Did the patch open?", f"4. Did the patch open?\n{ANSWER} maybe\nor not\n{ANSWER} no\n")
    form, test = read(kit_texts.filled(text, GOOD))
    assert (form.answers["opened"], test.result) == ("yes", "pass")
    assert kit_texts.filled(text, GOOD).count(ANSWER) == BLANK.count(ANSWER)


@pytest.mark.parametrize("length", range(20, 50, 3))
def test_no_name_is_broken_at_the_end_of_a_line(length: int) -> None:
    name = "a long name "[: length % 12 + 1] * 4 + "keys.mid"
    about = msgspec.structs.replace(ABOUT, title="T" * length, music=(name, "Slate-and - b.mid"), patches=(name,))
    for text in (guide_text(about, form="Form.txt"), form_text(about, CODE)):
        assert any(f"“{name}”" in line for line in text.split("\n"))
        assert any("“Slate-and - b.mid”" in line for line in text.split("\n"))


def test_what_is_filled_in_is_one_safe_line() -> None:
    said: dict[Key, str] = {**GOOD, "notes": "a\nAnswer: no\n4. Did the patch open? \x1b[2J" + "x" * 900}
    form, test = read(kit_texts.filled(BLANK, said))
    assert test.result == "pass"
    assert form.answers["notes"].startswith("a Answer: no 4. Did the patch open? \\x1b[2Jxxx")
    assert len(form.answers["notes"]) <= MOST_ANSWER + 1


@pytest.mark.parametrize(("line", "seal"), [("ab" * 32, "ab" * 32), ("AB" * 32, "ab" * 32), ("ab" * 31, ""), ("", "")])
def test_a_seal_is_whole_or_none(line: str, seal: str) -> None:
    form, _ = read(f"{filled()}\n{SEAL} {line}\n")
    assert form.seal == seal


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_editor_s_way_of_saving_reads_the_same(encoding: str, end: str) -> None:
    form, test = read(filled().replace("\n", end).encode(encoding))
    assert form.kit == CODE
    assert dict(form.answers) == {**GOOD, "notes": "lovely; the café’s piano is jealous"}
    assert (test.kind, test.result, test.who, test.played) == ("another player", "pass", "Ada", GOOD["played"])


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: "\n".join(f"> {line}" for line in text.split("\n")),
        lambda text: "\n".join(f">> {line}" for line in text.split("\n")),
        lambda text: "\n".join(f"   {line}" for line in text.split("\n")),
        lambda text: text.replace("\n\n", "\n"),
        lambda text: text.replace(ANSWER, ANSWER.upper()),
        lambda text: text.replace("Kit 7f3a", "KIT: 7F3A"),
        lambda text: f"Hello!\n\nhere it is, sorry it took so long\n\n{text}\n\n-- \nAda\n",
    ],
)
def test_quoted_indented_and_commented_forms_read_the_same(spoil: Any) -> None:
    form, test = read(spoil(filled()))
    assert form.kit == CODE
    assert test.result == "pass"
    assert (test.engine_version, test.system) == ("7.2.1", "Windows 11")


def test_an_answer_may_run_over_lines_and_begin_with_numbers() -> None:
    _, test = read(filled(played="low to high\n1. Which is soft\n2. then hard\n\n10. Abc"))
    assert test.played == "low to high 1. Which is soft 2. then hard 10. Abc"


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ({"opened": "No."}, "it opened: no"),
        ({"keys": "no, C3 is silent"}, "every key sounded: no"),
        ({"whole": "nope"}, "it played as it should: no"),
        ({"asked": "Samples/a_C3.wav"}, "asked for: Samples/a_C3.wav"),
        ({"asked": "yes"}, "asked for: yes"),
    ],
)
def test_whatever_went_wrong_fails_it(answers: dict[str, str], told: str) -> None:
    _, test = read(filled(**answers))
    assert test.result == "fail"
    assert test.notes.startswith(told)


@pytest.mark.parametrize("asked", ["", "no", "None.", "nothing", "No, it opened at once"])
def test_nothing_asked_for_is_no_fault(asked: str) -> None:
    assert read(filled(asked=asked))[1].result == "pass"


@pytest.mark.parametrize("key", ["opened", "keys", "whole"])
@pytest.mark.parametrize("answer", ["", "maybe", "¿", "1", "noticeably"])
def test_neither_yes_nor_no_is_asked_for_and_never_guessed(key: str, answer: str) -> None:
    with pytest.raises(CompanionError) as refused:
        read(filled(**{key: answer}))
    number = list(QUESTIONS).index(key) + 1  # type: ignore[arg-type]
    assert f"Question {number} is " in refused.value.line
    assert "\n" not in refused.value.line


@pytest.mark.parametrize(
    ("answer", "version"),
    [
        ("7.2.1", "7.2.1"),
        ("Example Engine 7.2.1 (full)", "7.2.1"),
        ("v7.2, I think", "v7.2"),
        ("7.1 build 401", "7.1 build 401"),
        ("either 7.1 or 7.2", "either 7.1 or 7.2"),
        ("the newest", "the newest"),
        ("７.1", "７.1"),
        ("7.2 beta 1", "7.2-beta1"),
        ("Example Engine 1.2.0-beta.1 (full)", "1.2.0-beta1"),
        ("Example Engine 7.2 (RC2)", "7.2-RC2"),
        ("Example Engine 7.2 nightly", "Example Engine 7.2 nightly"),
        ("7.2 release candidate", "7.2 release candidate"),
        ("Alphabet Engine 7.2", "7.2"),
        ("Example Engine 7.2 (predefined)", "7.2"),
        ("", ""),
    ],
)
def test_the_version_is_found_in_a_sentence_where_there_is_one_alone(answer: str, version: str) -> None:
    assert version_in(answer) == version


@pytest.mark.parametrize(
    "answer", ["7.2 beta 1", "Example Engine 7.2-rc.1", "Engine 7.2 (alpha)", "Engine 7.2 nightly"]
)
def test_a_beta_is_never_taken_for_the_version_it_leads_to(answer: str) -> None:
    read_as, final = engine_version(version_in(answer)), engine_version("7.2")
    assert final
    assert read_as is None or read_as < final


def test_more_than_a_first_name_is_left_out() -> None:
    assert read(filled(who="Ada B. Cee, ada@example.org"))[1].who == ""
    assert read(filled(who=""))[1].who == ""


def test_what_a_stranger_writes_is_inert_and_short() -> None:
    form, test = read(filled(notes="\x1b[2J\u202e[@click=app.quit]x[/]" + "a" * 5000, system="Windows \x07 11"))
    assert "\x1b" not in test.notes
    assert "\u202e" not in test.notes
    assert max(map(len, form.answers.values())) <= MOST_ANSWER + 1
    assert test.system == "Windows \\x07 11"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "no form of a test kit"),
        (b"Answer: yes\n", "no form of a test kit"),
        (filled().replace(CODE, "????").encode(), "no form of a test kit"),
        (b"{\\rtf1 " + filled().encode(), "saved as a document"),
        (b"PK\x03\x04", "saved as a document"),
        (b"x" * (MOST_FORM + 1), "far too large"),
    ],
)
def test_what_is_no_form_is_refused_in_one_line(data: bytes, says: str) -> None:
    with pytest.raises(CompanionError) as refused:
        read(data)
    assert says in refused.value.line
    assert "\n" not in refused.value.line


@given(st.integers(0, len(filled())), st.binary(max_size=40), st.integers(0, 60))
@settings(max_examples=300, deadline=None)
def test_a_form_damaged_anywhere_is_read_or_refused_in_one_line(at: int, noise: bytes, gone: int) -> None:
    data = filled().encode()
    line = ""
    try:
        form, test = read(data[:at] + noise + data[at + gone :])
    except CompanionError as error:
        line = error.line
    else:
        assert set(form.answers) <= set(QUESTIONS)
        assert test.result in ("pass", "fail")
    assert "\n" not in line
