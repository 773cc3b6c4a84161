"""Where pictures come from: the folder as it is, what was measured of it, and a process that reads sound."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from functools import cached_property
from pathlib import Path
from tempfile import TemporaryDirectory, gettempdir
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, Self

from companion.core.entries import Entry
from companion.core.entries import Kind as FileKind
from companion.core.errors import CompanionError
from companion.core.files import explained
from companion.core.findings import Finding
from companion.core.progress import Watch
from companion.core.regular import buffered
from companion.core.text import same_name_key
from companion.drawing.shapes import Kind
from companion.sound.drawing.viewer import Viewer
from companion.steps.desk import Desk
from companion.steps.drawn.which import Sight, kinds_of

if TYPE_CHECKING:
    from companion.history.snapshot import Snapshot
    from companion.sound.checks.model import SoundModel
    from companion.sound.measures.measured import Measured
    from companion.steps.account.moved import Moved
    from companion.steps.looks.judging import JudgedBounce


class Past(Protocol):
    """What is kept of a folder."""

    def shots(self) -> list[Snapshot]:
        """Return the snapshots, newest first. Raises where the history cannot be read."""

    def moves(self, pairs: Sequence[tuple[str, str]], watch: Watch) -> Mapping[tuple[str, str], Moved | None]:
        """Return how far each tree moved from another."""

    def alone(self, watch: Watch) -> Mapping[int, int]:
        """Return the bytes that each snapshot weighs by itself, by number."""

    def unkept(self, watch: Watch) -> str:
        """Return in words what of the folder no snapshot holds."""

    def at(self, number: int, path: str, into: Path, watch: Watch) -> Path:
        """Return a file as a snapshot has it, written below ``into``. Raises where there is none."""

    def otherwise(self, path: str, sha256: str, into: Path, watch: Watch) -> tuple[int, Path] | None:
        """Return the newest snapshot whose file at ``path`` is another, and that file, written below ``into``."""


class Source:
    """What pictures of one folder are made from. Open as a context, or close it: a process may run until then.

    Methods raise :class:`CompanionError` in one line where there is nothing to draw, and may be called from any thread.
    """

    def __init__(self, desk: Desk, past: Past) -> None:
        self.desk = desk
        self.past = past
        self.viewer = Viewer()
        self.closed = False
        self._aside: TemporaryDirectory[str] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the process that reads sound, and take away what was put aside."""
        self.closed = True
        self.viewer.close()
        if self._aside:
            self._aside.cleanup()

    def aside(self) -> Path:
        """Return a new place outside the folder for a file of a snapshot; it is gone once this is closed."""
        if self._aside is None:
            with explained("make a place for a file of a snapshot", Path(gettempdir())):
                self._aside = TemporaryDirectory(prefix="companion-heard-", ignore_cleanup_errors=True)
        return Path(self._aside.name) / f"{len(list(Path(self._aside.name).iterdir()))}"

    # -- what there is --------------------------------------------------------------------------------------------

    def entry(self, path: str) -> Entry:
        """Return the file of the folder at a relative path. Raises where there is none that may be looked into."""
        entry = self.desk.by_path.get(path)
        if entry is None:
            raise CompanionError("There is no such file in the folder", path, "companion contents lists all that ships")
        if entry.link is not None:
            raise CompanionError("That is a link, and no link is followed", path, "show the file itself")
        if entry.problem:
            raise CompanionError(f"It cannot be read: {entry.problem}", path, "look at the file")
        return entry

    def path_named(self, named: str) -> str:
        """Return the relative path of a file that somebody names: as listed, absolute, or in another normal form."""
        tidy = named.replace("\\", "/") if os.name == "nt" else named
        tidy = tidy.removeprefix("./")
        if tidy in self.desk.by_path:
            return tidy
        folder = self.desk.folder
        for start in (folder, Path.cwd()):
            try:
                inside = (start / named).resolve().relative_to(folder).as_posix()
            except (OSError, ValueError, RuntimeError):
                continue
            if inside in self.desk.by_path:
                return inside
        key = same_name_key(tidy)
        alike = [path for path in self.desk.by_path if same_name_key(path) == key]
        return alike[0] if len(alike) == 1 else tidy

    def findings(self, path: str = "", step: str = "") -> tuple[Finding, ...]:
        """Return what stands in the evidence for the content as it is: of a file, or of a step, in order."""
        from companion.steps.status import status_of

        steps = status_of(self.desk).steps
        return tuple(
            finding for one in steps if step in ("", one.id) for finding in one.findings if path in ("", finding.path)
        )

    def kinds(self, sight: Sight) -> tuple[Kind, ...]:
        """Return the pictures there are of what a sight is of, the first of them to begin with."""
        entry = self.desk.by_path.get(sight.place)
        kinds = kinds_of(self._kind(entry) if entry else None, sight.finding)
        if entry and "seam" in kinds and (known := self.known(entry.path)) and not known.loops:
            return tuple(kind for kind in kinds if kind != "seam")
        return kinds

    def files(self, sight: Sight) -> tuple[str, ...]:
        """Return the files to go through from there: those of its kind that ship, in order; none for the whole."""
        entry = self.desk.by_path.get(sight.place)
        if entry is None:
            return ()
        kind = self._kind(entry)
        return tuple(one.path for one in self.desk.ships if one.kind is kind and not one.problem)

    def _kind(self, entry: Entry) -> FileKind:
        return next((one.kind for one in self.desk.ships if one.path == entry.path), entry.kind)

    @cached_property
    def model(self) -> SoundModel:
        """What was measured of all samples; what is not known yet is measured now."""
        from companion.steps.looks.sound import model_of

        return model_of(self.desk)

    def known(self, path: str) -> Measured | None:
        """Return what is remembered of a sound file, without measuring anything."""
        from companion.sound.measures.batch import known_measures
        from companion.sound.measures.versions import CLICKS, LEVELS, LOOPS

        sha = bytes.fromhex(self.entry(path).sha256)
        return known_measures(self.desk.cache, [sha], [LEVELS, CLICKS, LOOPS]).get(sha) if sha else None

    def read(self, path: str, start: int, count: int) -> bytes:
        """Return up to ``count`` bytes of a file of the folder from ``start`` on."""
        self.entry(path)
        with explained("read the file", self.desk.folder / path), buffered(self.desk.folder / path) as stream:
            stream.seek(start)
            return stream.read(count)

    def bounce(self, path: str, finding: Finding | None) -> tuple[JudgedBounce, bytes | None]:
        """Return the bounce a finding was made in, the one of that name, or the latest; and its file, if it is here."""
        from companion.steps.looks.bounces import bounces, details_of

        judged = bounces(self.desk)
        name = path.replace("\\", "/").rpartition("/")[2]
        chosen = [one for one in judged if finding and any(_same(finding, other) for other in one.findings)]
        chosen = chosen or [one for one in judged if name and details_of(one).bounce.file == name]
        chosen = chosen or ([] if name else list(judged))
        if not chosen:
            what = "No bounce of that name counts" if name else "No bounce of this content was judged yet"
            raise CompanionError(what, name, "bounce the performance, then: companion judge FOLDER BOUNCE")
        bounce = details_of(chosen[-1]).bounce
        file = self.desk.places.bounces / bounce.file
        there = not file.is_symlink() and file.is_file() and "/" not in bounce.file
        return bounce, os.fsencode(file) if there else None

    def file(self, path: str) -> bytes:
        """Return where a file of the folder lies, as a process is told it."""
        self.entry(path)
        return os.fsencode(self.desk.folder / path)


def _same(one: Finding, other: Finding) -> bool:
    """Tell whether two findings are one, waived or not."""
    return (one.rule, one.at, one.measured) == (other.rule, other.at, other.measured)
