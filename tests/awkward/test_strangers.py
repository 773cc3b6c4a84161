"""What others laid in the way: repositories, hooks, no git, zips, bombs, scripts in notes, damaged audio."""

from __future__ import annotations

import io
import os
import random
import re
import shutil
import struct
import subprocess
import zipfile
import zlib
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

POSIX = pytest.mark.skipif(os.name == "nt", reason="programs of this kind are POSIX")


def git(folder: Path, *arguments: str) -> str:
    clean = {name: value for name, value in os.environ.items() if not name.startswith("GIT_")}
    clean |= {f"GIT_{who}_{what}": "t@localhost" for who in ("AUTHOR", "COMMITTER") for what in ("NAME", "EMAIL")}
    done = subprocess.run(
        ["git", "-c", "core.fsmonitor=false", *arguments], cwd=folder, env=clean, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_10_nested_repository(instrument: Path, companion: Any, makers: Any, fsck: Any) -> None:
    """A repository inside: its files are kept and ship like any others, its ``.git`` is left alone and told of."""
    nested = instrument / "Scripts" / "lib"
    nested.mkdir(parents=True)
    git(nested, "init", "-q", "-b", "main")
    (nested / "play.txt").write_text("one\n", encoding="utf-8")
    git(nested, "add", ".")
    git(nested, "commit", "-q", "-m", "one")
    submodule = instrument / "Module"
    submodule.mkdir()
    (submodule / ".git").write_text("gitdir: ../elsewhere\n", encoding="utf-8")
    (submodule / "inside.txt").write_text("inside\n", encoding="utf-8")
    assert companion("contents", instrument, "--ship", "Scripts", "--ship", "Module/").code == 0
    before = makers(instrument)
    assert companion("check", instrument, "contents").code == 0
    taken = companion("snapshot", instrument, "-m", "nested")
    assert taken.code == 1
    assert taken.out.count("/.git (git keeps that repository itself)") == 2
    (nested / "play.txt").write_text("two\n", encoding="utf-8")
    (submodule / "inside.txt").unlink()
    assert companion("restore", instrument, 1).code == 0
    assert makers(instrument) == before
    assert git(nested, "status", "--porcelain") == ""
    packed = companion("pack", instrument, "--json").json["archive"]
    with zipfile.ZipFile(packed["path"]) as archive:
        names = archive.namelist()
    assert "Slate Choir/Scripts/lib/play.txt" in names
    assert "Slate Choir/Module/inside.txt" in names
    assert not [name for name in names if ".git" in name]
    fsck(instrument)


@POSIX
def test_12_hooks_and_monitors(
    instrument: Path, tmp_path: Path, companion: Any, shell: Any, makers: Any, fsck: Any
) -> None:
    """Everything git could be told to run, in the folder, in the account and in the history itself, and none runs."""
    canary, program = tmp_path / "canary", tmp_path / "program"
    program.write_text(f"#!/bin/sh\ntouch '{canary}'\ncat\n", encoding="utf-8")
    program.chmod(0o755)
    config = (
        f'[core]\n fsmonitor = "{program}"\n hooksPath = "{tmp_path / "hooks"}"\n sshCommand = "{program}"\n'
        f' pager = "{program}"\n editor = "{program}"\n attributesFile = "{tmp_path / "attributes"}"\n'
        f'[filter "evil"]\n clean = "{program}"\n smudge = "{program}"\n required = true\n'
        f'[diff "evil"]\n textconv = "{program}"\n command = "{program}"\n[gpg]\n program = "{program}"\n'
        f'[commit]\n gpgSign = true\n[tag]\n gpgSign = true\n[alias]\n log = "!{program}"\n'
        f'[uploadpack]\n packObjectsHook = "{program}"\n'
    )
    (tmp_path / "hooks").mkdir()
    for hook in ("pre-commit", "post-commit", "post-checkout", "reference-transaction", "post-index-change"):
        shutil.copy(program, tmp_path / "hooks" / hook)
    (tmp_path / "attributes").write_text("* filter=evil diff=evil\n", encoding="utf-8")
    (tmp_path / ".gitconfig").write_text(config, encoding="utf-8")
    git(instrument, "init", "-q")
    with (instrument / ".git" / "config").open("a", encoding="utf-8") as stream:
        stream.write(config)
    shutil.copytree(tmp_path / "hooks", instrument / ".git" / "hooks", dirs_exist_ok=True)
    (instrument / ".gitattributes").write_text("* filter=evil diff=evil\n", encoding="utf-8")
    shutil.copy(program, instrument / "git")
    hostile = {
        "HOME": str(tmp_path),
        "GIT_CONFIG_GLOBAL": str(tmp_path / ".gitconfig"),
        "GIT_DIR": str(instrument / ".git"),
        "GIT_INDEX_FILE": str(tmp_path / "index"),
        "GIT_EXTERNAL_DIFF": str(program),
        "GIT_SSH_COMMAND": str(program),
        "GIT_CONFIG_COUNT": "1",
        "GIT_CONFIG_KEY_0": "core.fsmonitor",
        "GIT_CONFIG_VALUE_0": str(program),
        "GIT_EXEC_PATH": str(tmp_path / "hooks"),
    }
    before = makers(instrument)
    assert shell("snapshot", instrument, "-m", "one", env=hostile, cwd=instrument).code == 0
    with (instrument / ".companion" / "history.git" / "config").open("a", encoding="utf-8") as stream:
        stream.write(config)
    shutil.copytree(tmp_path / "hooks", instrument / ".companion" / "history.git" / "hooks", dirs_exist_ok=True)
    (instrument / "Licence.txt").write_text("Another.\n", encoding="utf-8")
    for verb, *rest in (("snapshot", "-m", "two"), ("compare", 1), ("snapshots",), ("restore", 1)):
        result = shell(verb, instrument, *rest, env=hostile, cwd=instrument)
        assert result.code == 0, result
    mirrored = shell("mirror", instrument, tmp_path / "mirror", env=hostile, cwd=instrument)
    assert mirrored.code == 0, mirrored
    assert makers(instrument) == before
    assert not canary.exists()
    fsck(instrument)


def test_10_a_release_tells_what_its_snapshot_does_not_hold(releasable: Path, companion: Any, makers: Any) -> None:
    (releasable / "Scripts" / ".git").mkdir(parents=True)
    (releasable / "Scripts" / ".git" / "HEAD").write_text("ref: refs/heads/main\n", encoding="utf-8")
    released = companion("release", releasable)
    assert released.code == 1, released
    assert "left out: Scripts/.git (git keeps that repository itself)" in released.out
    assert companion("snapshots", releasable).out.count("[released as 1.0]") == 1


def test_5_a_release_without_something_that_ships_is_none(
    releasable: Path, companion: Any, one_line: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from companion.history import reader

    real, bad = reader._FileReader.read, "Samples/slate_E4.wav"

    def refusing(self: Any, path: str, *rest: Any) -> Any:
        if path == bad:
            raise PermissionError(13, "Permission denied")
        return real(self, path, *rest)

    monkeypatch.setattr(reader._FileReader, "read", refusing)
    one_line(companion("release", releasable), "could not keep what ships", bad)
    assert not list((releasable / "releases").glob("*.release.json"))
    monkeypatch.undo()
    assert companion("release", releasable).code == 0


def test_13_no_git(
    instrument: Path,
    tmp_path: Path,
    companion: Any,
    shell: Any,
    one_line: Any,
    makers: Any,
    fsck: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Everything works without git, from the first look to a recorded release; git agrees with what was written."""
    (tmp_path / "no programs").mkdir()
    bare = {"PATH": str(tmp_path / "no programs")}

    monkeypatch.setenv("PATH", bare["PATH"])

    def run(verb: str, *rest: object) -> Any:
        return companion(verb, instrument, *rest)

    assert shell("status", instrument, env=bare).code == 1
    assert shell("snapshot", instrument, "-m", "first", env=bare).code == 0
    assert run("check", "facts", "contents", "paths", "sound").code == 0
    for verb, *rest in (("snapshots",), ("compare", 1), ("restore", 1), ("mirror", tmp_path / "copy.git")):
        assert run(verb, *rest).code == 0
    one_line(run("mirror", "ssh://host.example/a.git"), "needs git, which is not installed", "or mirror to a folder")
    told = ("--who", "Ada", "--engine-version", "7.1", "--system", "Windows 11", "--played", "all keys")
    assert run("away", "--kind", "another player", "--result", "pass", *told).code == 0
    for text in ("changelog", "readme", "page"):
        assert run("draft", text, "--write").code == 0
    assert run("check").code == 0
    assert run("pack").code == 0
    before = makers(instrument)
    released = run("release")
    assert released.code == 0, released.err
    assert "snapshot " in released.out
    assert makers(instrument) == before
    assert run("snapshots", "--verify").code == 0
    monkeypatch.undo()
    fsck(instrument)
    assert shell("snapshot", instrument, "-m", "with git again").code == 0


def zipped(make: Callable[[zipfile.ZipFile], object]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("Slate/fine.txt", "fine")
        make(archive)
    return held.getvalue()


def named(name: str) -> Callable[[zipfile.ZipFile], object]:
    return lambda archive: archive.writestr(zipfile.ZipInfo(name), "out")


def linked(archive: zipfile.ZipFile) -> None:
    link = zipfile.ZipInfo("Slate/link")
    link.create_system, link.external_attr = 3, 0o120777 << 16
    archive.writestr(link, "/etc")
    archive.writestr("Slate/link/passwd", "out")


def twice(archive: zipfile.ZipFile) -> None:
    with pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("Slate/fine.txt", "other")


def bomb() -> bytes:
    """A gigabyte and more of zeros in a megabyte, every header true."""
    size, body = 60 << 20, zlib.compressobj(9, zlib.DEFLATED, -15)
    nothing = bytes(size)
    packed, checksum = body.compress(nothing) + body.flush(), zlib.crc32(nothing)
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for number in range(20):
            archive.writestr(f"Slate/{number}.raw", packed)
            member = archive.infolist()[-1]
            member.compress_type, member.CRC, member.file_size = zipfile.ZIP_DEFLATED, checksum, size
        at = [member.header_offset for member in archive.infolist()]
    data = bytearray(held.getvalue())
    for offset in at:
        struct.pack_into("<H", data, offset + 8, zipfile.ZIP_DEFLATED)
        struct.pack_into("<III", data, offset + 14, checksum, len(packed), size)
    return bytes(data)


def overlapping() -> bytes:
    """Two names in the directory for one member's bytes (CVE-2024-0450)."""
    data = bytearray(zipped(named("Slate/b.txt")))
    at = data.find(b"PK\1\2")
    second = data.find(b"PK\1\2", at + 1)
    struct.pack_into("<I", data, second + 42, struct.unpack_from("<I", data, at + 42)[0])
    return bytes(data)


def encrypted() -> bytes:
    data = bytearray(zipped(lambda archive: None))
    data[6] |= 1
    data[data.find(b"PK\1\2") + 8] |= 1
    return bytes(data)


def sealed(raw: bytes, name: bytes, other: bytes) -> bytes:
    return raw.replace(name, other)


HOSTILE_ZIPS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "climbs": ("member-escapes", lambda: zipped(named("Slate/../../outside.txt"))),
    "rooted": ("member-escapes", lambda: zipped(named("/tmp/companion-outside.txt"))),
    "drive": ("member-escapes", lambda: zipped(named("C:/outside.txt"))),
    "backslashes": (
        "member-escapes",
        lambda: sealed(zipped(named("Slate/..x..xout.txt")), b"Slate/..x..xout.txt", b"Slate\\..\\..\\out.txt"),
    ),
    "link": ("member-escapes", lambda: zipped(linked)),
    "duplicate": ("member-duplicate", lambda: zipped(twice)),
    "case": ("member-duplicate", lambda: zipped(named("Slate/FINE.txt"))),
    "bomb": ("archive-bomb", bomb),
    "overlapping": ("archive-bomb", overlapping),
    "encrypted": ("member-encrypted", encrypted),
}


@pytest.mark.parametrize("kind", HOSTILE_ZIPS)
def test_21_hostile_zip(tmp_path: Path, shell: Any, makers: Any, kind: str) -> None:
    rule, make = HOSTILE_ZIPS[kind]
    place = tmp_path / "downloads"
    place.mkdir()
    (place / "hostile.zip").write_bytes(make())
    before = makers(tmp_path)
    result = shell("prove", place / "hostile.zip", "--json", cwd=place)
    assert result.code == 1, result
    assert rule in {f["rule"] for f in result.json["proof"]["findings"] if f["severity"] == "blocks"}
    assert makers(tmp_path) == before, "nothing is left, in the place for temporary files either"
    assert not Path("/tmp/companion-outside.txt").exists()


def test_21_what_is_no_zip(tmp_path: Path, companion: Any, one_line: Any) -> None:
    whole = zipped(named("Slate/b.txt"))
    odd = tmp_path / "odd.zip"
    for data in (b"", b"\0" * 9999):
        odd.write_bytes(data)
        one_line(companion("prove", odd), "not a zip archive")
    for data in (b"PK", whole[:-30], whole[30:], whole[:40] + b"\xff" * 9 + whole[49:]):
        odd.write_bytes(data)
        result = companion("prove", odd, "--json")
        assert (result.code, result.err) == (1, ""), "it was one, and is damaged"
        assert "archive-differs" in {f["rule"] for f in result.json["proof"]["findings"] if f["severity"] == "blocks"}
    one_line(companion("prove", tmp_path))


BOMBS = {
    "brackets": "a = " + "[" * 500 + "]" * 500,
    "dotted": ".".join("a" for _ in range(20_000)) + " = 1",
    "tables": "\n".join(f"[t{number}]" for number in range(1_000_000)),
    "digits": "a = " + "9" * 100_000,
    "quotes": 'a = """' + '\\"' * 100_000,
    "waivers": '[[waivers]]\nrule="a"\nreason="b"\n' * 9000,
    "not utf-8": "\udcff\udcfe",
    "nul": 'a = "\0"',
}


@pytest.mark.timeout(30)  # at once: what a parser is given would take it minutes
@pytest.mark.parametrize("kind", BOMBS)
def test_22_bomb_in_the_facts(instrument: Path, companion: Any, one_line: Any, makers: Any, kind: str) -> None:
    (instrument / "release.toml").write_bytes(BOMBS[kind].encode("utf-8", "surrogateescape"))
    before = makers(instrument)
    for verb, *rest in (("status",), ("check",), ("pack",), ("waive", "clipped", "x", "-r", "x"), ("start",)):
        one_line(companion(verb, instrument, *rest), "release.toml")
    assert makers(instrument) == before


HUGE = ("release.toml", "README.md", "CHANGELOG.md", "releases/Slate Choir 1.0 page.md")


@pytest.mark.parametrize("name", HUGE)
def test_22_a_file_of_500_mb_where_a_text_should_be(instrument: Path, companion: Any, name: str) -> None:
    (instrument / name).parent.mkdir(exist_ok=True)
    with (instrument / name).open("wb") as stream:
        stream.truncate(500 << 20)
    for verb, *rest in (("status",), ("draft", "readme"), ("draft", "changelog"), ("draft", "page")):
        result = companion(verb, instrument, *rest)
        assert "Traceback" not in result.err
        if result.code == 2:
            assert len(result.err.splitlines()) == 1
            assert name.rpartition("/")[2] in result.err


JSONS = {
    "evidence": ".companion/evidence/contents/{mark}.json",
    "record": "releases/Slate Choir 1.0.release.json",
    "journal": ".companion/restore.json",
    "history": ".companion/history.git/packed-refs",
    "number": ".companion/history.git/last-number",
    "draft": ".companion/drafts/README.md",
}


@pytest.mark.parametrize("kind", JSONS)
@pytest.mark.parametrize("data", [b"", b"[" * 100_000, b'{"title": 3}', b"\xff\xfe\0", None])
def test_22_damaged_state_of_our_own(
    instrument: Path, companion: Any, one_line: Any, makers: Any, kind: str, data: bytes | None
) -> None:
    """Whatever became of the companion's own files: one line or a look as if they were not there, never a crash."""
    companion("check", instrument, "contents")
    companion("snapshot", instrument, "-m", "first")
    mark = next((instrument / ".companion" / "evidence" / "contents").glob("*.json")).stem
    target = instrument / JSONS[kind].format(mark=mark)
    target.parent.mkdir(exist_ok=True)
    (instrument / "README.md").write_text("Mine.\n", encoding="utf-8")
    if data is None:
        with target.open("wb") as stream:
            stream.truncate(500 << 20)
    else:
        target.write_bytes(data)
    before = makers(instrument)
    codes = {"check": 0, "snapshots": 0, "draft": 0, "release": 2}
    if kind == "draft" and data != b"":  # with no draft to compare with, the maker's own text stands
        codes["draft"] = 1 if data else 2
    if kind == "history" and data is None:
        codes["snapshots"] = 2
    for verb, *rest in (("check", "contents"), ("snapshots",), ("draft", "readme"), ("release",)):
        result = companion(verb, instrument, *rest)
        assert result.code == codes[verb], result
        if result.code == 2:
            one_line(result)
    assert makers(instrument) == before


EVIL = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "[x](javascript:alert(1)) ![y](data:text/html;base64,xx)",
    "</textarea></title><iframe src=//x.example>",
    "{{ 7*191 }}{% raw %}${7*191}<%= 7*191 %>",
    '" onmouseover="alert(1)',
    "<javascript:alert(1)> <https://x.example/><b>",
    "```\n# heading\n<b>bold</b>\n\n    code\n---\n| a | b |",
    "\x1b]0;x\x07\u202e\u200b",
)


class Tags(HTMLParser):
    """Tags that run or load something, attributes that do, and where links lead."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "img", "iframe", "b", "textarea", "object", "form", "base"):
            self.bad.append(tag)
        for name, value in attrs:
            if name.startswith("on") or (name in ("href", "src") and not re.match(r"(https?:|mailto:|#)", value or "")):
                self.bad.append(f"{tag} {name}={value}")


def runs(html: str) -> list[str]:
    parser = Tags()
    parser.feed(html)
    parser.close()
    return parser.bad


def test_23_scripts_in_every_fact_and_note(instrument: Path, companion: Any) -> None:
    from markdown_it import MarkdownIt

    evil = " ".join(EVIL)
    spelled = (
        '"'
        + "".join(c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in evil)
        + '"'
    )
    facts = f"""
[instrument]
title = {spelled}
version = "1.0"
maker = {spelled}
summary = {spelled}
description = {spelled}
contact = "javascript:alert(1)"
credits = [{spelled}, {spelled}]
tags = [{spelled}]
licence = {spelled}
rights = {spelled}
[engine]
name = {spelled}
edition = {spelled}
saved_with = "7.1"
minimum = "7.1"
[contents]
patches = ["Slate.eeng"]
[[layers]]
name = {spelled}
files = ["Samples/*"]
[[controls]]
name = {spelled}
effect = {spelled}
"""
    (instrument / "release.toml").write_text(facts, encoding="utf-8")
    (instrument / "Samples" / "<script>alert(1)<&.wav").write_bytes(b"RIFF")
    assert companion("snapshot", instrument, "-m", f"Added {evil}").code == 0
    told = (
        "--who",
        "<b>Ada",
        "--notes",
        evil,
        "--system",
        evil,
        "--edition",
        evil,
        "--engine-version",
        "7.1",
        "--played",
        "all keys",
    )
    assert companion("away", instrument, "--kind", "another player", "--result", "pass", *told).code == 0
    trials = companion("trials", instrument, "--json").json["trials"]
    assert companion("answer", instrument, trials[0]["trial"]["id"], "note", "--note", evil).code == 0
    assert companion("check", instrument).code == 1
    for what in ("changelog", "readme", "page"):
        for fmt in ("md", "txt", "html"):
            for write in ((), ("--write",)):
                drafted = companion("draft", instrument, what, "--format", fmt, *write)
                assert drafted.code == 0, drafted.err
            text = companion("draft", instrument, what, "--format", fmt).out
            assert "1337" not in text, "no template runs what a fact says"
            assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b\u202e]", text)
            if fmt == "html":
                assert runs(text) == []
            if fmt == "md":
                assert runs(MarkdownIt("commonmark", {"html": True}).enable("table").render(text)) == []
    for path in (*instrument.glob("*.html"), *instrument.glob("releases/*.html")):
        assert runs(path.read_text("utf-8")) == []


def audio(kind: str, whole: bytes) -> bytes:
    """Return a damaged WAV with the header of ``whole``."""
    noise = random.Random(kind)
    whole = whole[:44] + noise.randbytes(len(whole) - 44)
    chunk = b"data" + struct.pack("<I", 0xFFFFFFF0)
    return {
        "empty": b"",
        "header only": whole[:44],
        "half a header": whole[:21],
        "truncated": whole[: len(whole) // 2],
        "promises 4 GB": whole.replace(whole[36:44], chunk),
        "no audio": noise.randbytes(5000),
        "text": b"This is no recording.\n" * 100,
        "0 channels": whole[:22] + b"\0\0" + whole[24:],
        "65535 channels": whole[:22] + b"\xff\xff" + whole[24:],
        "rate 0": whole[:24] + bytes(4) + whole[28:],
        "rate 4 G": whole[:24] + b"\xff" * 4 + whole[28:],
        "0 bits": whole[:34] + b"\0\0" + whole[36:],
        "unknown format": whole[:20] + b"\x99\x99" + whole[22:],
        "nan": whole[:20] + b"\3\0" + whole[22:32] + b"\4\0\x20\0" + whole[36:44] + b"\0\0\xc0\x7f\0\0\x80\xff" * 2000,
        "chunk of 4 GB": whole[:12] + b"LIST\xff\xff\xff\xff" + whole[12:],
        "chunks without end": whole[:36] + b"junk\0\0\0\0" * 20_000 + whole[36:],
    }[kind]


LYING_FLAC = (
    b"fLaC\x80\0\0\x22" + b"\x10\0\x10\0" + bytes(6) + b"\x0a\xc4\x42\xff\xff\xff\xff\xff" + bytes(16) + b"\xff\xf8"
)
KINDS = (
    *("empty", "header only", "half a header", "truncated", "promises 4 GB", "no audio", "text", "0 channels"),
    *("65535 channels", "rate 0", "rate 4 G", "0 bits", "unknown format", "nan", "chunk of 4 GB", "chunks without end"),
)


def test_24_lying_and_truncated_audio(
    instrument: Path, companion: Any, shell: Any, makers: Any, fsck: Any, tones: dict[str, bytes]
) -> None:
    """Each damaged file costs that file: everything else is measured as before, and nothing is rewritten."""
    alone = {f["path"] for f in companion("check", instrument, "sound", "contents", "--json").json["findings"]}
    measured = companion("measure", instrument / "Samples", "--json").json["files"]
    for kind in KINDS:
        (instrument / "Samples" / f"{kind}.wav").write_bytes(audio(kind, tones["C4"]))
    (instrument / "Samples" / "lying.flac").write_bytes(LYING_FLAC)
    before = makers(instrument)
    checked = shell("check", instrument, "contents", "sound", "--json")
    assert checked.code == 1, checked.err
    named = {f["path"].removeprefix("Samples/").rpartition(".")[0] for f in checked.json["findings"]}
    blocked = {path.removeprefix("Samples/").rpartition(".")[0] for _, path in checked.rules}
    assert blocked >= {"empty", "header only", "half a header", "truncated", "promises 4 GB", "no audio", "text"}
    assert blocked >= {"0 channels", "rate 0", "0 bits", "unknown format", "lying"}
    assert named >= {"nan", "65535 channels"}
    whole = {f["path"] for f in checked.json["findings"] if f["path"].startswith("Samples/slate_")}
    assert whole <= alone, "nothing new is said of the others"
    again = {f["path"]: f for f in companion("measure", instrument / "Samples", "--json").json["files"]}
    assert all(again[f["path"]] == f for f in measured)
    assert companion("snapshot", instrument, "-m", "damaged").code == 0
    packed = companion("pack", instrument, "--json")
    assert (packed.code, packed.json["archive"]["built"]) == (1, False), "nobody could open it"
    assert makers(instrument) == before
    fsck(instrument)


def test_24_a_damaged_picture_and_patch(instrument: Path, companion: Any) -> None:
    (instrument / "Panel.png").write_bytes(
        b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + b"IHDR" + b"\x7f" * 8 + b"\x08\6\0\0\0"
    )
    (instrument / "Slate.eeng").write_bytes((b"Samples/slate_C4.wav\0" + b"../" * 400 + b"\xff\xfe") * 200)
    assert companion("contents", instrument, "--ship", "Panel.png").code == 0
    checked = companion("check", instrument, "contents", "paths", "--json")
    assert checked.code == 0
    found = {(f["rule"], f["path"], f["severity"]) for f in checked.json["findings"]}
    assert ("picture-unreadable", "Panel.png", "warns") in found
    assert {rule for rule, path, _ in found if path == "Slate.eeng"} == set(), "its paths read, and none leads out"
