"""Controls and layers as lines, and facts as the form writes them: what is shown reads back as what it was."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.errors import CompanionError
from companion.core.facts import Control, Layer
from companion.tui.parts.control_lines import control_line, control_of, layer_line, layer_of, tables
from companion.tui.parts.fields import BY_KEY, PAGES, Field, read, text_of

WORDS = st.text(alphabet="abcXYZ äß-_*/0123456789", min_size=1, max_size=12).map(str.strip).filter(bool)
PLAIN = WORDS.filter(lambda text: text.startswith(("X", "Y", "Z")))
NUMBERS = st.floats(-1e6, 1e6, allow_nan=False)


@settings(max_examples=100)
@given(
    st.builds(
        Control,
        name=WORDS,
        kind=st.sampled_from(["knob", "slider", "switch", "menu"]),
        low=NUMBERS.map(lambda x: round(x, 3) + 0.0),
        high=NUMBERS.map(lambda x: round(x, 3) + 0.0),
        rest=NUMBERS.map(lambda x: round(x, 3) + 0.0),
        cc=st.none() | st.integers(0, 127),
        effect=st.just("") | PLAIN,
    )
)
def test_a_control_reads_back(control: Control) -> None:
    assert control_of(control_line(control)) == control


@settings(max_examples=100)
@given(
    st.builds(
        Layer,
        name=WORDS,
        files=st.lists(PLAIN, max_size=3).map(tuple),
        low_key=st.integers(0, 127),
        high_key=st.integers(0, 127),
        low_velocity=st.integers(0, 127),
        high_velocity=st.integers(0, 127),
        round_robins=st.integers(0, 9),
    )
)
def test_a_layer_reads_back(layer: Layer) -> None:
    assert layer_of(layer_line(layer)) == layer


def test_a_control_may_be_written_loosely() -> None:
    told = control_of("Tone; −1 to 1,5; CC 74; brighter; to the right")
    assert told == Control(name="Tone", low=-1.0, high=1.5, rest=-1.0, cc=74, effect="brighter; to the right")


@pytest.mark.parametrize(
    "line", ["Tone; dial; 0 to 1", "Tone; brighter; rest 0.5", "Tone; wheel; cc 1", "Tone; dial; knob"]
)
def test_an_unknown_kind_is_refused_and_never_taken_for_what_a_control_does(line: str) -> None:
    with pytest.raises(CompanionError, match="no kind of control") as refused:
        control_of(line)
    assert "knob, slider, switch or menu" in refused.value.line


@pytest.mark.parametrize("line", ["", "; knob", "  ;0 to 1"])
def test_a_line_without_a_name_is_refused(line: str) -> None:
    with pytest.raises(CompanionError, match="needs a name"):
        control_of(line)


def test_a_span_that_cannot_be_read_is_refused_not_taken_for_a_file() -> None:
    with pytest.raises(CompanionError, match="keys 36"):
        layer_of("Struck; keys 36")


def test_defaults_are_left_out_of_the_file() -> None:
    assert tables([Control(name="Tone"), Control(name="Air", high=2.0)]) == [
        {"name": "Tone"},
        {"name": "Air", "high": 2.0},
    ]


def test_the_line_that_cannot_be_read_is_named() -> None:
    with pytest.raises(CompanionError, match="Line 2"):
        read(BY_KEY["controls"], "Tone\n; knob")


def test_every_key_of_the_form_is_a_fact() -> None:
    from companion.core.facts import Facts
    from companion.tui.parts.fields import value_of

    for field in BY_KEY.values():
        text_of(field, value_of(Facts(), field.key))
    assert len(BY_KEY) == sum(len(fields) for fields in PAGES.values())


@pytest.mark.parametrize(
    ("shape", "text", "value"),
    [
        ("number", "−1.5", -1.5),
        ("number", "", None),
        ("whole", "2 000", 2000),
        ("words", "a, b ,,c", ["a", "b", "c"]),
        ("lines", "a\n\n b ", ["a", "b"]),
        ("text", " x ", "x"),
    ],
)
def test_fields_read_as_they_are_written(shape: str, text: str, value: object) -> None:
    assert read(Field(key="k", label="K", shape=shape), text) == value  # type: ignore[arg-type]
