"""A stranger's values in every file we read: what they cannot be is told in one line, and steers no terminal."""

from __future__ import annotations

import copy
import json
import os
import random
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from companion.steps.deeds.hidden import BACK_IN_PLACE
from tests.awkward.test_hostile import anew
from tests.awkward.writing import WRITES, live_in

pytestmark = pytest.mark.skipif(os.name == "nt", reason="names of this kind are POSIX")
VALUES: Final[tuple[Any, ...]] = (
    *(10**400, -(10**400), 10**19, 2**63, -1, 0, 0.0, 1e308, float("nan"), float("inf"), None, True),
    *("", "\ud800", "\x1b[31mred\x07", "a\u202eb\u2066c", "[bold]x[/bold][@click=app.quit]q[/]"),
    *("<script>alert(1)</script>", "\n\n# x", "x" * 200_000, "../../etc/passwd", "/etc/passwd", "nul\0x", "1.0\n2.0"),
    *("\uff19\uff19", "1e999", [], {}, [[[]]], ["a"] * 10_000, {"a": {"b": {}}}),
)
TEXTS: Final = (
    *("[" * 100_000, '{"a":' * 50_000, "", "\0", '{"schema":1,"schema":2}', "1" * 5000, "NaN", '{"a": "\\ud800"}'),
    *("\ufeff{}", "[]", '"x"', "{}", '{"order": 1e400}', "9" * 4400, "\udcff\udcfe"),
)
OTHERS: Final = (
    "release.toml",
    "CHANGELOG.md",
    "README.md",
    "releases/Slate Choir 1.0 page.md",
    "releases/Slate Choir 1.0.zip.sha256",
    ".companion/drafts/README.md",
    ".companion/history.git/listing",
    ".companion/history.git/packed-refs",
    ".companion/lock.holder",
    ".companion/restore.json",
    ".companion/hidden.json",
    ".companion/format.json",
    "release-words/readme.jinja",
    "../Form.txt",
    "../there.wav",
    "../piece.mid",
)
READS: Final = {
    name: (name, "{}", *rest)
    for name, *rest in (("trials",), ("needs",), ("contents",), ("snapshots",), ("compare", "1"))
} | {"coverage": ("coverage", "{}", "{}/../piece.mid")}
COMMANDS: Final = {**{name: one.arguments for name, one in WRITES.items() if name != "demo"}, **READS}
STEERS: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def _ways(plain: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield way
    if isinstance(plain, dict):
        for key in plain:
            yield from _ways(plain[key], (*way, key))
    elif isinstance(plain, list):
        for index in range(min(len(plain), 3)):
            yield from _ways(plain[index], (*way, index))


def _with(plain: Any, way: tuple[Any, ...], value: Any) -> Any:
    if not way:
        return value
    changed = at = copy.deepcopy(plain)
    for step in way[:-1]:
        at = at[step]
    at[way[-1]] = value
    return changed


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "surrogateescape" if text in TEXTS else "surrogatepass")


def _lines(data: bytes, chance: random.Random) -> bytes:
    """Put a value in the place of a line, behind its name, or in between."""
    lines, value = data.split(b"\n"), chance.choice(VALUES)
    at = chance.randrange(len(lines))
    written = _bytes(str(value)) if isinstance(value, (str, float)) or value is None else _bytes(json.dumps(value))
    how = chance.randrange(4)
    if how == 0:
        lines[at] = written
    elif how == 1:
        lines.insert(at, written)
    elif b"=" in lines[at]:
        lines[at] = lines[at].split(b"=")[0] + b"= " + (json.dumps(str(value)).encode() if how == 2 else written)
    else:
        lines[at] = lines[at].split(b":")[0] + b": " + written
    return b"\n".join(lines)


def _spoilt(data: bytes, chance: random.Random) -> bytes:
    try:
        plain = json.loads(data)
    except ValueError:
        return _bytes(chance.choice(TEXTS)) if chance.random() < 0.2 else _lines(data, chance)
    if chance.random() < 0.2:
        return _bytes(chance.choice(TEXTS))
    changed = _with(plain, chance.choice(list(_ways(plain))), chance.choice(VALUES))
    return _bytes(json.dumps(changed))


@pytest.fixture
def kept(instrument: Path, companion: Any, standin: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    folder = live_in(instrument, companion, standin)
    companion("check", folder)
    companion("away", "hide", folder)
    hidden = (folder / ".companion" / "hidden.json").read_bytes()
    companion("away", "back", folder)
    ours = {
        "hidden.json": hidden,
        "restore.json": b'{"schema": 1, "number": 1, "commit": "x", "only": [], "before": ""}',
        "format.json": b'{"format": 1, "companion": "2.0.0"}',
        "lock.holder": b'{"pid": 1, "host": "x", "doing": "working"}',
    }
    for name, data in ours.items():
        (folder.parent / f"{name}.aside").write_bytes(data)
    (folder / "release-words").mkdir()
    (folder / "release-words" / "readme.jinja").write_text("# {{ story.title }}\n\n{{ story.version }}\n", "utf-8")
    return folder.parent


def _attacked(kept: Path, tmp_path: Path, companion: Any, first: int, last: int, commands: int) -> Counter[str]:
    counts = Counter[str]()
    names = [path.relative_to(kept / "Slate Choir") for path in (kept / "Slate Choir").rglob("*.json")]
    names = [*sorted(names), *map(Path, OTHERS)]
    for seed in range(first, last):
        chance = random.Random(f"values {seed}")
        folder = anew(kept, tmp_path / "work")
        path = Path(os.path.normpath(folder / names[seed % len(names)]))
        aside = folder.parent / f"{path.name}.aside"
        path.write_bytes(_spoilt(aside.read_bytes() if aside.exists() else path.read_bytes(), chance))
        for name in chance.sample(sorted(COMMANDS), commands):
            as_json = ["--json"] if name in READS or name in ("status", "check", "pack") else []
            arguments = [text.format(folder) for text in COMMANDS[name]]
            result = companion(*arguments, *chance.choice(([], as_json)))
            told = f"{seed}: {path.name}: {name}: {result.code}: {result.err[:2000]}"
            assert result.code in (0, 1, 2), told
            assert "Traceback" not in result.err + result.out, told
            assert "The system refused" not in result.err, told
            lines = [line for line in result.err.splitlines() if line != BACK_IN_PLACE]
            assert result.code != 2 or len(lines) == 1 or "not restored" in result.out, told
            assert not STEERS.search(result.out + result.err), told
            assert len(result.err) < 3000, told
            counts[f"ended with {result.code}"] += 1
        counts["files"] += 1
    return counts


@pytest.mark.timeout(120)
def test_no_value_of_a_strangers_does_more_than_cost_a_line(kept: Path, tmp_path: Path, companion: Any) -> None:
    counts = _attacked(kept, tmp_path, companion, 0, 60, 2)
    assert counts["files"] == 60
    assert min(counts[f"ended with {code}"] for code in (0, 1, 2)) > 5


@pytest.mark.campaign
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("part", range(4))
def test_no_value_of_a_strangers_of_many_does(kept: Path, tmp_path: Path, companion: Any, part: int) -> None:
    counts = _attacked(kept, tmp_path, companion, 1000 * part + 1000, 1000 * part + 1400, 5)
    print(f"\nvalues of a stranger's: {dict(counts)}")
