"""The companion as one file, with no Python and no git beside it: it is quick, its workers work, and nothing is left.

    python -m pytest tests/awkward/test_one_file.py -m one_file -n 0 -s

builds it first, a minute or two; ``COMPANION_ONE_FILE=FILE`` before it tries one that is built already.
"""

from __future__ import annotations

import json
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest

from companion.core.folder import TEMPLATES

pytestmark = [pytest.mark.slow, pytest.mark.one_file]
POSIX = pytest.mark.skipif(os.name == "nt", reason="a terminal of this kind is POSIX")
ROOT = Path(__file__).resolve().parents[2]
LARGEST, SOONEST, PAINTED = 60_000_000, 0.7, 1.5


@pytest.fixture(scope="session")
def one_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    if known := os.environ.get("COMPANION_ONE_FILE"):
        return Path(known).resolve()
    out = tmp_path_factory.mktemp("one file")
    subprocess.run(["uv", "build", "-q", "--wheel", "-o", out / "wheel", ROOT], check=True)
    (wheel,) = (out / "wheel").glob("*.whl")
    subprocess.run([sys.executable, ROOT / ".ci" / "one_file.py", wheel, out / "built"], check=True)
    (built,) = (out / "built").iterdir()
    return built


class Newcomer:
    """Somebody with the one file and nothing else: an empty environment, and a temporary folder to be looked into."""

    def __init__(self, place: Path, one_file: Path) -> None:
        self.who: dict[str, Any] = {}  # whose processes they are, where that is somebody else's
        self.place, self.program = place, place / one_file.name
        shutil.copy2(one_file, self.program)
        self.temporary = place / "tmp"
        for folder in ("tmp", "home", "nothing"):
            (place / folder).mkdir()
        self.environment = {
            **{name: os.environ[name] for name in ("SYSTEMROOT", "WINDIR") if name in os.environ},
            **dict.fromkeys(("HOME", "USERPROFILE"), str(place / "home")),
            **dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(self.temporary)),
            "PATH": str(place / "nothing"),
            "COMPANION_SOUND": "none",
        }

    def run(self, *words: object, code: int = 0) -> str:
        done = subprocess.run(
            [self.program, *map(str, words)],
            cwd=self.place,
            env=self.environment,
            capture_output=True,
            timeout=300,
            **self.who,
        )
        assert done.returncode == code, (words, done.returncode, done.stdout[-2000:], done.stderr[-2000:])
        assert b"Traceback" not in done.stderr
        self.leaves_nothing()
        said: str = done.stdout.decode("utf-8")
        return said

    def told(self, *words: object, code: int = 0) -> Any:
        return json.loads(self.run(*words, "--json", code=code))

    def leaves_nothing(self) -> None:
        until = time.monotonic() + 10
        while (left := [*self.temporary.iterdir(), *self.processes()]) and time.monotonic() < until:
            time.sleep(0.05)
        assert left == []

    def processes(self) -> list[psutil.Process]:
        """Every process of this program: the loader, the companion and its workers."""
        return [one for one in psutil.process_iter(["exe"]) if (one.info["exe"] or "").startswith(str(self.place))]


@pytest.fixture
def newcomer(tmp_path: Path, one_file: Path) -> Iterator[Newcomer]:
    somebody = Newcomer(tmp_path, one_file)
    yield somebody
    for one in somebody.processes():
        one.kill()


@pytest.fixture
def slate(newcomer: Newcomer) -> Path:
    newcomer.run("demo", "slate")
    return newcomer.place / "slate"


class Terminal:
    """The program in a terminal of 80 by 24."""

    def __init__(self, newcomer: Newcomer, *words: object) -> None:
        import fcntl
        import pty
        import struct
        import termios

        self.outer, inner = pty.openpty()
        whose = "import os,sys,fcntl,termios;fcntl.ioctl(0,termios.TIOCSCTTY,0);os.execv(sys.argv[1],sys.argv[1:])"
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.began = time.perf_counter()
        self.process = subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", whose, newcomer.program, *map(str, words)],
            cwd=newcomer.place,
            env={**newcomer.environment, "TERM": "xterm-256color", "COLORFGBG": "15;0", "LANG": "C.UTF-8"},
            stdin=inner,
            stdout=inner,
            stderr=inner,
            start_new_session=True,
        )
        os.close(inner)
        self.seen = ""

    def wait_for(self, *texts: str, seconds: float = 60) -> float:
        """Wait until all of that has come, and return the seconds since the start."""
        until = time.monotonic() + seconds
        while not all(text in self.seen for text in texts):
            assert time.monotonic() < until, (texts, self.seen[-3000:])
            if not self.read():
                break
        assert all(text in self.seen for text in texts), (texts, self.seen[-3000:])
        return time.perf_counter() - self.began

    def read(self) -> bool:
        """Read what has come; False once nothing comes any more."""
        if not select.select([self.outer], [], [], 0.02)[0]:
            return True
        try:
            data = os.read(self.outer, 65_536)
        except OSError:  # nobody is at the other end any more
            return False
        if b"\x1b[c" in data:  # it asks what kind of terminal this is
            os.write(self.outer, b"\x1b[?1;2c")
        self.seen += re.sub(r"\x1b\[[0-9;?<>=$]*[a-zA-Z]", "", data.decode("utf-8", "replace"))
        return bool(data)

    def press(self, keys: str) -> None:
        self.seen = ""
        os.write(self.outer, keys.encode())

    def ends(self, seconds: float = 30) -> int:
        until = time.monotonic() + seconds
        while self.process.poll() is None and time.monotonic() < until and self.read():
            pass
        code = self.process.wait(max(1.0, until - time.monotonic()))
        os.close(self.outer)
        return code


def best_of(times: int, taken: Callable[[], float]) -> float:
    return min(taken() for _ in range(times))


def test_it_is_small_and_says_its_version_at_once(newcomer: Newcomer) -> None:
    size = newcomer.program.stat().st_size

    def version() -> float:
        began = time.perf_counter()
        newcomer.run("--version")
        return time.perf_counter() - began

    seconds = best_of(5, version)
    print(f"\n{size / 1e6:.1f} MB (at most {LARGEST / 1e6:.0f}); --version {seconds:.2f} s (at most {SOONEST})")
    assert size <= LARGEST
    assert seconds <= SOONEST


def test_every_part_is_listed_with_its_licence(newcomer: Newcomer) -> None:
    rows = {row.split()[0].lower(): row for row in newcomer.run("--licences").splitlines() if row}
    assert {"release-companion", "numpy", "textual", "soundfile", "python", "pyinstaller"} <= rows.keys()
    assert not [row for row in rows.values() if "GPL" in row and "exception" not in row.lower()]
    texts = newcomer.run("--licences", "texts")
    assert texts.count("PYTHON SOFTWARE FOUNDATION LICENSE") >= 1
    assert "GNU LESSER GENERAL PUBLIC LICENSE" in texts.upper(), "of the decoder"


def test_what_it_finds_is_what_is_found_from_source(newcomer: Newcomer, slate: Path) -> None:
    other = newcomer.place / "other"
    shutil.copytree(slate, other)
    ours = json.loads(newcomer.run("check", slate, "--json", code=1))
    done = subprocess.run(
        [sys.executable, "-m", "companion", "check", other, "--json"], cwd=ROOT, capture_output=True, timeout=300
    )
    assert (done.returncode, json.loads(done.stdout)) == (1, ours)
    assert {"clipped", "reference-missing", "path-home"} <= {one["rule"] for one in ours["findings"]}


def test_snapshots_are_kept_and_brought_back(newcomer: Newcomer, slate: Path) -> None:
    before = {path: path.read_bytes() for path in slate.rglob("*") if path.is_file()}
    newcomer.run("snapshot", slate, "-m", "first")
    assert "Whole." in newcomer.run("snapshots", slate, "--verify")
    for path in (slate / "Samples").rglob("*.wav"):
        path.unlink()
    newcomer.run("restore", slate, "1")
    assert {path: path.read_bytes() for path in before} == before
    newcomer.run("mirror", slate, newcomer.place / "mirror")
    refused = "needs git, which is not installed"
    done = subprocess.run(
        [newcomer.program, "mirror", slate, "ssh://nobody.example/there"],
        env=newcomer.environment,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr.count("\n"), refused in done.stderr) == (2, 1, True)


def test_every_worker_works(newcomer: Newcomer, slate: Path) -> None:
    sample = next((slate / "Samples").rglob("struck*.wav")).relative_to(slate)
    assert "dBFS" in newcomer.run("measure", slate / sample)
    assert "▁" in newcomer.run("show", slate, sample, "--width", "70") or "dB" in newcomer.run("show", slate, sample)
    assert "Played" in newcomer.run("play", slate, sample, "--for", "0.1")
    templates = slate / TEMPLATES
    templates.mkdir(parents=True)
    (templates / "page.txt.jinja").write_text("Mine: {{ title }}", encoding="utf-8")
    assert newcomer.run("draft", slate, "page", "--format", "txt", code=1) == "Mine: Slate Choir\n"


@POSIX
def test_the_app_is_painted_soon_and_quits_without_a_trace(newcomer: Newcomer, slate: Path) -> None:
    def painted() -> float:
        terminal = Terminal(newcomer, slate)
        seconds = terminal.wait_for("Facts", "Archive")
        terminal.wait_for("proven")
        terminal.press("q")
        assert terminal.ends() == 0
        newcomer.leaves_nothing()
        return seconds

    seconds = best_of(4, painted)
    print(f"\nfirst paint {seconds:.2f} s (at most {PAINTED})")
    assert seconds <= PAINTED


@POSIX
def test_the_app_checks_stops_and_quits_while_it_works(newcomer: Newcomer, slate: Path) -> None:
    heap_up(slate)
    terminal = Terminal(newcomer, slate)
    terminal.wait_for("proven")
    terminal.press("a")
    until(lambda: terminal.read() and len(newcomer.processes()) > 2)
    terminal.press("c")
    until(lambda: terminal.read() and len(newcomer.processes()) <= 2)
    terminal.press("a")
    until(lambda: terminal.read() and len(newcomer.processes()) > 2)
    terminal.press("q")
    terminal.wait_for("Stop it and quit")
    terminal.press("y")
    assert terminal.ends() == 0
    newcomer.leaves_nothing()


@POSIX
def test_a_worker_that_may_not_start_is_told_as_ours(newcomer: Newcomer, slate: Path) -> None:
    terminal = Terminal(newcomer, slate)
    terminal.wait_for("proven")
    newcomer.program.chmod(0o400)
    terminal.press("a")
    terminal.wait_for("does not start")
    assert "crashed" not in terminal.seen
    terminal.press("\x11")
    assert terminal.ends() == 0
    newcomer.leaves_nothing()


@POSIX
def test_ctrl_c_stops_it_cleanly(newcomer: Newcomer, slate: Path) -> None:
    heap_up(slate)
    terminal = Terminal(newcomer, "check", slate)
    until(lambda: len(newcomer.processes()) > 2)
    terminal.press("\x03")
    assert terminal.ends() == 130
    assert "Traceback" not in terminal.seen
    newcomer.leaves_nothing()


@POSIX
@pytest.mark.parametrize("killed", ["the companion", "a worker", "all but the loader"])
def test_a_kill_leaves_nothing_in_the_temporary_folder(newcomer: Newcomer, slate: Path, killed: str) -> None:
    heap_up(slate)
    running = subprocess.Popen(
        [newcomer.program, "check", slate],
        env=newcomer.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    until(lambda: len(newcomer.processes()) > 2)
    (companion,) = psutil.Process(running.pid).children()
    workers = companion.children()
    for one in {"the companion": [companion], "a worker": workers[:1]}.get(killed, [companion, *workers]):
        one.send_signal(signal.SIGKILL)
    _, err = running.communicate(timeout=120)
    assert "Traceback" not in err
    assert (running.returncode == 1) is (killed == "a worker")
    newcomer.leaves_nothing()


@pytest.fixture
def nobody(one_file: Path) -> Iterator[Newcomer]:
    """Somebody else than who runs the tests, without rights, where that can be played."""
    place = Path(tempfile.mkdtemp()).resolve()
    somebody = Newcomer(place, one_file)
    somebody.environment["LC_ALL"] = "C"
    yield somebody
    shutil.rmtree(place)


def give_away(somebody: Newcomer) -> None:
    """Let all that is there be theirs, and what they start run as them."""
    if os.name != "nt" and os.geteuid() == 0:
        number = 65_534
        for path in (somebody.place, *somebody.place.rglob("*")):
            os.chown(path, number, number)
        somebody.who = {"user": number, "group": number, "extra_groups": []}


def test_from_the_first_start_to_a_released_archive(nobody: Newcomer, mend_demo: Callable[..., None]) -> None:
    """By plain commands; what a maker does in an editor and a sampler is done on the disk."""
    give_away(nobody)
    assert "companion demo DIR" in nobody.run()
    nobody.run("demo", "slate")
    slate = nobody.place / "slate"
    assert nobody.told("status", slate, code=1)["steps"][0]["state"] == "failing"
    nobody.run("snapshot", slate, "-m", "as it came")
    nobody.run("check", slate, code=1)
    mend_demo(slate)
    give_away(nobody)
    nobody.run("check", slate, code=1)
    for view in nobody.told("trials", slate)["trials"]:
        nobody.run("answer", slate, view["trial"]["id"], "pass")
    away = ("--who", "Ada", "--engine-version", "7.2.1", "--result", "pass", "--system", "Windows 11")
    nobody.run("away", slate, "--kind", "another player", *away, "--edition", "any", "--played", "all keys")
    for text in ("changelog", "readme", "page"):
        nobody.run("draft", slate, text, "--write")
    nobody.run("check", slate)
    archive = Path(nobody.told("pack", slate)["archive"]["path"])
    nobody.run("release", slate)
    assert {step["state"] for step in nobody.told("status", slate)["steps"]} == {"proven"}
    shutil.copy(archive, nobody.place / "downloaded.zip")
    nobody.run("upload", slate, "downloaded.zip")
    nobody.run("prove", "downloaded.zip")
    assert "Slate Choir" in nobody.run("releases", slate)
    nobody.run("sheet", slate)
    nobody.run("restore", slate, "1", "--into", "before")
    assert not (nobody.place / "before" / "releases").exists()
    if nobody.who:
        assert {path.stat().st_uid for path in slate.rglob("*")} == {65_534}


def heap_up(slate: Path) -> None:
    """Add recordings, so that there is time to stop."""
    source = next((slate / "Samples").rglob("struck*.wav"))
    for number in range(400):
        data = bytearray(source.read_bytes())
        data[-2:] = number.to_bytes(2, "little")
        (slate / "Samples" / f"more {number}.wav").write_bytes(data)


def until(happens: Callable[[], Any], seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while not happens():
        assert time.monotonic() < end
        time.sleep(0.01)
