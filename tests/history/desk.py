"""A plain model of a folder and its snapshots (dicts of bytes), and a maker who works in one."""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from companion.history.history import History
from companion.history.store import snapshot_list

MARKS = [
    pytest.mark.usefixtures("quick"),
    pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse some of these names"),
]

Entry = tuple[Any, ...]
"""("file", bytes, whether it may be run), ("link", target as bytes) or ("folder",)."""
State = dict[str, Entry]

FOLDER: Entry = ("folder",)
OURS = ".companion"
NAMES = (
    "a",
    "A",
    "b c",
    "\u00e9",
    "e\u0301",
    "x\\y",
    "x:y",
    "new\nline",
    os.fsdecode(b"caf\xe9"),
    "-rf",
    "z.wav",
    "$[~",
)
TARGETS = (b"a", b"../..", b"/", b"b c/a", b"caf\xe9", b"nowhere")
UNKEPT = ("releases/v1.zip", f"{OURS}/bounces/b.wav", ".git/HEAD", "a/.git/HEAD", "A/.git/config")
EVIDENCE = (f"{OURS}/evidence/a", f"{OURS}/evidence/a/b", f"{OURS}/reports/a", f"{OURS}/reports/new\nline/c")
LABELS = {"": "", "good": "good", "größer\n als": "größer als", "a\u202eb": "a\\u202eb", "tab\there": "tab here"}
VERSIONS = ("1.0", "1.1", "2.0", "2.0-rc1")

contents = st.one_of(
    st.sampled_from([b"", b"x", b"y", b"one\ntwo\n", b"PATCH\0\xff"]),
    st.builds(lambda seed, size: Random(seed).randbytes(size), st.integers(0, 5), st.sampled_from([700, 9000])),
)
places = st.lists(st.sampled_from(NAMES), min_size=1, max_size=3).map("/".join)
anywhere = places | st.sampled_from(("release.toml", *EVIDENCE))


class Snap(NamedTuple):
    """One snapshot as the model has it: files and links by path, and the folders that hold nothing."""

    label: str
    kind: str
    files: State
    empty: tuple[str, ...]

    @property
    def folders(self) -> set[str]:
        return {above for path in (*self.files, *self.empty) for above in parents(path)} | {*self.empty}


def parents(path: str) -> Iterator[str]:
    while path := path.rpartition("/")[0]:
        yield path


def below(path: str, folder: str) -> bool:
    return path == folder or path.startswith(folder + "/")


def is_kept(path: str) -> bool:
    parts = path.split("/")
    ours = parts[0] != OURS or (len(parts) > 1 and parts[1] in ("evidence", "reports"))
    return ours and ".git" not in parts and parts[0] != "releases"


def within(path: str, only: tuple[str, ...]) -> bool:
    return not only or any(below(path, one) for one in only)


def data_of(entry: Entry) -> bytes:
    return bytes(entry[1])


def kept(entry: Entry) -> tuple[str, int, int]:
    data = data_of(entry)
    mode = 0o120000 if entry[0] == "link" else 0o100755 if entry[2] else 0o100644
    return blob_of(entry).hex(), len(data), mode


def blob_of(entry: Entry) -> bytes:
    data = data_of(entry)
    return hashlib.sha1(b"blob %d\0%s" % (len(data), data), usedforsecurity=False).digest()


def snapped(state: State) -> tuple[State, tuple[str, ...]]:
    """What a snapshot of a folder holds: its files, and the folders with nothing kept in them."""
    there = {path: entry for path, entry in state.items() if is_kept(path)}
    holding = {path.rpartition("/")[0] for path in there}
    empty = sorted(path for path, entry in there.items() if entry == FOLDER and path not in holding)
    return {path: entry for path, entry in there.items() if entry != FOLDER}, tuple(empty)


def on_disk(root: Path) -> State:
    """Everything in a folder but the companion's own machinery."""
    found: State = {}
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        with os.scandir(root / folder) as entries:
            for one in entries:
                path = f"{folder}/{one.name}" if folder else one.name
                if folder == OURS and one.name not in ("evidence", "reports", "bounces"):
                    continue
                if one.is_symlink():
                    found[path] = ("link", os.fsencode(os.readlink(one.path)))  # noqa: PTH115
                elif one.is_dir():
                    waiting.append(path)
                    if path != OURS:
                        found[path] = FOLDER
                else:
                    found[path] = ("file", Path(one.path).read_bytes(), bool(one.stat().st_mode & 0o100))
    return found


class Expected(NamedTuple):
    state: State
    written: set[str]
    removed: set[str]
    failed: set[str]


def restored(now: State, snap: Snap, only: tuple[str, ...] = ()) -> Expected:
    """What a restore makes of a folder, told without a thought of how."""
    state, done = dict(now), Expected({}, set(), set(), set())

    def may_go(path: str) -> bool:
        return is_kept(path) and within(path, only) and not path.startswith(OURS)

    for path, entry in now.items():
        if entry != FOLDER and may_go(path) and path not in snap.files:
            del state[path]
            done.removed.add(path)
    for path in sorted(now, reverse=True):
        holds = any(one.startswith(path + "/") for one in state)
        if now[path] == FOLDER and may_go(path) and path not in snap.folders and not holds:
            del state[path]
    for path, entry in [*snap.files.items(), *((one, FOLDER) for one in snap.empty)]:
        there = state.get(path)
        if not within(path, only) or there == entry or (path.startswith(OURS) and there and there != FOLDER != entry):
            continue
        if (
            there == FOLDER
            or (there and entry == FOLDER)
            or any(state.get(one, FOLDER) != FOLDER for one in parents(path))
        ):
            done.failed.add(path)
            continue
        state.update({one: FOLDER for one in parents(path) if one != OURS})
        state[path] = entry
        if entry != FOLDER:
            done.written.add(path)
    return done._replace(state=state)


class Desk(RuleBasedStateMachine):
    """A maker at work in a folder, with two programs that have its history open."""

    def __init__(self, place: Path, counts: Counter[str], git: Callable[..., str]) -> None:
        super().__init__()
        self.place, self.counts, self.git = Path(tempfile.mkdtemp(dir=place)), counts, git
        self.fresh = iter(range(10**6))
        self.now: State = {}
        self.snaps: dict[int, Snap] = {}
        self.releases: dict[str, int] = {}
        self.last = 0
        self.move_in(self.place / "home")
        counts["runs"] += 1

    def move_in(self, root: Path) -> None:
        self.root, self.now = root, {}
        root.mkdir(exist_ok=True)
        self.hands = [History(root), History(root)]

    @property
    def store(self) -> Path:
        return self.root / OURS / "history.git"

    def at(self, path: str) -> Path:
        return self.root / path

    def new_place(self) -> Path:
        return self.place / f"{next(self.fresh)}"

    def pick(self, data: st.DataObject, what: Any) -> Any:
        return data.draw(st.sampled_from(sorted(what)))

    def hand(self, data: st.DataObject) -> History:
        return self.hands[data.draw(st.integers(0, 1))]

    def teardown(self) -> None:
        for hand in self.hands:
            hand.close()
        shutil.rmtree(self.place)

    # What the maker does ------------------------------------------------------------------------------------------

    def clear(self, path: str) -> None:
        """Take away whatever lies at a path."""
        place = self.at(path)
        if place.is_symlink() or place.is_file():
            place.unlink()
        elif place.exists():
            shutil.rmtree(place)
        self.now = {one: entry for one, entry in self.now.items() if not below(one, path)}

    def make_room(self, path: str) -> None:
        """Make the folders above a path, in place of any file or link that is in the way."""
        for above in reversed([*parents(path)]):
            if self.now.get(above, FOLDER) != FOLDER:
                self.clear(above)
            self.at(above).mkdir(exist_ok=True)
            if above != OURS:
                self.now[above] = FOLDER

    def put(self, path: str, data: bytes, *, anew: bool = False) -> None:
        there = self.now.get(path)
        if there and (anew or there[0] != "file"):
            self.clear(path)
            there = None
        self.make_room(path)
        self.at(path).write_bytes(data)
        if not there:
            self.at(path).chmod(0o644)
        self.now[path] = ("file", data, bool(there and there[2]))

    def files(self, kinds: tuple[str, ...] = ("file",)) -> list[str]:
        return [path for path, entry in self.now.items() if entry[0] in kinds]

    @initialize(some=st.dictionaries(places, contents, max_size=5))
    def begin(self, some: dict[str, bytes]) -> None:
        for path, content in some.items():
            self.put(path, content)

    @rule(path=anywhere, content=contents, anew=st.booleans())
    def write(self, path: str, content: bytes, anew: bool) -> None:
        self.put(path, content, anew=anew)

    @rule(path=st.sampled_from(UNKEPT), content=contents)
    def write_what_is_not_kept(self, path: str, content: bytes) -> None:
        self.put(path, content)

    @precondition(lambda self: self.files())
    @rule(data=st.data(), content=contents)
    def append(self, data: st.DataObject, content: bytes) -> None:
        path = self.pick(data, self.files())
        self.put(path, data_of(self.now[path]) + content)

    @precondition(lambda self: self.files())
    @rule(data=st.data())
    def change_behind_old_times(self, data: st.DataObject) -> None:
        path = self.pick(data, self.files())
        status = self.at(path).stat()
        self.put(path, bytes(byte ^ 1 for byte in data_of(self.now[path])))
        os.utime(self.at(path), ns=(status.st_atime_ns, status.st_mtime_ns))

    @precondition(lambda self: self.now)
    @rule(data=st.data())
    def delete(self, data: st.DataObject) -> None:
        self.clear(self.pick(data, self.now))

    @precondition(lambda self: self.now)
    @rule(data=st.data(), new=anywhere, case=st.booleans())
    def rename(self, data: st.DataObject, new: str, case: bool) -> None:
        old = self.pick(data, self.now)
        if not is_kept(old):
            return
        if case and not old.startswith(OURS):
            folder, _, name = old.rpartition("/")
            new = f"{folder}/{name.swapcase()}" if folder else name.swapcase()
        if new in self.now or below(new, old) or any(below(one, old) for one in parents(new)):
            return
        self.make_room(new)
        if old not in self.now:
            return
        self.at(old).rename(self.at(new))
        moved = {path: entry for path, entry in self.now.items() if below(path, old)}
        self.now = {path: entry for path, entry in self.now.items() if path not in moved}
        self.now |= {new + path[len(old) :]: entry for path, entry in moved.items()}

    @precondition(lambda self: len(self.files()) > 1)
    @rule(data=st.data())
    def swap(self, data: st.DataObject) -> None:
        one, two = self.pick(data, self.files()), self.pick(data, self.files())
        aside = self.new_place()
        if one != two:
            self.at(one).rename(aside)
            self.at(two).rename(self.at(one))
            aside.rename(self.at(two))
            self.now[one], self.now[two] = self.now[two], self.now[one]

    @rule(path=anywhere, to=st.sampled_from(TARGETS))
    def link(self, path: str, to: bytes) -> None:
        self.make_room(path)
        self.clear(path)
        self.at(path).symlink_to(os.fsdecode(to))
        self.now[path] = ("link", to)

    @precondition(lambda self: self.files())
    @rule(data=st.data())
    def turn_bit(self, data: st.DataObject) -> None:
        path = self.pick(data, self.files())
        _, content, bit = self.now[path]
        self.at(path).chmod(0o644 if bit else 0o755)
        self.now[path] = ("file", content, not bit)

    @rule(path=anywhere)
    def folder(self, path: str) -> None:
        if self.now.get(path, FOLDER) != FOLDER:
            self.clear(path)
        self.make_room(path + "/")

    # What the history is asked for --------------------------------------------------------------------------------

    def take_of(self, data: st.DataObject, kind: str, label: str) -> Any:
        self.counts["takes"] += 1
        return self.hand(data).take(label, kind=kind, thorough=data.draw(st.booleans()))

    @rule(which=st.integers(0, 1))
    def reopen(self, which: int) -> None:
        self.hands[which].close()
        self.hands[which] = History(self.root)

    @rule(data=st.data(), how=st.sampled_from(["delete", "cut", "keep", "put back", "put back"]))
    def meddle_with_the_list(self, data: st.DataObject, how: str) -> None:
        memory, older = self.store / snapshot_list.FILE, self.place / "older list"
        if how == "put back" and older.exists() and self.store.exists():
            shutil.copyfile(older, memory)
        elif memory.exists() and how == "delete":
            memory.unlink()
        elif memory.exists() and how == "cut":
            memory.write_bytes(memory.read_bytes()[: data.draw(st.integers(0, 3000))])
        elif memory.exists():
            shutil.copyfile(memory, older)

    def some_paths(self, data: st.DataObject, snap: Snap) -> tuple[str, ...]:
        there = sorted({*snap.files, *snap.folders} - {OURS})
        return tuple(data.draw(st.lists(st.sampled_from(there), max_size=3))) if there else ()

    def version_of(self, number: int) -> str:
        return max((version for version, of in self.releases.items() if of == number), default="")

    def forgotten(self, numbers: set[int]) -> None:
        self.last = max(self.last, *self.snaps)
        self.snaps = {number: snap for number, snap in self.snaps.items() if number not in numbers}
        self.releases = {version: number for version, number in self.releases.items() if number not in numbers}

    @invariant()
    def the_folder_is_what_the_maker_and_restores_made_it(self) -> None:
        self.counts["rules"] += 1
        assert on_disk(self.root) == self.now


FEW: dict[str, Any] = {"max_examples": 12, "stateful_step_count": 25}
MANY = {"max_examples": int(os.environ.get("COMPANION_RUNS", "400")), "stateful_step_count": 50, "derandomize": False}


def drive(machine: type[Desk], place: Path, git: Callable[..., str], sizes: dict[str, Any]) -> Counter[str]:
    """Run a machine and return what it did. COMPANION_SHRINK=1 makes a failure short, which takes minutes."""
    counts: Counter[str] = Counter()
    phases = [Phase.generate, *([Phase.shrink] if "COMPANION_SHRINK" in os.environ else [])]
    chosen = settings(database=None, suppress_health_check=[*HealthCheck], phases=phases, **sizes)
    made: Any = lambda: machine(place, counts, git)  # noqa: E731
    run_state_machine_as_test(made, settings=chosen)
    return counts
