"""Away tests, and originals hidden and brought back, as lines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.cli.render.checklist import typed
from companion.core.text import listed, plural, visible
from companion.core.units import decimal_bytes
from companion.trials.away_filing import WHY

if TYPE_CHECKING:
    from companion.core.evidence import AwayTest
    from companion.steps.deeds.hidden import BroughtBack
    from companion.steps.deeds.hiding import HiddenAway
    from companion.steps.deeds.host_files import HostFiles
    from companion.steps.deeds.kits import Kit
    from companion.steps.deeds.receiving import Received
    from companion.steps.looks.controls import AwayView
    from companion.steps.looks.kits_sent import SentKits


def away_lines(view: AwayView, *, short: bool) -> list[str]:
    """Return the away tests recorded, why some of them do not count, and how to run each kind."""
    lines = [f"{plural(len(view.here), 'away test')} of this content."]
    lines += [_test_line(test) for test in view.here]
    for why, words in WHY.items():
        several = [test for test in view.elsewhere if test.why == why]
        if several:
            lines += [f"{plural(len(several), 'away test')} {words}, which counts for nothing now."]
            lines += [_test_line(test) for test in several] if why != "other content" else []
    lines += [visible(view.next)] if view.next else []
    if short:
        return lines
    for guide in view.kinds:
        lines += ["", f"{guide.kind}: {guide.shows}", *(f"  {n}. {step}" for n, step in enumerate(guide.steps, 1))]
    return lines


def _test_line(test: AwayTest) -> str:
    engine = f"{test.engine} {test.engine_version}".strip()
    facts = " · ".join(visible(part) for part in (test.who, test.system, engine, test.edition) if part)
    parts = [f"  {test.result}: {test.kind}", facts, visible(test.played), visible(test.notes)]
    return "  ".join(part for part in parts if part)


def hidden_lines(done: HiddenAway, folder: Path) -> list[str]:
    """Return what is hidden, what to open meanwhile, and how it ends."""
    source = f"from {done.archive}" if done.archive else "of what ships, packed for this test"
    here = typed(folder)
    return [
        f"Out of the way: {visible(listed([f'“{name}”' for name in done.names], 12))}.",
        f"The copy {visible(source)}: {visible(str(done.copy))}",
        *(f"  open {visible(str(patch))}" for patch in done.patches),
        "Close the engine first if it is open, so that it holds nothing in memory.",
        done.caution,
        "If the engine asks for a file, or plays although the copy has none, it reached for your originals.",
        f"When you are done, close the engine, then: companion away back {here}",
        f'and record it: companion away {here} --kind "originals hidden" --result pass|fail '
        "--engine-version V --system S --played P",
    ]


def back_lines(done: BroughtBack | None) -> list[str]:
    """Return what is back in its place, and what could not be put there."""
    if done is None:
        return ["No original is hidden."]
    lines = [f"Back in place: {visible(listed([f'“{name}”' for name in done.names], 12))}."] if done.names else []
    for name in done.kept:
        lines += [
            f"“{visible(name)}” stays in .companion/hidden, since something else lies in its place now. "
            "Move the one you do not want out of the folder, then bring back again."
        ]
    lines += [f"The copy may be deleted: {visible(done.copy)}"] if done.copy else []
    return lines or ["Every original is in its place."]


def kit_lines(kit: Kit, folder: Path) -> list[str]:
    """Return what a kit holds, and how its answer is taken in."""
    music = f", {listed([f'“{name}”' for name in kit.music], 4)}" if kit.music else ""
    lines = [
        f"Kit {kit.code}, {decimal_bytes(kit.size)}: {visible(str(kit.path))}",
        f"  what to do, a form, {visible(f'“{kit.archive}”{music}')}",
    ]
    lines += [f"  no test performance: {kit.without}"] if kit.without else []
    return [*lines, f"What comes back: companion receive {typed(folder)} FILE ..."]


def sent_lines(found: SentKits) -> list[str]:
    """Return the kits that were sent, the latest first, and which test would settle most."""
    if not found.kits:
        lines = ["No kit has been sent yet. Make one with: companion kit FOLDER --for NAME"]
        return lines + ([visible(found.next)] if found.next else [])
    lines = [found.line]
    for one in reversed(found.kits):
        kit = one.kit
        came = f"{one.came} {kit.returned[:10]}" if kit.returned else "waiting"
        told = [came, kit.who or "nobody named", kit.version, f"sent {kit.at[:10]}", f"kit {kit.code}"]
        lines.append(f"  {visible('  '.join(filter(None, told)))}")
        if one.came == "ended":
            lines.append(f"    {visible(kit.outcome)}")
        elif not one.here:
            lines.append("    of other content, or another engine, than now: it settles nothing")
        elif one.settles:
            lines.append(f"    settles {listed(one.settles, 4)}")
    return [*lines, *([visible(found.next)] if found.next else [])]


def received_lines(came: Received) -> list[str]:
    """Return what came back, and what it counts for."""
    who = f" from {came.who}" if came.who else ""
    head = f"Kit {came.code}{who}: {'passed' if came.result == 'pass' else 'failed'}, recorded as an away test."
    lines = [head if came.recorded else f"Kit {came.code}{who}: nothing to record."]
    return [visible(line) for line in [*lines, *came.says, *(f"bounce: {line}" for line in came.bounce)]]


_MOST_NAMED: Final = 12


def host_lines(found: HostFiles, folder: Path) -> list[str]:
    """Return what the host was seen to open, and what that means for the test."""
    if not found.hosts:
        return ["No program was seen with a file of the copy open. Play it while this watches, or add --process NAME."]
    total = len(found.opened) + len(found.not_seen)
    lines = [f"{visible(listed(found.hosts))}: {len(found.opened):,} of {plural(total, 'file')} of the copy seen open."]
    if found.not_seen:
        lines.append(f"  not seen: {visible(listed(found.not_seen, 6))}")
    if not found.outside:
        return [*lines, "Nothing outside the copy was seen that is, or is called as, one of its files."]
    lines += [f"  outside the copy: {visible(path)} ({visible(name)})" for name, path in found.outside[:_MOST_NAMED]]
    if len(found.outside) > _MOST_NAMED:
        lines.append(f"  and {len(found.outside) - _MOST_NAMED:,} more")
    return [
        *lines,
        f'It reached for others than the copy: companion away {typed(folder)} --kind "originals hidden" --result fail '
        "--reached-originals …",
    ]
