"""The companion's real commands over a small instrument, in this process and as programs of their own."""

from __future__ import annotations

import array
import json
import math
import os
import shutil
import stat
import subprocess
import sys
import wave
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from tests.awkward.sent import LAYER, Sent

FACTS = """\
[instrument]
title = "Slate Choir"
version = "1.0"
maker = "Quay Room"
summary = "Slabs of slate, struck."
contact = "https://quay-room.example"
licence = "CC0-1.0"
rights = "Everything was recorded by Quay Room."
without = ["controls"]

[engine]
name = "Example Engine"
edition = "any"
saved_with = "7.1"
minimum = "7.1"

[contents]
patches = ["Slate.eeng"]
include = ["**", "Samples/**", "*.txt"]
"""


class Result(NamedTuple):
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    @property
    def rules(self) -> set[tuple[str, str]]:
        """Rule and path of everything that blocks."""
        return self._blocking(self.json["findings"])

    def rules_of(self, part: str) -> set[tuple[str, str]]:
        """The same, of one part of the object, such as ``archive``."""
        return self._blocking(self.json[part]["findings"])

    @staticmethod
    def _blocking(findings: list[dict[str, Any]]) -> set[tuple[str, str]]:
        return {(f["rule"], f["path"]) for f in findings if f["severity"] == "blocks"}


@pytest.fixture
def companion(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Run ``companion ARG ...`` in this process and return what a shell would see."""
    from companion.cli.base import main

    def run(*args: object) -> Result:
        capsys.readouterr()
        monkeypatch.setattr("sys.argv", ["companion", *map(str, args)])
        with pytest.raises(SystemExit) as left:
            main()
        out, err = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return Result(left.value.code, out, err)

    return run


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start ``companion ARG ...`` as a program of its own, with a place of its own for temporary files."""
    begun = []
    (tmp_path / "tmp").mkdir()

    def run(*args: object, before: tuple[str, ...] = (), **more: Any) -> subprocess.Popen[str]:
        environment = {**os.environ, "TMPDIR": str(tmp_path / "tmp"), **more.pop("env", {})}
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "encoding": "utf-8"}
        command = [*before, sys.executable, "-m", "companion", *map(str, args)]
        started = subprocess.Popen(command, env=environment, **{**pipes, **more})
        begun.append(started)
        return started

    yield run
    for one in begun:
        if one.poll() is None:
            one.kill()
        one.communicate()


@pytest.fixture
def shell(begin: Callable[..., Any]) -> Callable[..., Result]:
    """Run ``companion ARG ...`` as a program of its own to its end."""

    def run(*args: object, **more: Any) -> Result:
        done = begin(*args, **more)
        out, err = done.communicate(timeout=120)
        return Result(done.returncode, out, err)

    return run


@pytest.fixture
def injecting(installed: Callable[[str, str], str]) -> Callable[..., tuple[str, ...]]:
    """``injecting(calls, what, when)``: what to put before ``companion`` so that system calls fail, or it is killed.

    what: as strace has it: ``error=EIO``, ``signal=KILL``. when: at which call of a thread. paths: on these only. log:
    tells afterwards whether it came to that.
    """
    strace = installed("strace", "strace")
    # The same call by a path and from an open folder.
    twins = {"rename": "rename,renameat,renameat2", "unlink": "unlink,unlinkat", "mkdir": "mkdir,mkdirat"}

    def before(calls: str, what: str, when: object, *paths: Path, log: str = os.devnull) -> tuple[str, ...]:
        named = [part for path in paths for part in ("-P", str(path))]
        return (strace, "-f", "-qq", "-o", log, *named, "-e", f"inject={twins.get(calls, calls)}:{what}:when={when}")

    return before


@pytest.fixture
def one_line() -> Callable[..., None]:
    """Fail unless a run ended with one line for a person, which holds all of ``words``."""

    def check(result: Result, *words: object, code: int = 2) -> None:
        assert result.code == code, result
        assert result.out == ""
        assert len(result.err.splitlines()) == 1, result.err
        for word in words:
            assert str(word) in result.err

    return check


def _tone(path: Path, frequency: float) -> None:
    """A quarter of a second of a sine, 16 bits, faded in and out."""
    frames = 11025
    values = (
        round(12000 * min(1, n / 200, (frames - n) / 4000) * math.sin(2 * math.pi * frequency * n / 44100))
        for n in range(frames)
    )
    with wave.open(str(path), "wb") as out:
        out.setparams((1, 2, 44100, 0, "NONE", ""))
        out.writeframes(array.array("h", values).tobytes())


@pytest.fixture(scope="session")
def tones(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("tones")
    made = {}
    for name, frequency in (("C4", 261.63), ("E4", 329.63), ("G4", 392.0)):
        _tone(folder / name, frequency)
        made[name] = (folder / name).read_bytes()
    return made


@pytest.fixture
def instrument(tmp_path: Path, tones: dict[str, bytes]) -> Path:
    """A clean instrument of three samples in which nothing blocks but what nobody has done yet."""
    folder = tmp_path / "Slate Choir"
    (folder / "Samples").mkdir(parents=True)
    for name, data in tones.items():
        (folder / "Samples" / f"slate_{name}.wav").write_bytes(data)
    (folder / "Slate.eeng").write_bytes(b"\0".join(b"Samples/slate_%s.wav" % n.encode() for n in tones) + b"\0\1\2")
    (folder / "Licence.txt").write_text("CC0 1.0\n", encoding="utf-8")
    (folder / "release.toml").write_text(FACTS, encoding="utf-8", newline="\n")
    return folder


@pytest.fixture(scope="session")
def kit_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the packed instrument and its kit are kept once they have been made."""
    return tmp_path_factory.mktemp("kit") / "once"


@pytest.fixture
def packed(instrument: Path, companion: Callable[..., Result], kit_once: Path) -> Path:
    """The instrument with its keys stated and its archive packed, and a kit of it in a folder beside it."""
    out = instrument.parent / "kits"
    if kit_once.exists():
        shutil.rmtree(instrument)
        shutil.copytree(kit_once / "kits", out)
        return shutil.copytree(kit_once / "folder", instrument)
    facts = instrument / "release.toml"
    facts.write_text(facts.read_text("utf-8") + LAYER, encoding="utf-8", newline="\n")
    assert companion("pack", instrument).code in (0, 1)
    assert companion("kit", instrument, "--for", "Ada", "--out", out).code == 0
    kit_once.mkdir()
    shutil.copytree(instrument, kit_once / "folder")
    shutil.copytree(out, kit_once / "kits")
    return instrument


@pytest.fixture
def kit_file(packed: Path) -> Path:
    """The kit, as it was sent to Ada."""
    (path,) = (packed.parent / "kits").iterdir()
    return path


@pytest.fixture
def sent(kit_file: Path, tmp_path: Path) -> Sent:
    """The kit at Ada's, unzipped."""
    return Sent(kit_file, tmp_path / "helper")


@pytest.fixture(scope="session")
def rendered(standin: Any) -> Callable[..., bytes]:
    """``rendered(midi, **faults)``: the bounce of a performance by the stand-in host, as a WAV file; each made once."""
    made: dict[str, bytes] = {}

    def render(midi: bytes, **faults: Any) -> bytes:
        import io

        import soundfile

        name = repr((midi, sorted(faults.items())))
        if name not in made:
            instrument = standin.Made("organ", seed=5, rate=22_050, takes=1)
            sound = standin.render(midi, instrument, faults=standin.Faults(**faults))
            out = io.BytesIO()
            soundfile.write(out, sound, 22_050, subtype="PCM_16", format="WAV")
            made[name] = out.getvalue()
        return made[name]

    return render


@pytest.fixture
def bounce(rendered: Callable[..., bytes], sent: Sent, tmp_path: Path) -> Callable[..., Path]:
    """``bounce(**faults)``: what Ada's host makes of the performance in the kit."""

    def make(**faults: Any) -> Path:
        path = tmp_path / "there.wav"
        path.write_bytes(rendered((sent.folder / "Slate Choir 1.0 keys.mid").read_bytes(), **faults))
        return path

    return make


@pytest.fixture
def releasable(instrument: Path, companion: Callable[..., Result]) -> Path:
    """The instrument with all steps before the release proven, its archive packed."""
    told = ("--engine-version", "7.1", "--edition", "any", "--who", "Ada", "--system", "Linux", "--played", "all keys")
    companion("away", instrument, "--kind", "another player", "--result", "pass", *told)
    for text in ("changelog", "readme", "page"):
        companion("draft", instrument, text, "--write")
    companion("check", instrument)
    packed = companion("pack", instrument, "--json")
    assert not packed.json["archive"]["candidate"], packed
    return instrument


@pytest.fixture
def update_due(releasable: Path, companion: Callable[..., Result]) -> Path:
    """The instrument released as 1.0, and after that raised to 1.1 with one file changed and one more."""
    assert companion("release", releasable).code == 0
    facts = releasable / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('version = "1.0"', 'version = "1.1"'), "utf-8", newline="\n")
    (releasable / "Licence.txt").write_text("CC0 1.0, all of it\n", encoding="utf-8")
    (releasable / "Thanks.txt").write_text("To the quarry.\n", encoding="utf-8")
    return releasable


def _one(path: Path) -> tuple[object, ...]:
    mode = path.lstat().st_mode
    if stat.S_ISLNK(mode):
        return ("link", str(path.readlink()))
    return ("file", path.read_bytes(), mode & 0o111) if stat.S_ISREG(mode) else ("no file", stat.S_IFMT(mode))


@pytest.fixture
def makers() -> Callable[[Path], dict[str, tuple[object, ...]]]:
    """Everything in a folder but what is the companion's own: kinds, bytes, links, executable bits."""

    def read(folder: Path) -> dict[str, tuple[object, ...]]:
        return {
            path.relative_to(folder).as_posix(): _one(path)
            for path in folder.rglob("*")
            if path.relative_to(folder).parts[0] not in (".companion", "releases")
        }

    return read


@pytest.fixture
def fsck() -> Callable[[Path], None]:
    """Fail unless plain git finds nothing at all to say about a folder's history."""

    def check(folder: Path) -> None:
        history = folder / ".companion" / "history.git"
        if not (history / "packed-refs").exists() or "refs/" not in (history / "packed-refs").read_text("utf-8"):
            return  # there is no snapshot yet
        clean = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
        done = subprocess.run(
            ["git", "--git-dir", history, "fsck", "--full", "--strict", "--no-dangling"],
            env=clean,
            capture_output=True,
            text=True,
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")

    return check


Mount = Callable[..., None]


@pytest.fixture
def mount() -> Iterator[Mount]:
    """Mount something for the length of a test; the test is skipped where that is not allowed."""
    mounted = []

    def run(place: Path, *options: str) -> None:
        done = subprocess.run(["mount", *options, place], capture_output=True, text=True) if _is_root() else None
        if done is None or done.returncode:
            pytest.skip("nothing can be mounted here")
        if place not in mounted:
            mounted.append(place)

    yield run
    for place in reversed(mounted):
        subprocess.run(["umount", "--lazy", place], check=False, capture_output=True)


@pytest.fixture
def fill() -> Callable[[Path, int], None]:
    """``fill(disk, leave)``: fill a disk up but for so many bytes; removing ``filler`` from it frees it again."""

    def run(disk: Path, leave: int) -> None:
        with (disk / "filler").open("wb", buffering=0) as stream:
            try:
                while True:
                    stream.write(b"x" * 4096)
            except OSError:
                stream.truncate(max(0, stream.tell() - leave))

    return run


def _is_root() -> bool:
    return sys.platform == "linux" and os.geteuid() == 0
