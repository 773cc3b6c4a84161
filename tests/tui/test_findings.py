"""Findings: grouped, told in full, waived with a reason, and inert whatever their names hold."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.findings import Severity
from companion.core.text import visible
from companion.tui.parts.content import short_path
from companion.tui.parts.findings import FindingsView
from companion.tui.parts.groups import FOLDED_FROM, MOST, group_key, grouped, rows
from companion.tui.parts.page import Detail
from tests.tui.conftest import HOSTILE, Bench, Opened, finding


async def test_a_finding_is_told_in_full(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "samples/a.wav", where="0.007 s (frame 311)"),)
    async with opened(bench, (120, 40)) as hand:
        await hand.press("4")
        assert hand.shows("▾ ✗ clipped blocks, 1; limit: −0.1 dBFS", "samples/a.wav, 0.007 s (frame 311) 0.0 dBFS")
        assert hand.shows(
            "samples/a.wav, 0.007 s (frame 311)", "Players would hear a crackle.", "Record it again, softer."
        )


async def test_at_80_columns_a_long_path_leaves_room_for_what_was_measured(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "samples/" + "struck/" * 10 + "a.wav"),)
    async with opened(bench) as hand:
        await hand.press("4")
        assert hand.shows("a.wav 0.0 dBFS", "limit: −0.1 dBFS", "Players would hear")


async def test_limits_that_differ_stand_beside_what_was_measured(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "a.wav"), finding("clipped", "b.wav", limit="−3.0 dBFS"))
    async with opened(bench) as hand:
        await hand.press("4")
        assert hand.shows("a.wav 0.0 dBFS / −0.1 dBFS", "b.wav 0.0 dBFS / −3.0 dBFS")


@pytest.mark.parametrize(
    ("path", "width", "short"),
    [
        ("a/b.wav", 20, "a/b.wav"),
        ("samples/struck/b.wav", 12, "sampl…/b.wav"),
        ("samples/struck.wav", 8, "str….wav"),
        ("bi\u202edi.wav", 20, "bi\\u202edi.wav"),
    ],
)
def test_a_path_loses_its_folders_before_its_name(path: str, width: int, short: str) -> None:
    assert short_path(path, width) == short
    assert len(short_path(path, width)) <= width


async def test_waiving_asks_for_a_reason_and_keeps_it(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "a.wav"), finding("clipped", "b.wav"))
    async with opened(bench) as hand:
        await hand.press("4", "down", "v", "enter")
        assert hand.shows("A waiver needs a reason.")
        await hand.write("a bell is meant to ring so")
        await hand.press("enter")
        assert bench.calls == [("waive", "clipped", "b.wav", "a bell is meant to ring so")]
        assert hand.shows("w clipped waived, 1", "Waived “clipped”, b.wav.")


async def test_at_a_rule_all_of_it_is_waived_with_one_reason(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "a.wav"), finding("clipped", "b.wav"), finding("silent", "c.wav"))
    async with opened(bench) as hand:
        await hand.press("4", "home", "v")
        assert hand.shows("Waive “clipped”, 2 findings", "lapses for each file that changes")
        await hand.write("driven on purpose")
        await hand.press("enter")
        assert bench.calls == [("waive_all", "clipped", "driven on purpose", Severity.BLOCKS)]
        assert hand.shows("w clipped waived, 2", "Waived “clipped”, 2 findings.")
        await hand.press("end", "up", "up")
        assert hand.shows("✗ silent")


@pytest.mark.parametrize(
    ("rule", "paths", "said"),
    [
        ("claim-unproven", ("a.md", "b.md"), "cannot be waived"),
        ("fact-missing", ("release.toml", "release.toml"), "Move to one finding below the rule first"),
    ],
)
async def test_a_rule_that_is_judged_singly_says_so(
    bench: Bench, opened: Opened, rule: str, paths: tuple[str, ...], said: str
) -> None:
    bench.found["sound"] = tuple(finding(rule, path) for path in paths)
    async with opened(bench) as hand:
        await hand.press("4", "home", "v")
        assert hand.shows(said)
        assert len(hand.app.screen_stack) == 1


async def test_going_back_from_waiving_changes_nothing(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (finding("clipped", "a.wav"),)
    async with opened(bench) as hand:
        await hand.press("4", "v")
        await hand.write("maybe")
        await hand.press("escape")
        assert bench.calls == []
        assert hand.shows("▾ ✗ clipped blocks, 1")


async def test_what_is_never_waived_is_refused_by_a_line(bench: Bench, opened: Opened) -> None:
    bench.found["words"] = (finding("claim-unproven", "README.md"),)
    async with opened(bench) as hand:
        await hand.press("8", "t", "t", "t", "v")
        assert hand.shows("✗ “claim-unproven” cannot be waived")
        assert len(hand.app.screen_stack) == 1


async def test_what_an_away_test_settled_is_not_taken_back(bench: Bench, opened: Opened) -> None:
    bench.found["paths"] = (finding("paths-unreadable", "a.eeng", unknown=True, waived="an away test passed"),)
    async with opened(bench) as hand:
        await hand.press("3", "v")
        assert hand.shows("✗ Nothing to take back: an away test passed.")
        assert len(hand.app.screen_stack) == 1


async def test_a_rule_folds_and_unfolds(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = (
        *(finding("clipped", f"samples/{n:02}.wav") for n in range(FOLDED_FROM + 1)),
        finding("silent", "quiet.wav"),
    )
    async with opened(bench, (120, 40)) as hand:
        await hand.press("4", "home")
        assert hand.shows("▸ ✗ clipped", "quiet.wav")
        assert not hand.shows("samples/03.wav")
        await hand.press("enter")
        assert hand.shows("▾ ✗ clipped", "samples/03.wav")


async def test_hostile_names_are_shown_and_do_nothing(bench: Bench, opened: Opened) -> None:
    bench.found["sound"] = tuple(finding("clipped", name, measured=visible(name)) for name in HOSTILE)
    bench.found["facts"] = tuple(
        finding("fact-invalid", "release.toml", where="instrument.title", measured=visible(name)) for name in HOSTILE
    )
    async with opened(bench, (120, 40)) as hand:
        await hand.press("4", "home")
        for name in sorted(HOSTILE):
            await hand.press("down")
            assert hand.shows(f"Where {visible(name)}")
            shown = hand.text()
            assert not any(char in shown for char in "\x1b\x07\u202e\udcff")
            row, line = next((row, line) for row, line in enumerate(hand.lines()) if visible(name) in line)
            await hand.pilot.click(offset=(line.index(visible(name)) + len(visible(name)) // 2, row))
            await hand.press("v")
            assert hand.shows(f"Waive “clipped”, {visible(name)}")
            await hand.press("escape")
            assert hand.app.is_running
            assert not hand.app.leaving


async def test_ten_thousand_findings_are_listed_as_far_as_anyone_reads() -> None:
    groups = grouped(finding("clipped", f"{n}.wav") for n in range(10_000))
    listed = rows(groups)
    assert len(listed) == MOST + 2
    assert listed[-1].more == 10_000 - MOST


@settings(max_examples=60)
@given(
    st.lists(
        st.builds(
            lambda rule, path, severity, waived, unknown: finding(
                rule, path, severity=severity, waived=waived, unknown=unknown
            ),
            st.sampled_from(["clipped", "silent", "hum"]),
            st.text(max_size=4),
            st.sampled_from(Severity),
            st.sampled_from(["", "meant so"]),
            st.booleans(),
        ),
        max_size=30,
    )
)
def test_grouping_loses_and_doubles_nothing(found: list) -> None:  # type: ignore[type-arg]
    groups = grouped(found)
    assert sorted(map(repr, found)) == sorted(repr(f) for group in groups for f in group.findings)
    every = grouped(found, {group_key(group.first) for group in groups if not group.open})
    assert sum(row.finding is not None for row in rows(every)) == len(found)
    assert len({group_key(group.first) for group in groups}) == len(groups)


async def test_details_take_the_room_that_a_short_list_leaves(bench: Bench, opened: Opened) -> None:
    long = {"mend": " ".join(["Record it again."] * 12), "why": "Players hear it, to the very last word."}
    bench.found["sound"] = (finding("clipped", "a.wav", **long),)
    async with opened(bench) as hand:
        await hand.press("4")
        assert hand.shows("to the very last word.")
        detail = hand.app.query(FindingsView).last().query_one(Detail)
        assert detail.styles.max_height is not None
        await hand.pilot.resize_terminal(200, 60)
        await hand.rest()
        assert hand.shows("to the very last word."), "beside the list then, and as high as it"
        assert detail.region.height > 40
