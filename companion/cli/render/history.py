"""Snapshots, and the upkeep of the history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from companion.core.text import listed, plural, visible
from companion.core.units import both_bytes, decimal_bytes

if TYPE_CHECKING:
    from companion.history.model import Adopted, Forgotten, Mirrored, Restored, Size, Verified
    from companion.history.snapshot import Snapshot
    from companion.steps.account.moved import Moved


def snapshot_lines(taken: Snapshot) -> list[str]:
    """Return what was kept, what could not be, and what changed while it was read."""
    what = f"{plural(taken.files, 'file')}, {both_bytes(taken.bytes)}"
    new = (
        f"Snapshot {taken.number} kept: {what}." if taken.new else f"Nothing has changed since snapshot {taken.number}."
    )
    return [new, *not_kept_lines(taken)]


def not_kept_lines(taken: Snapshot) -> list[str]:
    """Return a line for each file that a snapshot may hold half of, or does not hold."""
    lines = [f"  changed while it was read: {visible(path)}" for path in taken.changed_while_read]
    return lines + [f"  left out: {visible(path)} ({visible(reason)})" for path, reason in taken.left_out]


def snapshots_lines(listed: Sequence[Snapshot], moved: Mapping[int, Moved | None] | None = None) -> list[str]:
    """Return a line a snapshot, newest first; with ``moved``, each followed by what changed since the one before it."""
    lines = []
    for shot in listed:
        released = f"  [released as {visible(shot.version)}]" if shot.version else ""
        lines.append(
            f"{shot.number:>5}  {shot.at[:16].replace('T', ' ')}  {plural(shot.files, 'file'):>13}  "
            f"{decimal_bytes(shot.bytes):>9}  {visible(shot.label)}{released}"
        )
        if moved is not None:
            there = moved.get(shot.number)
            what = (there.text or "the same files") if there else "what changed cannot be read"
            lines.append(f"       {'the first' if shot is listed[-1] else what}")
    return lines or ["No snapshots yet. Take one with: companion snapshot FOLDER -m LABEL"]


def restored_json(restored: Restored) -> dict[str, Any]:
    """Return what a restore did, for a program."""
    safety = restored.safety and restored.safety.as_dict()
    return {**{name: getattr(restored, name) for name in restored.__struct_fields__}, "safety": safety}


def restored_lines(restored: Restored) -> list[str]:
    """Return what a restore did, and what it could not."""
    lines = [
        f"Restored: {len(restored.written):,} written, {len(restored.removed):,} taken away, "
        f"{restored.unchanged:,} as they were."
    ]
    if restored.safety:
        lines.append(f"What was there before is kept as snapshot {restored.safety.number}.")
    return lines + [f"  not restored: {visible(path)} ({visible(reason)})" for path, reason in restored.failed]


def verified_lines(found: Verified) -> list[str]:
    """Return whether everything reads back, and what each damaged object costs."""
    lines = [f"Read back: {plural(found.snapshots, 'snapshot')}, {found.objects:,} objects, {both_bytes(found.bytes)}."]
    for one in found.damaged:
        where = f" in snapshot {listed([str(number) for number in one.snapshots])}" if one.snapshots else ""
        lines.append(f"  damaged: {visible(one.path) or 'a folder or a snapshot'}{where} ({visible(one.reason)})")
    lines += [f"  {visible(fault)}" for fault in found.faults]
    if found.whole:
        return [*lines, "Whole."]
    rest = "Everything else is whole. " if found.damaged else "Every snapshot reads back all the same. "
    return [*lines, f"{rest}{found.do}"]


def size_lines(found: Size) -> list[str]:
    """Return what the history weighs, and what each snapshot alone holds."""
    lines = [f"The history takes {both_bytes(found.total)}."]
    costs = sorted(found.alone.items())
    return lines + [f"{number:>5}  {decimal_bytes(cost):>9} that it alone holds" for number, cost in costs]


def forgotten_lines(gone: Forgotten) -> list[str]:
    """Return what is gone and what that won."""
    names = listed([str(number) for number in gone.numbers], 10)
    lines = [f"Forgotten: {names}. {both_bytes(gone.bytes_won)} won back."]
    return lines + ([visible(gone.remark)] if gone.remark else [])


def mirrored_lines(done: Mirrored) -> list[str]:
    """Return what the second copy holds now, with its caution."""
    new = f"{done.new:,} new, {both_bytes(done.bytes)}"
    lines = [f"{visible(done.target)} holds {plural(done.snapshots, 'snapshot')}; {new}."]
    if done.repaired:
        lines.append(f"{plural(done.repaired, 'damaged object')} there {_was(done.repaired)} copied anew.")
    if done.broken:
        lines.append(f"Not whole there, since the history here is damaged too: {_numbered(done.broken)}. Verify it.")
    return lines + ([done.caution] if done.caution else [])


def adopted_lines(done: Adopted) -> list[str]:
    """Return what came back from a mirror, and which snapshots are not whole."""
    whole = done.snapshots - len(done.broken)
    lines = [f"The mirror was not whole: {done.problem}."] if done.problem else []
    if not done.broken:
        are = "snapshot is" if whole == 1 else "snapshots are"
        return [*lines, f"{whole:,} {are} back, whole. Bring the files back with: companion restore FOLDER SNAPSHOT"]
    lines.append(f"Of {plural(done.snapshots, 'snapshot')}, {whole:,} came back whole.")
    lines.append(f"Damaged in the mirror: {_numbered(done.broken)}. See: companion snapshots FOLDER --verify")
    return lines


def _was(count: int) -> str:
    return "was" if count == 1 else "were"


def _numbered(numbers: Sequence[int]) -> str:
    return f"{'snapshot' if len(numbers) == 1 else 'snapshots'} {listed([str(number) for number in numbers], 10)}"
