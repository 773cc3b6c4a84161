"""What each step lets a person do: answer trials, record tests, keep facts, write words, build, release."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from textual.widgets import Input

from companion.core.findings import Severity
from companion.steps.account.due import Unkept
from companion.steps.account.moved import Moved
from companion.steps.catalogue import RULES
from companion.steps.deeds.upload import CheckedUpload
from companion.steps.looks.controls import planned
from companion.steps.model import State
from companion.steps.states import read
from companion.steps.table import BY_ID, STEPS
from companion.tui.bodies import body_of
from companion.tui.bodies.archive import ArchiveBody, archive_content
from companion.tui.bodies.controls import next_unanswered
from companion.tui.bodies.facts import FactsBody
from companion.tui.bodies.needs import TESTED
from companion.tui.bodies.out import before_release
from companion.tui.frame.workspace import Workspace
from companion.tui.parts.body import AWAY
from companion.tui.parts.choice import Choice
from companion.tui.parts.form import FieldBox, Form
from tests.tui.conftest import HOSTILE, Bench, Hand, Opened, finding


async def test_trials_are_answered_one_after_the_other(bench: Bench, opened: Opened) -> None:
    plan = planned(bench.facts)
    async with opened(bench) as hand:
        await hand.press("5")
        assert hand.shows("0 of 8 trials answered", "Tone alone", "turn “Tone” to 0", "brighter to the right")
        await hand.press("p")
        assert bench.answers[plan[0].id].result == "pass"
        assert hand.shows("1 of 8 trials answered", "✓ Tone alone passed", "turn “Air” to 0")
        await hand.press("f")
        await hand.write("it hums")
        await hand.press("enter")
        assert (bench.answers[plan[1].id].result, bench.answers[plan[1].id].note) == ("fail", "it hums")
        await hand.press("n")
        await hand.write("slow")
        await hand.press("enter")
        assert bench.answers[plan[2].id].note == "slow"
        assert hand.shows("2 of 8 trials answered", "n All controls left to right noted")
        await hand.press("down", "down", "down", "j")
        assert hand.shows("Do Set every control")


async def test_many_answers_in_a_row_are_all_kept(bench: Bench, opened: Opened) -> None:
    plan = planned(bench.facts)
    async with opened(bench) as hand:
        await hand.press("5")
        await hand.pilot.press(*"pppppppp")
        await hand.rest()
        assert [bench.answers[trial.id].result for trial in plan] == ["pass"] * len(plan)
        await hand.press("j")
        assert hand.shows("Every trial is answered.")


async def test_a_fail_without_words_is_asked_for_them(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("5", "f", "enter")
        assert hand.shows("A failed trial needs words")
        await hand.press("escape")
        assert bench.answers == {}


@pytest.mark.parametrize(
    ("results", "start", "expected"),
    [
        ([], 0, None),
        (["", "", ""], -1, 0),
        (["", "", ""], 0, 1),
        (["pass", "fail", "note"], 0, 2),
        (["", "pass"], 0, 0),
        (["pass"], 0, None),
    ],
)
def test_the_next_unanswered_is_found_round_the_end(results: list[str], start: int, expected: int | None) -> None:
    assert next_unanswered(results, start) == expected


async def test_without_controls_the_way_to_declare_them_is_shown(bench: Bench, opened: Opened) -> None:
    facts = bench.folder / "release.toml"
    facts.write_text(facts.read_text(encoding="utf-8").partition("[[controls]]")[0], encoding="utf-8")
    bench.reload()
    async with opened(bench) as hand:
        await hand.press("5")
        assert hand.shows("No control to try. Press e to say which there are, or o to state that there are none.")
        await hand.press("o")
        assert bench.facts.instrument.without == ("controls",)
        assert hand.shows("Kept as a fact: the instrument has no controls.")
        await hand.press("e")
        assert hand.app.query_one(Workspace).step_id == "facts"
        assert hand.shows("Controls, left to right")


def box(hand: Hand, key: str) -> FieldBox:
    return next(box for box in hand.app.query(FieldBox) if box.field.key == key)


async def test_an_away_test_is_refused_with_the_reason_and_nothing_is_lost(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("6", "n")
        assert isinstance(hand.app.focused, Choice)
        await hand.press("right", "left")
        box(hand, "who").box.focus()
        await hand.press("enter")
        assert bench.tests == [], "nothing is recorded by pressing Enter"
        assert hand.shows("● not said yet", "Say which test it was.", "Say how it went")
        await hand.press("right", "right")
        box(hand, "result").box.value = "pass"
        box(hand, "reached_originals").box.value = "no"
        for key, text in (
            ("who", "Ida"),
            ("played", "low to high"),
            ("system", "Windows 11"),
            ("engine_version", "2.9"),
        ):
            box(hand, key).box.focus()
            await hand.write(text)
        await hand.press("enter")
        assert bench.tests == []
        assert box(hand, "engine_version").has_class("-wrong")
        assert hand.app.focused is box(hand, "engine_version").box
        assert hand.shows("is older than 3.2")
        assert box(hand, "who").box.value == "Ida"
        await hand.press("backspace", "backspace", "backspace")
        await hand.write("3.4")
        await hand.press("enter")
        assert [(test.kind, test.who, test.engine_version) for test in bench.tests] == [
            ("another computer", "Ida", "3.4")
        ]
        assert hand.shows("✓ passed another computer", "Windows 11, engine 3.4, Ida", "low to high")


async def test_the_how_to_tells_which_kinds_are_done(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("6")
        assert hand.shows(
            "This computer, originals hidden not done yet", "1. Quickest: companion away hide", "2. Unpack"
        )


async def test_facts_are_kept_with_their_comments(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter", "down", "down")
        assert hand.app.focused is box(hand, "instrument.maker").box
        await hand.press("end", *"s")
        assert hand.app.query_one(Workspace).unsaved == "Facts"
        await hand.press("enter")
        text = (bench.folder / "release.toml").read_text(encoding="utf-8")
        assert 'maker = "Quay Rooms"' in text
        assert "# Kept by hand." in text
        assert 'version = "1.0"  # the first' in text
        assert hand.shows("Kept: maker.")
        assert hand.app.query_one(Workspace).unsaved == ""


async def test_a_fact_that_cannot_be_read_says_so_beside_its_field(bench: Bench, opened: Opened) -> None:
    before = (bench.folder / "release.toml").read_text(encoding="utf-8")
    async with opened(bench) as hand:
        await hand.press("1", *(["right"] * 5), "enter")
        await hand.write("loud")
        await hand.press("enter")
        assert box(hand, "limits.true_peak_dbtp").has_class("-wrong")
        assert hand.shows("✗ “loud” is not a number")
    assert (bench.folder / "release.toml").read_text(encoding="utf-8") == before


async def test_a_fact_the_workshop_refuses_says_so_beside_its_field(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "right", "enter")
        box(hand, "engine.systems").box.focus()
        await hand.write("toaster")
        await hand.press("enter")
        assert box(hand, "engine.systems").has_class("-wrong")
        assert hand.shows("✗ “engine.systems")


async def test_what_is_wrong_stands_beside_the_field_and_enter_goes_there(bench: Bench, opened: Opened) -> None:
    bench.found["facts"] = (finding("fact-missing", "release.toml", where="instrument.licence", measured="not stated"),)
    bench.states["facts"] = State.FAILING
    async with opened(bench) as hand:
        await hand.press("1", "enter")
        assert hand.app.focused is box(hand, "instrument.licence").box
        assert hand.shows("✗ not stated")


async def test_what_was_written_stays_when_another_step_is_opened(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("1", "enter", "end", *"x", "escape", "4", "r", "1")
        assert box(hand, "instrument.title").box.value == "Slate Choirx"


async def test_hostile_facts_are_shown_inert_and_left_alone(folder: Path, opened: Opened) -> None:
    names = [name for name in HOSTILE if "\udcff" not in name]
    quoted = ", ".join(
        '"' + n.replace("\x1b", "\\u001b").replace("\x07", "\\u0007").replace("\u202e", "\\u202e") + '"' for n in names
    )
    path = folder / "release.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("[engine]", f"credits = [{quoted}]\n[engine]"), encoding="utf-8"
    )
    before = path.read_text(encoding="utf-8")
    async with opened(Bench(folder), (120, 40)) as hand:
        await hand.press("1")
        assert hand.shows("x[/].wav", "[@click=app.quit]go[/]", "\\x1b]0;title", "bi\\u202edi.wav")
        await hand.press("enter", "enter")
        assert hand.shows("Nothing was changed.")
    assert path.read_text(encoding="utf-8") == before


async def test_a_folder_without_facts_is_asked_and_written(tmp_path: Path, opened: Opened) -> None:
    bench = Bench(tmp_path)
    async with opened(bench) as hand:
        assert hand.shows("There is no release.toml here yet.", "2 samples in samples.", "Whose is it?")
        assert isinstance(hand.app.focused, Input)
        await hand.write("Slate Choir")
        await hand.press("down")
        await hand.write("Slate.eng, Soft.eng")
        await hand.press("down")
        await hand.write("Quay Room")
        await hand.press("enter")
        patches = ["Slate.eng", "Soft.eng"]
        told = {"instrument.title": "Slate Choir", "contents.patches": patches, "instrument.maker": "Quay Room"}
        assert bench.calls == [("start", told)]
        assert hand.shows("release.toml is written.", "Slate Choir")
        assert not hand.app.query(".intro")
        assert hand.app.query(Form)


async def test_needs_say_what_is_only_stated(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("7")
        assert hand.shows("Example Engine 3.2 or newer", "· stated: not tested elsewhere")
        await hand.press("e")
        assert hand.shows("Version that last saved the patch")


async def test_words_are_shown_in_three_formats_and_written(bench: Bench, opened: Opened) -> None:
    async with opened(bench) as hand:
        await hand.press("8")
        assert hand.shows("# Slate Choir changelog md", "not written yet")
        await hand.press("m")
        assert hand.shows("# Slate Choir changelog txt")
        await hand.press("t")
        assert hand.shows("# Slate Choir readme md")
        await hand.press("w")
        assert ("write", "readme", "md") in bench.calls
        assert hand.shows("Written: readme.md.")


async def test_the_archive_is_built_and_told(bench: Bench, opened: Opened) -> None:
    async with opened(bench, (120, 40)) as hand:
        await hand.press("9", "b")
        assert bench.calls == [("pack",)]
        assert hand.shows("Slate Choir 1.0.zip", "1.25 MB (1.19 MiB)", "ab" * 32, "good for away tests")


async def test_an_archive_that_was_not_kept_is_said_to_lie_nowhere(
    bench: Bench, opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocks = (finding("path-home", "a.eeng"),)
    built = msgspec.structs.replace(bench.pack(), kept=False, findings=blocks, because="Not kept.")
    monkeypatch.setattr(bench, "pack", lambda _watch: built)
    async with opened(bench, (120, 40)) as hand:
        await hand.press("9", "b")
        assert hand.shows("Slate Choir 1.0.zip: built, but not kept, since something blocks.")
        assert not hand.shows("Folder")
    step = bench.status().step("archive")
    found = {"archive": "Slate Choir 1.0.zip"}
    told = archive_content(msgspec.structs.replace(step, details=found, findings=blocks)).plain
    assert "It was not kept" in told
    assert "Folder" not in told
    assert "Folder" in archive_content(msgspec.structs.replace(step, details=found)).plain


def test_what_blocks_an_archive_is_mended_before_it_is_built_again(bench: Bench) -> None:
    bench.states["archive"] = State.FAILING
    step = msgspec.structs.replace(bench.status().step("archive"), next="Mend what blocks.")
    assert ArchiveBody.next_thing(step) == ("", "Mend what blocks. Then b builds it again.")
    stale = msgspec.structs.replace(step, state=State.STALE, next="Look again: the content is not what was judged.")
    assert ArchiveBody.next_thing(stale) == ("b", "Build it again.")


@pytest.mark.parametrize(("step", "key"), [("paths", ""), ("words", ""), ("archive", "b"), ("away", "n")])
def test_what_could_not_be_seen_is_not_looked_at_again_for_nothing(bench: Bench, step: str, key: str) -> None:
    bench.states[step] = State.UNKNOWN
    status = bench.status().step(step)
    assert body_of(BY_ID[step].body).next_thing(status) == (key, status.next)


@pytest.mark.parametrize(
    ("step", "rule", "key"),
    [
        ("needs", "minimum-unbacked", "6"),
        ("needs", "minimum-unset", "e"),
        ("needs", "minimum-below-saved", "e"),
        ("paths", "patch-opaque", "6"),
        ("paths", "path-absolute", ""),
        ("contents", "references-unread", "6"),
        ("sound", "note-unread", "e"),
        ("sound", "sample-none", ""),
        ("controls", "controls-none", "o"),
        ("controls", "trial-failed", ""),
        ("away", "originals-reached", ""),
        ("out", "upload-differs", "u"),
        ("out", "release-unrecorded", "o"),
    ],
)
def test_the_key_that_is_named_next_is_the_one_that_helps(bench: Bench, step: str, rule: str, key: str) -> None:
    judged = {one.id: one for one in RULES}[rule]
    found = finding(rule, "release.toml", severity=judged.severity, unknown=judged.unknown, mend=judged.mend)
    passed = finding("clipped", "a.wav", waived="by ear")
    status = msgspec.structs.replace(
        bench.status().step(step), state=read((found,))[0], findings=(passed, found), next="Mend it."
    )
    assert body_of(BY_ID[step].body).next_thing(status)[0] == key


def test_where_an_away_test_is_what_mends_its_key_is_named(bench: Bench) -> None:
    """Of every rule that leaves a step unknown; and each key that a body names for a rule is one of its own."""
    for rule in RULES:
        body = body_of(BY_ID[rule.step].body)
        if rule.unknown and "away test" in rule.mend:
            assert body.MENDS[rule.id] == AWAY, rule.id
        if rule.id in body.MENDS:
            assert body.MENDS[rule.id] in (AWAY, *(key.key for key in body.KEYS))
    names = {rule.id for rule in RULES}
    assert {name for step in STEPS for name in body_of(step.body).MENDS} | set(TESTED) <= names


async def test_enter_on_what_is_needed_goes_to_the_tests_or_to_the_fact(bench: Bench, opened: Opened) -> None:
    unset = finding("edition-unstated", "release.toml", where="engine.edition", severity=Severity.WARNS)
    untried = finding("system-unproven", "release.toml", where="engine.systems", severity=Severity.WARNS)
    for one, step in ((untried, "away"), (unset, "facts")):
        bench.found["needs"] = (one,)
        async with opened(bench) as hand:
            await hand.press("7", "t", "enter")
            assert hand.app.query_one(Workspace).step_id == step
            if step == "facts":
                form = hand.app.query_one(FactsBody).form
                assert form
                assert form.boxes["engine.edition"].box.has_focus


async def test_a_release_names_what_is_not_proven(bench: Bench, opened: Opened) -> None:
    bench.states.update(dict.fromkeys(("facts", "contents", "paths"), State.PROVEN))
    async with opened(bench) as hand:
        await hand.press("0", "o")
        assert hand.shows("✗ Not yet: Sound, Controls, Away, Needs, Words, Archive must be proven first.")


def test_what_is_not_kept_is_told_before_a_release() -> None:
    assert "Not kept so far" not in before_release(Unkept(), "")
    moved = Unkept(snapshot=3, moved=Moved(facts=True))
    assert "Not kept so far: facts changed since snapshot 3." in before_release(moved, "")


async def test_a_release_recorded_already_is_not_asked_for_again(bench: Bench, opened: Opened) -> None:
    bench.states.update({step.id: State.PROVEN for step in STEPS})
    bench.details["out"] = {"version": "1.0"}
    async with opened(bench) as hand:
        await hand.press("0", "o")
        assert hand.shows("› 1.0 is recorded already.")
        assert not hand.shows("Record it")


async def test_a_downloaded_copy_that_differs_is_told_as_wrong(bench: Bench, opened: Opened) -> None:
    found = finding("checksum-wrong", "a.zip", measured="ab", mend="Upload it again.")

    def upload(file: Path, watch: object = None) -> CheckedUpload:
        bench.calls.append(("upload", file))
        return CheckedUpload(archive="a.zip", findings=(found,) if file.name == "cut.zip" else ())

    bench.upload = upload  # type: ignore[method-assign]
    async with opened(bench) as hand:
        await hand.press("0", "u")
        await hand.write("/x/cut.zip")
        await hand.press("enter")
        assert hand.shows("✗ The copy is not what was released. checksum-wrong: ab. Upload it again.")
        await hand.press("u")
        await hand.write("/x/whole.zip")
        await hand.press("enter")
        assert hand.shows("› The downloaded copy is a.zip, byte for byte.")
        await hand.press("u")
        assert not hand.shows("Enter keeps"), "nothing is kept by it"
        await hand.write("~nobody-at-home/x.zip")
        await hand.press("enter")
        asked = [path for _, path in bench.calls]
        assert asked == [Path("/x/cut.zip"), Path("/x/whole.zip"), Path("~nobody-at-home/x.zip")]
