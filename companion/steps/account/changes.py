"""What differs between two snapshots, or one and the folder, in the maker's terms; and what a restore would do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import msgspec

from companion.core.cache import Cache
from companion.core.entries import Kind
from companion.core.errors import CompanionError
from companion.core.facts import FACTS_FILE, Facts, facts_from_toml
from companion.core.folder import OURS
from companion.core.progress import QUIET, Watch
from companion.core.text import plural, visible
from companion.core.units import decimal_bytes
from companion.history.names import is_within

if TYPE_CHECKING:
    from companion.history.history import History
    from companion.history.model import Comparison
    from companion.sound.measures.measured import Measured

MOST_TEXTS: Final = 20
MOST_TEXT: Final = 64 << 10
"""Changed files whose lines are shown, and the bytes either side of one may have: notes and scripts, not tables."""

MOST_MEASURED: Final = 50
"""Changed samples whose measures are compared; the old content of each has to be read from the history for it."""


class Changes(msgspec.Struct, frozen=True, kw_only=True):
    """The differences from ``a`` to ``b`` (None: the folder as it is). lines: all of it as sentences.

    facts: sentences on changed facts. heard: path and what differs in how it sounds, where both sides were measured.
    texts: path and unified diff of changed text files. unread: path and reason of what could not be looked at on one
    side, and so is neither added nor removed.
    """

    a: int
    b: int | None
    lines: tuple[str, ...]
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    renamed: tuple[tuple[str, str], ...] = ()
    facts: tuple[str, ...] = ()
    heard: tuple[tuple[str, str], ...] = ()
    texts: tuple[tuple[str, str], ...] = ()
    unread: tuple[tuple[str, str], ...] = ()


def changes_of(found: Comparison, history: History, facts: Facts, cache: Cache, watch: Watch = QUIET) -> Changes:
    """Return a comparison as sentences: files by kind, facts as what they mean, sound where both sides are measured.

    Raises :class:`Cancelled` from ``watch``.
    """
    from companion.contents.kinds import kinds_by

    kind_of = kinds_by(facts.contents)
    stated = facts_lines(found.facts_before, found.facts_after)
    heard = _heard(found, history, cache, watch, {path for path in found.changed if kind_of(path).audible})
    by_path = dict(heard)
    lines = [visible(line) for line in stated]
    added, removed, changed = (_makers(paths) for paths in (found.added, found.removed, found.changed))
    for verb, paths in (("added", added), ("removed", removed), ("changed", changed)):
        lines += [
            _line(verb, kind_of(path), path, found.sizes.get(path, (None, None)), by_path.get(path, ""))
            for path in paths
        ]
    renamed = tuple(pair for pair in found.renamed if _makers(pair))
    lines += renamed_lines(renamed)
    texts = _texts(found, [path for path in changed if path != FACTS_FILE and not kind_of(path).audible])
    for path, diff in texts:
        lines += [f"in {visible(path)}:", *(f"  {line}" for line in diff.split("\n")[2:])]  # the first two say nothing
    lines += [f"not compared: {visible(path)} ({visible(reason)})" for path, reason in found.unread]
    return Changes(
        a=found.a,
        b=found.b,
        lines=tuple(lines),
        added=added,
        removed=removed,
        changed=changed,
        renamed=renamed,
        facts=stated,
        heard=heard,
        texts=texts,
        unread=found.unread,
    )


def _texts(found: Comparison, paths: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Return path and unified diff of those that are text on both sides."""
    small = [path for path in paths if max(size or 0 for size in found.sizes.get(path, (0, 0))) <= MOST_TEXT]
    diffs = ((path, found.text_diff(path)) for path in small[:MOST_TEXTS])
    return tuple((path, diff) for path, diff in diffs if diff)


def _makers(paths: Sequence[str]) -> tuple[str, ...]:
    """Return the paths that are the maker's: every look adds evidence, which is no change of the work."""
    return tuple(path for path in paths if not _ours(path))


def renamed_lines(renamed: Sequence[tuple[str, str]]) -> list[str]:
    """Return a line a renamed file, and one line for all files that moved along with their folder."""
    moves: dict[tuple[str, str], list[tuple[str, str]]] = {}
    lines = []
    for old, new in renamed:
        tail = _shared_tail(old, new)
        moves.setdefault((old.removesuffix(tail), new.removesuffix(tail)), []).append((old, new))
    for (old, new), files in moves.items():
        if len(files) > 1 and old and new:
            lines.append(f"renamed: {visible(old)}/ is now {visible(new)}/ ({plural(len(files), 'file')})")
        else:
            lines += [f"renamed: {visible(was)} is now {visible(now)}" for was, now in files]
    return lines


def _shared_tail(old: str, new: str) -> str:
    """Return the part of two paths, from a slash on, that is the same; empty when their names differ."""
    tail = ""
    for was, now in zip(reversed(old.split("/")), reversed(new.split("/")), strict=False):
        if was != now:
            break
        tail = f"/{was}{tail}"
    return tail if old.endswith(tail) and new.endswith(tail) else ""


def _line(verb: str, kind: Kind, path: str, sizes: tuple[int | None, int | None], heard: str) -> str:
    before, after = sizes
    if before is not None and after is not None and decimal_bytes(before) != decimal_bytes(after):
        size = f", {decimal_bytes(before)} → {decimal_bytes(after)}"
    else:
        known = after if after is not None else before
        size = f", {decimal_bytes(known)}" if known is not None else ""
    what = "facts" if path == FACTS_FILE else kind.value
    return f"{verb}: {visible(path)} ({what}{size}{f'; {heard}' if heard else ''})"


def facts_lines(before: str, after: str) -> tuple[str, ...]:
    """Return sentences on what changed between two texts of ``release.toml``; one line where a side cannot be read."""
    from companion.words.changes import facts_changed

    if before == after:
        return ()
    try:
        old, new = facts_from_toml(before), facts_from_toml(after)
    except CompanionError:
        return ("the facts changed (one side of them cannot be read)",)
    lines = [change.text for change in facts_changed(old, new)]
    engine = msgspec.structs.replace(old.engine, name=new.engine.name)

    def for_players(base: Facts, changed: Facts) -> list[str]:
        return [change.text for change in facts_changed(base, changed)]

    for table in ("instrument", "engine", "contents", "naming", "limits"):
        for name in getattr(old, table).__struct_fields__:
            was, now = getattr(getattr(old, table), name), getattr(getattr(new, table), name)
            base = old if (table, name) == ("engine", "name") else msgspec.structs.replace(old, engine=engine)
            mine = for_players(base, _with(base, table, name, now))
            # There already when the lines that this fact alone would bring are among them.
            if was != now and not (mine and all(text in lines for text in mine)):
                lines.append(f"{table}.{name}: {_value_text(now)} instead of {_value_text(was)}")
    for table in ("layers", "controls"):
        items = {item.name: item for item in getattr(new, table)}
        for item in getattr(old, table):
            for name in item.__struct_fields__ if item.name in items else ():
                was, now = getattr(item, name), getattr(items[item.name], name)
                if was != now and not for_players(old, _with(old, table, name, now, item.name)):
                    lines.append(f"{table}.{item.name}.{name}: {_value_text(now)} instead of {_value_text(was)}")
    if old.waivers != new.waivers:
        lines.append(f"{plural(len(new.waivers), 'waiver')} instead of {len(old.waivers):,}")
    return tuple(lines)


def _with(facts: Facts, table: str, name: str, value: Any, item: str = "") -> Facts:
    """Return facts with one value of a table, or of the ``item`` of that name in a list of them, changed."""
    held = getattr(facts, table)
    if not item:
        return msgspec.structs.replace(facts, **{table: msgspec.structs.replace(held, **{name: value})})
    changed = tuple(msgspec.structs.replace(one, **{name: value}) if one.name == item else one for one in held)
    return msgspec.structs.replace(facts, **{table: changed})


def _value_text(value: object) -> str:
    if value is None or value in ("", ()):
        return "nothing"
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"“{value}”" if isinstance(value, str) else str(value)


def _heard(
    found: Comparison, history: History, cache: Cache, watch: Watch, audible: set[str]
) -> tuple[tuple[str, str], ...]:
    from companion.sound.measures.batch import known_measures

    def known(number: int | None, paths: Sequence[str]) -> dict[str, Measured]:
        shas = history.sha256s(number, paths, watch)
        measured = known_measures(cache, set(shas.values()))
        return {path: measured[sha] for path, sha in shas.items() if sha in measured}

    if not audible:
        return ()
    was = known(found.a, sorted(audible)[:MOST_MEASURED])
    now = known(found.b, list(was))
    lines = [(path, difference(was[path], now[path])) for path in now]
    return tuple((path, line) for path, line in lines if line)


def difference(was: Measured, now: Measured) -> str:
    """Return how two measured recordings differ: length from 1 ms, peak from 0.1 dB, pitch from 1 cent."""
    parts = []
    if abs(now.seconds - was.seconds) >= 0.001:
        parts.append(f"{was.seconds:.3f} s → {now.seconds:.3f} s")
    if was.peak_dbfs is not None and now.peak_dbfs is not None and abs(now.peak_dbfs - was.peak_dbfs) >= 0.1:
        parts.append(f"peak {was.peak_dbfs:.1f} → {now.peak_dbfs:.1f} dBFS".replace("-", "−"))
    if was.pitch_cents is not None and now.pitch_cents is not None and abs(now.pitch_cents - was.pitch_cents) >= 1:
        parts.append(f"pitch {now.pitch_cents - was.pitch_cents:+.0f} cents".replace("-", "−"))
    return ", ".join(parts)


class Writes(msgspec.Struct, frozen=True, kw_only=True):
    """How many files a restore writes and takes away, and the bytes it writes."""

    written: int
    bytes: int
    removed: int


class Preview(msgspec.Struct, frozen=True, kw_only=True):
    """A restore, looked at beforehand.

    changes: what changed from the snapshot to the folder, in the maker's terms. write: paths with their bytes, and
    remove: paths, both as :meth:`~companion.history.history.History.restore` would take them. facts: sentences on what
    the facts would say then instead of now.
    """

    changes: Changes
    write: tuple[tuple[str, int], ...] = ()
    remove: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()

    def of(self, only: Sequence[str] = ()) -> Writes:
        """Return the counts for the chosen paths; none chosen: all."""
        written = [size for path, size in self.write if within(path, only)]
        removed = sum(within(path, only) for path in self.remove)
        return Writes(written=len(written), bytes=sum(written), removed=removed)


def within(path: str, chosen: Sequence[str]) -> bool:
    """Tell whether a path is one of the chosen ones or lies in one of them; none chosen: all are."""
    return is_within(path, tuple(one.strip("/") for one in chosen))


def preview_of(found: Comparison, changes: Changes, unread: Sequence[str] = ()) -> Preview:
    """Return what bringing back the snapshot ``found.a`` does to the folder as it is.

    Evidence and reports come back where they are missing; they are never replaced and never taken away. ``unread``:
    what the snapshot could not read when it was taken, which a restore leaves alone.
    """
    back = [*found.removed, *(path for path in found.changed if not _ours(path)), *(old for old, _ in found.renamed)]
    away = [*found.added, *(new for _, new in found.renamed)]
    return Preview(
        changes=changes,
        facts=facts_lines(found.facts_after, found.facts_before) if changes.facts else (),
        write=tuple((path, found.sizes.get(path, (None, None))[0] or 0) for path in sorted(back)),
        remove=tuple(path for path in sorted(away) if not _ours(path) and not (unread and within(path, unread))),
    )


def _ours(path: str) -> bool:
    return path.partition("/")[0] == OURS
