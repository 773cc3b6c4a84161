"""Kits, forms, bounces and reports, changed at random: each costs one line at the most, and harms nothing.

A kit comes to a helper, a form or a zip with a bounce comes back, and a report lies in the folder as somebody left it.
The quick suite takes some of each; ``-m campaign`` takes 1,000 of each, in four pieces, and prints how they ended.
"""

from __future__ import annotations

import json
import random
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.awkward.sent import Sent

QUICK = 12
MANY = 1_000
_TEXTS = (
    b"Answer: no",
    b"Kit 0000-0000-0000",
    b"../../evil.txt",
    b"\x1b[2J",
    b"\xff\xfe",
    b"\0" * 9,
    b"4. Did the",
    b"= 7\n",
)


def mutated(data: bytes, draw: random.Random) -> bytes:
    """Change bits, take bytes out, put some in, cut the end off, double a stretch; once or many times."""
    spoilt = bytearray(data)
    for _ in range(draw.choice((1, 1, 2, 5, 40))):
        at = draw.randrange(len(spoilt) or 1)
        match draw.randrange(6):
            case 0 if spoilt:
                spoilt[at] ^= 1 << draw.randrange(8)
            case 1:
                del spoilt[at : at + draw.randrange(1, 60)]
            case 2:
                spoilt[at:at] = draw.randbytes(draw.randrange(1, 20))
            case 3:
                spoilt[at:at] = draw.choice(_TEXTS)
            case 4 if draw.randrange(4) == 0:
                del spoilt[at:]
            case _:
                spoilt[at:at] = spoilt[at : at + draw.randrange(1, 200)]
    return bytes(spoilt) or b"\0"


class Field:
    """Where it happens: a maker's folder, a helper's, and all around them that nothing may be written to."""

    def __init__(self, folder: Path, sent: Sent, companion: Any, place: Path, sound: Path) -> None:
        self.folder, self.sent, self.companion, self.place, self.sound = folder, sent, companion, place, sound
        self.told: Counter[str] = Counter()
        self._before = folder.parent / "before"
        shutil.copytree(folder, self._before)
        self._around = self._names()

    def _names(self) -> list[Path]:
        ours = (self.folder, self._before, self.place)
        around = (one for one in self.folder.parent.rglob("*") if not any(one.is_relative_to(own) for own in ours))
        return sorted(one for one in around if one.parent != self.sent.place)

    def run(self, *words: object) -> Any:
        """Run a command and hold it to one line where it refuses."""
        came = self.companion(*words)
        self.told[f"exit {came.code}"] += 1
        assert came.code in (0, 1, 2), came
        assert len(came.err.splitlines()) == (came.code == 2), came
        assert "Traceback" not in came.err
        assert len(came.err) < 2_000
        return came

    def kept(self, folder: Path) -> dict[str, bytes]:
        """Return all but what is remembered, whatever of it lies there."""
        files = (path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("cache.sqlite3"))
        return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}

    def unharmed(self, *changing: str) -> None:
        """Fail unless all is as it was, but for what begins with one of ``changing``, and nothing lies around it."""
        before, now = self.kept(self._before), self.kept(self.folder)
        odd = {name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}
        assert not {name for name in odd if not name.startswith(changing)}
        assert self._names() == self._around

    def anew(self, *parts: str) -> None:
        """Put parts of the folder back as they were."""
        for part in parts:
            shutil.rmtree(self.folder / part, ignore_errors=True)
            if (self._before / part).exists():
                shutil.copytree(self._before / part, self.folder / part)


@pytest.fixture
def field(
    packed: Path, sent: Sent, bounce: Callable[..., Path], companion: Any, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Field:  # fmt: skip
    """All of it made once, with a report in the folder."""
    for name in ("mutated", "temporary"):
        (tmp_path / name).mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    sound = bounce()
    assert companion("report", "add", packed, "--text", "It hums.", "--about", "hum").code == 0
    sent.fill()
    return Field(packed, sent, companion, tmp_path / "mutated", sound)


def forms(field: Field, draw: random.Random) -> None:
    """A form that was changed on the way is read, or refused; what it says is believed as far as it can be read."""
    encoding, end = draw.choice(("utf-8", "utf-8-sig", "utf-16", "cp1252")), draw.choice(("\n", "\r\n", "\r"))
    path = field.place / "Form.txt"
    path.write_bytes(mutated(field.sent.fill(encoding, end).read_bytes(), draw))
    _received(field, path)


def _received(field: Field, path: Path) -> None:
    before = field.kept(field.folder)
    if field.run("receive", field.folder, path).code == 2:
        assert field.kept(field.folder) == before, "what is refused changes nothing"
    field.unharmed(".companion/evidence", f".companion/kits/{field.sent.code}.json")


def zips(field: Field, draw: random.Random) -> None:
    """A zip that came back changed is opened whole, or not at all."""
    sound = field.folder / "Samples" / "slate_C4.wav"
    path = field.place / "back.zip"
    path.write_bytes(mutated(field.sent.zipped(sound).read_bytes(), draw))
    _received(field, path)


def bounces(field: Field, draw: random.Random) -> None:
    """A bounce that was changed is judged, or called none; it is never believed to be clean where it was not."""
    path = field.place / draw.choice(("there.wav", "there.flac", "there.aif"))
    path.write_bytes(mutated(field.sound.read_bytes(), draw) if draw.randrange(4) else draw.randbytes(300))
    came = field.run("receive", field.folder, field.sent.form, path)
    assert came.code in (0, 1), "the form is whole"
    assert "there." in came.out


def kits(field: Field, draw: random.Random) -> None:
    """A kit that was changed on its way is refused before anything of it lies there, or is whole."""
    path = field.place / "kit.zip"
    path.write_bytes(mutated(field.sent.kit.read_bytes(), draw))
    to = field.place / "opened"
    came = field.run("kit", "run", path, "--to", to, "--json")
    if came.code == 2:
        assert not to.exists(), "what could not be opened leaves nothing behind"
    else:
        released = {p.name: p.read_bytes() for p in (field.folder / "Samples").iterdir()}
        opened = {p.name: p.read_bytes() for p in to.rglob("*.wav")}
        assert opened == released, "what is opened is what was sent"
        shutil.rmtree(to)
    field.unharmed()


def reports(field: Field, draw: random.Random) -> None:
    """A report, or what is known of it, changed by somebody: it is read, or told as unreadable, and left as it is."""
    there = field.folder / ".companion" / "reports"
    name = draw.choice(("it-hums.txt", "it-hums.txt.toml"))
    before = (there / name).read_bytes()
    (there / name).write_bytes(mutated(before, draw))
    for words in draw.sample(
        [
            ("report", "list", field.folder, "--json"),
            ("report", "show", field.folder, "it-hums.txt"),
            ("report", "edit", field.folder, "it-hums.txt", "--not-about", "hum"),
            ("report", "answer", field.folder, "it-hums.txt", "The hum is gone."),
            ("check", field.folder, "out"),
            ("draft", field.folder, "changelog"),
        ],
        2,
    ):
        standing = field.kept(there)
        came = field.run(*words)
        if came.code == 2:
            assert field.kept(there) == standing, "what does not read is nobody's to write over"
        if words[1] == "list":
            (one,) = [one for one in json.loads(came.out)["reports"] if one["id"] == "it-hums.txt"]
            assert one["known"]["state"] in ("open", "answered", "closed")
    field.unharmed(".companion/reports", ".companion/evidence")
    (there / name).write_bytes(before)


KINDS: dict[str, Callable[[Field, random.Random], None]] = {
    "forms": forms, "zips": zips, "bounces": bounces, "kits": kits, "reports": reports,
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_some_that_were_changed(field: Field, kind: str) -> None:
    _changed(field, kind, QUICK if kind != "bounces" else 4)


@pytest.mark.campaign
@pytest.mark.parametrize("piece", range(4))
@pytest.mark.parametrize("kind", KINDS)
def test_a_thousand_that_were_changed(field: Field, kind: str, piece: int) -> None:
    _changed(field, kind, MANY // 4, f"piece {piece}")
    told = ", ".join(f"{count:,} × {how}" for how, count in sorted(field.told.items()))
    print(f"\n{MANY // 4:,} {kind}: {told}")


def _changed(field: Field, kind: str, count: int, seed: str = "") -> None:
    draw = random.Random(f"{kind} 16 {seed}")
    for number in range(count):
        KINDS[kind](field, draw)
        if kind != "reports" and number % 20 == 19:
            field.anew(".companion/evidence")
