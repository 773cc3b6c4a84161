"""How could this be false while the checklist says proven? Each claim, the evidence it needs, and what falsifies it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

import msgspec
import pytest
import soundfile

from companion.core.evidence import AwayTest
from companion.core.findings import Finding, Severity
from companion.steps.model import State, StepStatus
from companion.steps.states import read, settle_opaque
from companion.steps.table import BY_ID
from companion.workshop import Workshop

Spoil = Callable[[Workshop], object]
PATCH: Final = "Slate Choir.eeng"
STRUCK: Final = "Samples/Struck/struck_C4_v40_rr1.wav"


class Row(NamedTuple):
    """A claim of a step, what it rests on, and one way to make it false. says: what its line then holds, or a rule."""

    step: str
    claim: str
    evidence: str
    falsified_by: str
    spoil: Spoil
    state: State
    says: str


def write(path: str, data: bytes) -> Spoil:
    def spoil(shop: Workshop) -> None:
        target = shop.folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)

    return spoil


def state(**facts: object) -> Spoil:
    return lambda shop: shop.save_facts({key.replace("__", "."): value for key, value in facts.items()})


def _no_samples(shop: Workshop) -> None:
    shutil.rmtree(shop.folder / "Samples")


def _unnamed(shop: Workshop) -> None:
    """Call each sample by a number, and say nothing of notes in the headers either."""
    for number, path in enumerate(sorted((shop.folder / "Samples/Struck").glob("*.wav"))):
        _plain(path, path.with_name(f"hit ({number}).wav"))
        path.unlink()


def _plain(source: Path, target: Path) -> None:
    """Write the sound of a file again, and nothing of what its header says beside."""
    sound, rate = soundfile.read(source)
    soundfile.write(target, sound, rate)


def _second_patch(shop: Workshop) -> None:
    write("Slate Choir soft.eeng", b"\0\1\2")(shop)
    shop.save_facts({"contents.patches": ["*.eeng"]})


def _no_controls(shop: Workshop) -> None:
    shop.save_facts({"controls": []})


def _and_stated(shop: Workshop) -> None:
    _no_controls(shop)
    shop.save_facts({"instrument.without": ["controls"]})


def _contradicted(shop: Workshop) -> None:
    shop.save_facts({"instrument.without": ["controls"]})


TABLE: Final = (
    Row("facts", "complete", "every fact a release needs", "one is blank", state(instrument__maker="  "),
        State.FAILING, "fact-missing"),
    Row("facts", "consistent", "no fact denies another", "no controls stated, four declared", _contradicted,
        State.FAILING, "fact-contradicted"),
    Row("facts", "consistent", "no fact denies what ships", "no samples stated, 42 ship",
        state(instrument__without=["samples"]), State.FAILING, "fact-contradicted"),
    Row("contents", "nothing missing", "names read in every patch", "a patch of five bytes", write(PATCH, b"HELLO"),
        State.UNKNOWN, "references-unread"),
    Row("contents", "nothing missing", "names read in every patch", "an encrypted patch",
        write(PATCH, bytes(range(256)) * 40), State.UNKNOWN, "references-unread"),
    Row("contents", "nothing missing", "names read in every patch", "a second patch that tells nothing",
        _second_patch, State.UNKNOWN, "references-unread"),
    Row("contents", "nothing stray", "something refers to each sample", "one more sample",
        write("Samples/Struck/struck_D4_v40_rr1.wav", b"RIFF"), State.FAILING, "file-"),
    Row("contents", "everything ships", "every file the patch names", "one is gone",
        lambda shop: (shop.folder / STRUCK).unlink(), State.FAILING, "reference-missing"),
    Row("paths", "all relative", "paths read in every patch", "a patch of five bytes", write(PATCH, b"HELLO"),
        State.UNKNOWN, "patch-opaque"),
    Row("paths", "all relative", "paths read in every patch", "an empty patch", write(PATCH, b""),
        State.UNKNOWN, "patch-opaque"),
    Row("paths", "all relative", "a patch to read", "no patch at all",
        lambda shop: (shop.folder / PATCH).unlink(), State.UNKNOWN, "no path was read"),
    Row("sound", "every sample is fit", "a sample", "no sample ships", _no_samples,
        State.UNKNOWN, "nothing measured: no sample ships"),
    Row("sound", "pitch, levels and takes are fit", "a note for every sample", "names without notes", _unnamed,
        State.UNKNOWN, "pitch and levels beside other notes not judged: no note for"),
    Row("controls", "every control was tried", "controls declared, or none stated", "an empty list", _no_controls,
        State.UNKNOWN, "nothing states that there are none"),
    Row("controls", "every control was tried", "an answer to each trial", "nobody tried", lambda _: None,
        State.OPEN, "not judged"),
    Row("away", "it opens elsewhere", "a passed test of this content", "nobody tested", lambda _: None,
        State.OPEN, "no test"),
    Row("needs", "a minimum", "a version", "it is no version", state(engine__minimum="any"),
        State.FAILING, "minimum-unset"),
    Row("needs", "a minimum", "a test, or the version it was saved with", "neither",
        state(engine__saved_with="", engine__minimum="7.3"),
        State.UNKNOWN, "minimum-unbacked"),
    Row("needs", "a minimum", "somebody opened it", "it was changed since", _second_patch,
        State.UNKNOWN, "minimum-unbacked"),
    Row("needs", "a minimum", "a test below the version it was saved with", "no such test",
        state(engine__minimum="7.0"), State.FAILING, "minimum-below-saved"),
    Row("words", "what stands is true", "texts that stand", "no changelog", lambda _: None,
        State.FAILING, "changelog-entry-missing"),
    Row("archive", "it is whole", "an archive", "none was built", lambda _: None, State.OPEN, "not looked at yet"),
    Row("out", "it is released", "a record of exactly this content", "none", lambda _: None, State.OPEN, "before it"),
)  # fmt: skip
"""Every step stands here. What a step cannot know stands in its line, or keeps it from being proven."""


@pytest.fixture
def shop(demo_folder: Path, mend_demo: Callable[..., None]) -> Iterator[Workshop]:
    """The demo without its faults: every step that can be proven by a look is."""
    mend_demo(demo_folder)
    opened = Workshop.open(demo_folder)
    # What no readable patch accounts for is asked about; here the maker has said that the panel ships.
    opened.save_facts({"contents.include": ["**", "Pictures/**"]})
    yield opened
    opened.close()


def looked(shop: Workshop, step: str) -> StepStatus:
    shop.reload()
    return shop.check((step,)).step(step)


def opened_by_ada(shop: Workshop) -> None:
    shop.record_away(
        AwayTest(
            kind="another player", result="pass", who="Ada", engine_version="7.2.1", edition="full",
            system="Windows 11", played="Every key of the three layers, soft and hard.",
        )
    )  # fmt: skip


def test_every_step_has_a_row() -> None:
    assert {row.step for row in TABLE} == set(BY_ID)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.step}: {row.falsified_by}")
def test_what_falsifies_a_claim_keeps_the_step_from_being_proven(shop: Workshop, row: Row) -> None:
    if row.step == "needs":
        opened_by_ada(shop)
    before = looked(shop, row.step)
    row.spoil(shop)
    after = looked(shop, row.step)
    told = [after.because, *(finding.rule for finding in after.findings)]
    assert (after.state, any(row.says in one for one in told)) == (row.state, True), told
    assert not after.state.settled
    if row.step in ("facts", "contents", "paths", "sound", "needs"):
        assert before.state is State.PROVEN, "the nearest folder without the fault is proven"


def test_what_is_stated_counts_as_answered_and_the_line_says_so(shop: Workshop) -> None:
    _and_stated(shop)
    controls = looked(shop, "controls")
    assert (controls.state, controls.because) == (State.PROVEN, "the facts state that there are no controls")
    _no_samples(shop)
    shop.save_facts({"instrument.without": ["controls", "samples"]})
    sound = looked(shop, "sound")
    assert sound.state is State.PROVEN
    assert "the facts state that there are no samples" in sound.because
    assert looked(shop, "facts").state is State.PROVEN


def test_samples_without_a_note_are_stated_to_play_none(shop: Workshop) -> None:
    _unnamed(shop)
    assert looked(shop, "sound").state is State.UNKNOWN
    shop.save_facts({"naming.unpitched": ["Samples/Struck/hit*"]})
    sound = looked(shop, "sound")
    assert sound.state is State.PROVEN
    assert "stated to play no note" in sound.because


def test_an_away_test_settles_what_could_not_be_read_and_the_line_says_which(shop: Workshop) -> None:
    (shop.folder / PATCH).write_bytes(b"HELLO")
    assert {looked(shop, step).state for step in ("contents", "paths")} == {State.UNKNOWN}
    opened_by_ada(shop)
    for step in ("contents", "paths"):
        settled = looked(shop, step)
        assert settled.state is State.PROVEN
        assert "settled by an away test by Ada (another player)" in settled.because
        assert "nothing missing" not in settled.because
        assert "all relative" not in settled.because
    (shop.folder / PATCH).write_bytes(b"HELLO again")
    assert {looked(shop, step).state for step in ("contents", "paths")} == {State.UNKNOWN}


def test_what_is_unknown_and_let_pass_is_waived_and_not_proven() -> None:
    unknown = Finding(rule="patch-opaque", severity=Severity.WARNS, path=PATCH, unknown=True)
    assert read((unknown,))[0] is State.UNKNOWN
    assert read((msgspec.structs.replace(unknown, waived="it is mine"),))[0] is State.WAIVED
    assert read(settle_opaque((unknown,), "settled by Ada"))[0] is State.PROVEN


def test_a_folder_of_next_to_nothing_proves_next_to_nothing(tmp_path: Path, shop: Workshop) -> None:
    """Three copies of one recording, a patch of five bytes, and facts that say what they must."""
    folder = tmp_path / "Nothing"
    (folder / "Samples").mkdir(parents=True)
    for name in ("a", "b", "c"):
        _plain(shop.folder / STRUCK, folder / "Samples" / f"{name}.wav")
    (folder / "Slate.eeng").write_bytes(b"HELLO")
    (folder / "Licence.txt").write_text("CC0\n", "utf-8")
    near = Workshop.open(folder)
    near.start(
        {
            "instrument.title": "Nothing",
            "instrument.version": "1.0",
            "instrument.maker": "Quay Room",
            "instrument.summary": "Next to nothing.",
            "instrument.contact": "https://quay-room.example",
            "instrument.licence": "CC0-1.0",
            "instrument.rights": "Ours.",
            "engine.name": "Example Engine",
            "engine.edition": "any",
            "engine.saved_with": "7.1",
            "engine.minimum": "7.1",
            "engine.systems": ["linux"],
        }
    )
    near.reload()
    near.decide(ship=["Samples"])
    states = {step.id: step.state for step in near.check().steps}
    assert {step for step, state in states.items() if state is State.PROVEN} <= {"facts"}
    assert {step for step, state in states.items() if state is State.UNKNOWN} == {
        "contents",
        "paths",
        "sound",
        "controls",
        "needs",
    }
    near.close()
