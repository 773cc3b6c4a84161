"""Sentences written from the data of a finding."""

import pytest

from companion.core.describe import headline, rule_words
from companion.core.findings import BLOCKS, At, Finding


@pytest.mark.parametrize(
    ("fact", "measured", "words"),
    [
        ("instrument.contact", "not stated", "contact: not stated"),
        ("instrument.licence_file", "none named", "licence file: none named"),
        ("engine.saved_with", "not stated", "engine saved with: not stated"),
        ("controls.Tone.rest", "2", "controls Tone rest: 2"),
        ("engine.minimum", "", "engine minimum: fact missing"),
        ("instrument", "", "instrument: fact missing"),
    ],
)
def test_a_fact_is_named_in_words_with_what_it_lacks(fact: str, measured: str, words: str) -> None:
    finding = Finding(
        rule="fact-missing", severity=BLOCKS, path="release.toml", at=At(fact=fact), where=fact, measured=measured
    )
    assert headline(finding) == words


def test_a_fact_with_a_wrong_value_is_named_with_what_is_wrong() -> None:
    finding = Finding(
        rule="minimum-below-saved", severity=BLOCKS, path="release.toml", at=At(fact="engine.minimum"),
        value="7.0", measured="7.0",
    )  # fmt: skip
    assert headline(finding) == "minimum below saved: engine minimum 7.0"


def test_other_findings_are_named_by_rule_and_file() -> None:
    assert headline(Finding(rule="off-pitch", severity=BLOCKS, path="a/b.wav")) == "off pitch: a/b.wav"
    assert headline(Finding(rule="patch-missing", severity=BLOCKS)) == "patch missing"


def test_what_a_stranger_wrote_stays_inert() -> None:
    assert headline(Finding(rule="x-\x1b", severity=BLOCKS, path="a\x1b[31m.wav")) == "x \\x1b: a\\x1b[31m.wav"
    assert rule_words("name-\u202eends") == "name \\u202eends"
    assert "\x07" not in headline(Finding(rule="fact-missing", severity=BLOCKS, at=At(fact="controls.\x07.rest")))
