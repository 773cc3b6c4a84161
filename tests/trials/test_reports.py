"""Players' words: what tells who wrote them goes, what they are about is proposed, and who is thanked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.trials.reports import (
    MOST_TEXT,
    Known,
    Report,
    answers,
    first_words,
    id_for,
    likely_about,
    thanks,
    unanswered,
    without_person,
)


def report(id_: str = "a.txt", text: str = "It hums.", **known: object) -> Report:
    return Report(id=id_, text=text, known=Known(**known))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "kept", "left"),
    [
        ("It hums at lu@key.example here.", "It hums at (address) here.\n", ("a mail address",)),
        ("Call me: +49 30 1234567!", "Call me: (number)!\n", ("a telephone number",)),
        ("Call (030) 123 45 67 89.", "Call (number).\n", ("a telephone number",)),
        (
            r"It looks in C:\Users\lukas kay\Music\x.wav",
            "It looks in C:\\Users\\…\\Music\\x.wav\n",
            ("a name in a path",),
        ),
        ("Not in /home/lu/x.wav", "Not in /home/…/x.wav\n", ("a name in a path",)),
        ("Not in /Users/lu/x.wav", "Not in /Users/…/x.wav\n", ("a name in a path",)),
        ("From: Lu <lu@key.example>\nSubject: a hum\n\nIt hums.", "Subject: a hum\n\nIt hums.\n", ("a mail's head",)),
        ("On Monday Lu Kay wrote:\n> It hums.", "> It hums.\n", ("a mail's head",)),
        ("It hums.\n-- \nLu Kay\n5 Key Lane", "It hums.\n", ("a signature",)),
        ("It hums.\r\n\r\n\r\n\r\nSent from my telephone", "It hums.\n", ("a mail's head",)),
    ],
)
def test_what_tells_who_wrote_it_is_left_out_and_said(text: str, kept: str, left: tuple[str, ...]) -> None:
    assert without_person(text) == (kept, left)


@pytest.mark.parametrize(
    "text",
    [
        "Version 1.2.0 of 2026-11-28 10:15:20 hums at 440 Hz.",
        "Keys 36 37 38 39 40 are silent.",
        "From E3 on it hums; to my ears it is the tail.",
        "It asks for Samples/home/x.wav -- no more.",
        "slate_C3_v110_rr1.wav, 48000 Hz, 24 bit, 1,234,567 frames",
        "On a small key it hums: always",
    ],
)
def test_what_only_looks_like_it_stays(text: str) -> None:
    assert without_person(text) == (f"{text}\n", ())


@given(st.text(max_size=300))
def test_any_text_keeps_no_address_and_is_the_same_the_second_time(text: str) -> None:
    once, _ = without_person(f"{text} lu@key.example")
    assert "lu@key.example" not in once
    assert without_person(once)[0] == once


@pytest.mark.timeout(10)
@pytest.mark.parametrize("part", ["1 ", "(", "a@", "a.", "/home/", "From: ", "On wrote:", "-- \n", "\\Users\\"])
def test_a_long_report_takes_no_time(part: str) -> None:
    without_person(part * (MOST_TEXT // len(part)))
    likely_about(part * (MOST_TEXT // len(part)), ["Samples/slate.wav"], ["Tone"], {"hum"})


@pytest.mark.parametrize(
    ("text", "taken", "name"),
    [
        ("It hums.", (), "it-hums.txt"),
        ("It hums.", ("it-hums.txt",), "it-hums-2.txt"),
        ("It hums.", ("IT-HUMS.TXT", "it-hums-2.txt"), "it-hums-3.txt"),
        ("It hums.", ("it-hums.txt.toml",), "it-hums-2.txt"),
        ("Hi all,\nF#3 clicks", (), "f-sharp3-clicks.txt"),
        ("Hello!\nthe slab of the low layer crackles", (), "the-slab-of-the-low.txt"),
        ("кракле", (), "report.txt"),
        ("../../etc/passwd", (), "etc-passwd.txt"),
        ("con", (), "report-con-2.txt"),
    ],
)
def test_a_report_is_called_by_its_first_words(text: str, taken: tuple[str, ...], name: str) -> None:
    assert id_for(text, taken) == name


def test_what_it_seems_to_be_about_is_what_it_names() -> None:
    files, controls = ("Samples/slate_C3.wav", "Samples/slate_C4.wav", "Slate.eeng"), ("Tone", "Hall", "")
    rules = {"click-inside", "hum"}
    text = "slate_C3 crackles when I turn the tone, and Slate.eeng was slow. Toneless hallway."
    assert likely_about(text, files, controls, rules) == (
        "Samples/slate_C3.wav", "Slate.eeng", "control Tone", "click-inside",
    )  # fmt: skip
    assert likely_about("All is fine, thank you.", files, controls, rules) == ()
    assert likely_about("It crackles.", files, controls, {"hum"}) == (), "a rule that there is not"


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (("",), "a player"),
        (("", ""), "two players"),
        (("Lu",), "Lu"),
        (("Lu", ""), "Lu and one more player"),
        (("Lu", "Jo", "", ""), "Lu, Jo and two more players"),
        (("Lu", "Lu"), "Lu"),
        (("",) * 11, "11 players"),
        (("\x1b[31mLu",), "\\x1b[31mLu"),
    ],
)
def test_thanks_go_by_name_only_to_those_who_agreed(names: tuple[str, ...], told: str) -> None:
    assert thanks([report(name=name) for name in names]) == told


def test_an_answer_stands_once_in_the_changelog_of_its_version() -> None:
    clicks = {"state": "answered", "answer": "Clicks at E3 are gone.", "answered_in": "1.1"}
    found = [
        report("a.txt", **clicks),
        report("b.txt", **clicks, name="Lu"),
        report("c.txt", **{**clicks, "kind": "changed", "answer": "Softer"}),
        report("d.txt", **{**clicks, "answered_in": "1.2", "answer": "Other"}),
        report("e.txt", answer="Never said"),
    ]
    assert list(answers(found, "1.1")) == [
        ("fixed", "Clicks at E3 are gone; thanks to Lu and one more player"),
        ("changed", "Softer; thanks to a player"),
    ]
    assert list(answers(found, "2.0")) == []


def test_what_is_owed_is_told_until_a_changelog_says_it() -> None:
    answered = {"at": "2026", "state": "answered", "answer": "Clicks at E3 are gone.", "answered_in": "1.1"}
    found = [
        report("by hand.txt"),
        report("named.txt"),
        report("open.txt", at="2026"),
        report("said.txt", **answered),
        report("closed.txt", at="2026", state="closed", why="meant"),
        Report(id="odd.txt", text="", problem="no TOML"),
    ]
    mentioned = {"named.txt": True, "open.txt": False}
    owed = {
        "by hand.txt": "not mentioned in the changelog",
        "open.txt": "not answered",
        "odd.txt": "it does not read: no TOML",
    }
    unsaid = {**owed, "said.txt": "answered, but no changelog says so yet"}

    def told(text: str, version: str = "1.1") -> dict[str, str]:
        return dict(unanswered(found, lambda of: text if of == version else "", mentioned))

    assert told("### Fixed\n\n- **Clicks** at E3 are gone; thanks to Lu\n") == owed
    assert told("- Clicks at E are gone\n") == unsaid
    assert told("- Clicks at E3 are gone\n", "1.0") == unsaid, "another version said so"
    earlier = report("x.txt", **{**answered, "answered_in": "1.0"})
    assert not list(unanswered([earlier], lambda of: {"1.0": "- Clicks at E3 are gone"}.get(of, ""), {}))
    assert told("### Clicks at E3 are gone\n") == unsaid, "a heading answers nobody"
    assert told("- Not all clicks at E3 are gone\n") == unsaid
    assert told("- Clicks at E3 are gonesome\n") == unsaid


def test_how_it_begins_is_one_safe_line() -> None:
    line = first_words(report(text="It\x1b[31m\nhums " + "on and on " * 20))
    assert line.startswith("It\\x1b[31m hums on")
    assert len(line) <= 60
