"""What the Controls and Away steps look for."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Rule, Severity

CONTROLS_NONE: Final = Rule(
    id="controls-none",
    step="controls",
    severity=Severity.NOTES,
    means="No control is declared in the facts, so none is tried.",
    why="If the instrument has controls after all, one that does nothing or breaks the sound goes out unnoticed.",
    mend="Declare each control under [[controls]] in release.toml; leave it as it is if there are none.",
)

CONTROL_UNTRIED: Final = Rule(
    id="control-untried",
    step="controls",
    severity=Severity.BLOCKS,
    means="A control has not been tried alone, at both its ends, with this content.",
    why="Players move every control in the first minute; one that does nothing, or does the wrong thing, is what they "
    "remember.",
    mend="Open the trials of this step, follow each, and answer pass or fail. A note alone decides nothing.",
    limit="each control tried at both ends",
)

ORDER_MISSING: Final = Rule(
    id="order-missing",
    step="controls",
    severity=Severity.WARNS,
    means="The controls have not been moved together in every order: left to right, right to left, shuffled.",
    why="A control that depends on what was moved before it sounds different each evening, and settings cannot be "
    "found again.",
    mend="Make the order trials; the shuffled one has its seed in its title, so it can be repeated.",
    limit="each order tried",
)

PAIRS_MISSING: Final = Rule(
    id="pairs-missing",
    step="controls",
    severity=Severity.WARNS,
    means="Some pairs of extreme settings have not been heard together.",
    why="Two controls that are fine alone may together silence the instrument or overload it.",
    mend="Make the trials of extremes together: they are as few as can hold every pair of ends.",
    limit="every pair of ends",
    source="covering arrays of strength two: Katona 1973; Kleitman and Spencer 1973",
)

TRIAL_FAILED: Final = Rule(
    id="trial-failed",
    step="controls",
    severity=Severity.BLOCKS,
    means="A person tried this with exactly this content and judged that it fails. The cause was not measured.",
    why="What one careful player heard, every player may hear.",
    mend="Mend it in the patch and try again: changed content asks for new trials. If it was a slip, make the same "
    "trial once more; the latest answer counts.",
)

AWAY_UNTRIED: Final = Rule(
    id="away-untried",
    step="away",
    severity=Severity.BLOCKS,
    means="No test has shown that exactly this content opens and plays away from the maker’s own files.",
    why="On the maker’s computer an instrument always finds its samples; on a player’s it may open to silence.",
    mend="Make one of these: this computer with the originals hidden, another computer, or another player.",
    limit="one passed test",
)

ORIGINALS_REACHED: Final = Rule(
    id="originals-reached",
    step="away",
    severity=Severity.BLOCKS,
    means="During an away test the engine opened files outside the away copy.",
    why="The patch still points at the maker’s folders; nobody else has those.",
    mend="In the engine, let the patch refer to its samples by relative paths, save it, and repeat the test.",
)

AWAY_DIFFERS: Final = Rule(
    id="away-differs",
    step="away",
    severity=Severity.WARNS,
    means="An away test failed: it did not open, play or sound there as it does here. It blocks as long as no test of "
    "its kind has passed.",
    why="At least one computer plays something else than what was meant; more of them are among the players.",
    mend="Find out what differed and mend it, or repeat the test if it was a slip. If only an old engine version "
    "fails, raise the minimum in the facts above it.",
)

HELPER_TOO_OLD: Final = Rule(
    id="helper-too-old",
    step="away",
    severity=Severity.BLOCKS,
    means="An away test was made on an engine older than the minimum, so it proves nothing for players. It is only "
    "noted once another test has passed.",
    why="The promise to players is made for the minimum and newer; nothing was shown for those.",
    mend="Let the helper update the engine and repeat the test, or lower the minimum if that version works.",
)

REPORT_OLD: Final = Rule(
    id="report-old",
    step="away",
    severity=Severity.NOTES,
    means="Away tests exist, but for other content than what would ship now.",
    why="What was changed since was heard by nobody but the maker.",
    mend="Repeat the tests with this content. Those reports count again if that content comes back.",
)

MUSIC_SHALLOW: Final = Rule(
    id="music-shallow",
    step="away",
    severity=Severity.NOTES,
    means="The music that was played left some keys, velocities or controls unused.",
    why="What no piece has touched, a player touches first.",
    mend="Play a piece that uses what is listed.",
)

AWAY_NARROW: Final = Rule(
    id="away-narrow",
    step="away",
    severity=Severity.WARNS,
    means="It was tested away from the originals, but only in some of the ways that find faults. It is only noted "
    "once another computer or another player is among them.",
    why="Each kind finds other faults: only another computer shows what the maker’s has installed, only another "
    "player shows what the readme leaves out.",
    mend="Make the kinds of test that are listed, as far as you can.",
)

RULES: Final = (
    CONTROLS_NONE,
    CONTROL_UNTRIED,
    ORDER_MISSING,
    PAIRS_MISSING,
    TRIAL_FAILED,
    AWAY_UNTRIED,
    ORIGINALS_REACHED,
    AWAY_DIFFERS,
    HELPER_TOO_OLD,
    REPORT_OLD,
    MUSIC_SHALLOW,
    AWAY_NARROW,
)
