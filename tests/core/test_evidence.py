"""Evidence is only added to, belongs to one content, and is lost with neither a clock nor a damaged file."""

from __future__ import annotations

import json
import time
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.evidence import MOST_BYTES, Answer, AwayTest, Evidence, EvidenceStore, fingerprint
from companion.core.findings import Finding, Severity

ONE, OTHER = "1" * 64, "2" * 64


@pytest.fixture
def store(tmp_path: Path) -> EvidenceStore:
    return EvidenceStore(tmp_path / "evidence")


def evidence(mark: str = ONE, taken: str = "2024-05-01T10:00:00Z", step: str = "sound", **more: object) -> Evidence:
    return Evidence(step=step, fingerprint=mark, taken=taken, companion="1.0", **more)  # type: ignore[arg-type]


JUDGE, BETTER = {"clipped": 1, "edges": 3}, {"clipped": 2, "edges": 3}


def last(store: EvidenceStore) -> Evidence | None:
    return next(reversed(store.all("sound")), None)


def answer(subject: str, result: str = "pass", at: str = "") -> Answer:
    return Answer(subject=subject, result=result, at=at)  # type: ignore[arg-type]


def test_it_is_found_for_its_own_content_and_no_other(store: EvidenceStore) -> None:
    assert not store.has_any("sound")
    assert store.find("sound", ONE, {}) is None
    assert last(store) is None
    kept = store.keep(evidence(details={"samples": 3}))
    assert store.find("sound", ONE, {}) == kept
    assert store.find("sound", OTHER, {}) is None
    assert store.find("paths", ONE, {}) is None
    assert store.has_any("sound")
    assert not store.has_any("paths")


def test_what_no_disk_would_take_is_held_for_its_content_until_it_is_written(store: EvidenceStore) -> None:
    memory: dict[tuple[str, str], Evidence] = {}
    store = EvidenceStore(store.folder, memory)
    store.keep(evidence(answers=(answer("cutoff"),), away=(AwayTest(kind="another player", result="pass"),)))
    held = evidence(details={"samples": 4})
    store.hold(held)
    found = EvidenceStore(store.folder, memory).find("sound", ONE, {})
    assert found is not None
    assert found.details == {"samples": 4}
    assert store.answers("sound", ONE) == (answer("cutoff"),), "an answer on disk is not hidden"
    assert len(store.away("sound", ONE)) == 1
    assert store.find("sound", OTHER, {}) is None
    store.hold(evidence(OTHER, step="paths"))
    assert store.has_any("paths")
    assert not store.has_any("contents")
    assert not (store.folder / "paths").exists()
    alone = EvidenceStore(store.folder).find("sound", ONE, {})
    assert alone is not None
    assert alone.details == {}, "another program sees what is on disk"
    store.keep(held)
    assert list(memory) == [("paths", f"{OTHER}.json")]
    assert EvidenceStore(store.folder).find("sound", ONE, {}) == store.find("sound", ONE, {})


def test_content_that_comes_back_finds_its_proof_again(store: EvidenceStore) -> None:
    """Stale and proven again by content alone, with nothing to reset."""
    before = fingerprint([("Samples/C3.wav", "aa"), ("Samples/D3.wav", "bb")])
    after = fingerprint([("Samples/C3.wav", "cc"), ("Samples/D3.wav", "bb")])
    store.keep(evidence(before))
    assert store.find("sound", after, {}) is None
    store.keep(evidence(after))
    again = store.find("sound", fingerprint([("Samples/D3.wav", "bb"), ("Samples/C3.wav", "aa")]), {})
    assert again is not None
    assert again.fingerprint == before


def test_everything_in_it_comes_back_names_that_are_not_utf8_too(store: EvidenceStore) -> None:
    full = evidence(
        findings=(
            Finding(rule="clipped", severity=Severity.BLOCKS, path="Samples/caf\udce9 \x1b[0m\u202e.wav", unknown=True),
        ),
        details={"nested": {"list": [1, 2.5, None, True, "é"]}},
        answers=(answer("alone:Air:low", "fail", "2024-05-01T10:00:00Z"),),
        away=(AwayTest(kind="another player", result="pass", who="Ada", unused=("C-2",)),),
    )
    assert store.find("sound", store.keep(full).fingerprint, {}) == msgspec.structs.replace(full, order=1)


def test_answers_and_away_tests_are_only_ever_added(store: EvidenceStore) -> None:
    first, second = answer("a", at="1"), answer("a", "fail", at="2")
    away = AwayTest(kind="another computer", result="pass", at="1")
    store.keep(evidence(answers=(first,)))
    store.keep(evidence(answers=(second,), away=(away,)))
    store.keep(evidence(details={"because": "looked again"}))
    kept = store.keep(evidence(answers=(second, answer("b"))))
    assert kept.answers == (first, second, answer("b"))
    assert kept.away == (away,)
    assert store.find("sound", ONE, {}) == kept
    assert store.keep(evidence(OTHER)).answers == (), "answers given for other content stay with it"


def test_it_is_found_by_its_own_judge_and_no_other(store: EvidenceStore) -> None:
    old = store.keep(evidence())
    first = store.keep(evidence(judge=JUDGE))
    assert store.find("sound", ONE, JUDGE) == first
    assert store.find("sound", ONE, dict(reversed(JUDGE.items()))) == first
    assert store.find("sound", ONE, BETTER) is None
    assert store.find("sound", ONE, {}) == old, "evidence of a companion that wrote down no judge lies where it lay"
    better = store.keep(evidence(judge=BETTER))
    assert store.find("sound", ONE, BETTER) == better
    assert store.find("sound", ONE, JUDGE) == first, "it is only ever added to: an older companion finds its own"
    assert store.of_content("sound", ONE) == [old, first, better]
    assert store.of_content("sound", OTHER) == []
    assert store.has_any("sound", ONE)
    assert not store.has_any("sound", OTHER)
    assert first.judge == JUDGE


def test_answers_belong_to_the_content_whoever_judged(store: EvidenceStore) -> None:
    first, second, third = answer("a", at="1"), answer("a", "fail", at="2"), answer("b", at="3")
    away = AwayTest(kind="another computer", result="pass", at="1")
    store.keep(evidence(answers=(first,), away=(away,)))
    kept = store.keep(evidence(judge=JUDGE, answers=(second,)))
    assert (kept.answers, kept.away) == ((first, second), (away,))
    store.keep(evidence(answers=(third,)))  # an older companion, run again
    assert store.answers("sound", ONE) == (first, second, third)
    assert store.away("sound", ONE) == (away,)
    assert store.answers("sound", OTHER) == ()


def test_findings_are_those_of_the_last_look(store: EvidenceStore) -> None:
    store.keep(evidence(findings=(Finding(rule="silent", severity=Severity.BLOCKS),)))
    assert store.keep(evidence()).findings == ()


def test_the_order_holds_when_the_clock_is_set_back(store: EvidenceStore) -> None:
    store.keep(evidence(ONE, "2030-01-01T00:00:00Z"))
    store.keep(evidence(OTHER, "1999-01-01T00:00:00Z"))
    third = store.keep(evidence("3" * 64, "2015-01-01T00:00:00Z"))
    assert [one.order for one in store.all("sound")] == [1, 2, 3]
    assert [one.fingerprint[0] for one in store.all("sound")] == ["1", "2", "3"]
    assert last(store) == third
    assert store.keep(evidence(ONE)).order == 4, "looked at again, it is the last"
    latest = last(store)
    assert latest is not None
    assert latest.fingerprint == ONE


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"\x00" * 500,
        b'{"step": "sound", "order": 99',
        b'{"order": 99, "step": 3}',
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"order": ' + b"9" * 6000 + b"}",
        # whole but for one byte in the name of the list of answers, which is not to pass for an unknown one
        json.dumps(msgspec.to_builtins(evidence(ONE))).encode().replace(b'"answers"', b'"an\xbbwers"'),
    ],
)
def test_a_damaged_file_costs_itself_and_is_put_aside_not_written_over(store: EvidenceStore, damage: bytes) -> None:
    good = store.keep(evidence(OTHER))
    path = store.folder / "sound" / f"{ONE}.json"
    path.write_bytes(damage)
    assert store.find("sound", ONE, {}) is None
    assert store.has_any("sound"), "so the step is stale, and is run again"
    assert last(store) == good
    assert store.all("sound") == [good]
    kept = store.keep(evidence(ONE))
    assert store.find("sound", ONE, {}) == kept
    assert last(store) == kept
    assert [aside.read_bytes() for aside in path.parent.glob("*.damaged-*")] == [damage]
    path.write_bytes(damage)
    store.keep(evidence(ONE))
    assert len(list(path.parent.glob("*.damaged-*"))) == 2


def test_evidence_that_is_far_too_large_is_refused_at_once(store: EvidenceStore) -> None:
    store.keep(evidence())
    with (store.folder / "sound" / f"{OTHER}.json").open("wb") as stream:
        stream.truncate(MOST_BYTES + 1)
    began = time.thread_time()
    assert store.find("sound", OTHER, {}) is None
    assert len(store.all("sound")) == 1
    assert time.thread_time() - began < 1


def test_a_folder_among_the_evidence_is_passed_over(store: EvidenceStore) -> None:
    kept = store.keep(evidence())
    (store.folder / "sound" / "odd.json").mkdir()
    assert last(store) == kept
    assert store.all("sound") == [kept]
    assert store.keep(evidence()).order == 2


def test_a_key_of_a_later_version_does_not_stop_an_earlier_one(store: EvidenceStore) -> None:
    kept = store.keep(evidence())
    path = store.folder / "sound" / f"{ONE}.json"
    path.write_text(json.dumps({**json.loads(path.read_text("ascii")), "later": 1}), "ascii")
    assert store.find("sound", ONE, {}) == kept


parts = st.lists(st.tuples(st.text(max_size=4), st.text(max_size=4)), max_size=4)


@settings(max_examples=60)
@given(parts, parts)
def test_fingerprints_tell_lists_apart_and_take_no_order(a: list[tuple[str, str]], b: list[tuple[str, str]]) -> None:
    assert (fingerprint(a) == fingerprint(b)) == (sorted(a) == sorted(b))
    assert fingerprint(reversed(a)) == fingerprint(a)


def test_fingerprints_take_names_that_are_not_utf8_and_facts_in_any_order() -> None:
    assert fingerprint([("caf\udce9", "x")]) != fingerprint([("caf\udce8", "x")])
    assert fingerprint([], {"a": 1, "b": [2]}) == fingerprint([], {"b": [2], "a": 1})
    assert len({fingerprint([]), fingerprint([], {}), fingerprint([], {"a": 1}), fingerprint([], {"a": "1"})}) == 4
    assert fingerprint([("ab", "c")]) != fingerprint([("a", "bc")])
    # Held still: a change here would make every maker's evidence stale.
    assert fingerprint([("a", "b")], {"c": 1}) == "fea9ce01dadaca0159061f89cbc46456fc12cb4388437a441b6505dd84808b4f"
