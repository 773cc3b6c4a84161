from __future__ import annotations

from companion.words.notes import Recording, namer


def test_a_recording_is_called_by_what_tells_it_from_its_neighbours() -> None:
    found = {
        f"s_{note}_{velocity}_{take}.wav": Recording(layer="struck", note=note, velocity=velocity, take=take)
        for note in ("E3", "F3")
        for velocity in (40, 100)
        for take in ("1", "2")
    }
    called = namer(found.items())
    assert called("s_E3_40_1.wav") == "E3, soft, first take"
    assert called("s_F3_100_2.wav") == "F3, loud, second take"
    assert called("elsewhere.wav") == ""


def test_only_what_there_is_several_of_is_named() -> None:
    one = namer([("a", Recording(layer="struck", note="E3", velocity=40, take="1"))])
    assert one("a") == "E3"
    two = namer([("a", Recording(layer="struck", note="E3")), ("b", Recording(layer="hum", note="E3"))])
    assert (two("a"), two("b")) == ("struck E3", "hum E3")
    many = namer((str(v), Recording(note="C3", velocity=v)) for v in (10, 40, 70, 100))
    assert many("70") == "C3, velocity 70"
    three = namer((str(v), Recording(note="C3", velocity=v)) for v in (10, 40, 70))
    assert [three(v) for v in ("10", "40", "70")] == ["C3, soft", "C3, medium", "C3, loud"]
    takes = namer((str(t), Recording(note="C3", take=str(t))) for t in range(1, 11))
    assert [takes(t) for t in ("1", "8", "10")] == ["C3, first take", "C3, eighth take", "C3, take 10"]


def test_a_name_that_would_mean_two_recordings_or_none_is_not_given() -> None:
    nameless = namer([("a", Recording(velocity=40)), ("b", Recording(velocity=90, note="E3"))])
    assert (nameless("a"), nameless("b")) == ("", "E3, loud")
    twins = namer([("a", Recording(note="E3")), ("b", Recording(note="E3")), ("c", Recording(velocity=3))])
    assert (twins("a"), twins("b"), twins("c")) == ("", "", "")
