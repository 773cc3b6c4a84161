"""Names: not UTF-8, escape sequences, markup, bidi, twins, reserved ones, links, what systems leave behind."""

from __future__ import annotations

import json
import os
import re
import sys
import unicodedata
import zipfile
from pathlib import Path
from typing import Any

import pytest

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="other systems hold no such names")

LOOKS: tuple[tuple[Any, ...], ...] = (
    ("status",),
    ("status", "--json"),
    ("check",),
    ("check", "--json"),
    ("snapshot", "-m", "x"),
    ("snapshot", "--json"),
    ("snapshots",),
    ("compare", 1),
    ("compare", 1, "--json"),
    ("pack",),
    ("pack", "--json"),
    ("restore", 1),
    ("restore", 2, "--json"),
    ("draft", "changelog"),
    ("draft", "page", "--format", "html"),
    ("draft", "readme", "--json"),
)

HOSTILE = {
    "15_esc": "esc\x1b[31;5mred\x1b[2J.wav",
    "15_osc": "osc\x1b]0;owned\x07\x9d8;;x\x9c.wav",
    "15_c0": "back\x08\x7f\rspace\n.wav",
    "16_markup": "[@click=app.quit]quit[bold].wav",
    "17_bidi": "loop\u202egpj.wav",
    "17_isolates": "a\u2066b\u2069c\u200b\ufeff.wav",
    "14_not_utf8": os.fsdecode(b"caf\xe9 \xff\xfe.wav"),
    "surrogate_like": os.fsdecode(b"\xed\xa0\x80.wav"),
    "dashes": "--json -rf.wav",
    "shell": "$(touch owned) `touch owned` ; & | %TEMP% {0} {{x}}.wav",
    "html": "<script>alert(1)<_script>&amp;.wav",
    "quote": 'say "hi" it\'s 100% *?.wav',
}
MOVES = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff\ud800-\udfff]")


@LINUX
@pytest.mark.parametrize("utf8", [True, False])
def test_14_to_17_hostile_names(
    instrument: Path, companion: Any, makers: Any, fsck: Any, tones: dict[str, bytes], utf8: bool
) -> None:
    """Listed, reported where a player would suffer, kept and brought back byte for byte, and inert on every way out."""
    names = [name for name in HOSTILE.values() if (not re.search("[\ud800-\udfff]", name)) is utf8]
    assert companion("snapshot", instrument, "-m", "before").code == 0
    first = makers(instrument)
    with (instrument / "Slate.eeng").open("ab") as patch:
        for at, name in enumerate(names):
            (instrument / "Samples" / name).write_bytes(tones["C4"][:-2] + bytes([at, 0]))
            patch.write(b"Samples/" + os.fsencode(name) + b"\0")
    full = makers(instrument)
    for verb, *rest in LOOKS:
        result = companion(verb, instrument, *rest)
        for text in (result.out, result.err):
            assert not MOVES.search(text), (verb, rest, MOVES.search(text), text)
            text.encode()
        assert result.code == {"status": 1, "check": 1, "pack": 1}.get(verb, 0), result
        if result.code == 2:
            assert len(result.err.splitlines()) == 1, result.err
            assert result.out == ""
        if "--json" in rest and result.out:
            assert result.json["schema"] == 1
        if verb == "compare" and "--json" in rest:
            told = result.json["changes"]["added"]
            assert told == sorted(f"Samples/{name}" for name in names), "JSON tells names as they are"
        if verb == "restore":
            assert makers(instrument) == (first if rest[0] == 1 else full)
    fsck(instrument)
    found = companion("check", instrument, "contents", "--json").json["findings"]
    for name in names:
        rules = {f["rule"] for f in found if f["path"] == f"Samples/{name}"}
        if re.search("[\u200b-\u206f]", name):
            assert "name-invisible" in rules, "17: marked"
        assert ("name-forbidden" in rules) is bool(re.search(r'[<>:"\\|?*\x00-\x1f\ud800-\udfff]', name)), name
    assert companion("measure", instrument / "Samples").code == 0
    waived = companion("waive", instrument, "name-forbidden", f"Samples/{names[0]}", "--reason", "heard it")
    assert (waived.code, bool(MOVES.search(waived.err))) == (0 if utf8 else 2, False)
    assert companion("status", instrument).code == 1, "the facts still read"


@LINUX
def test_15_hostile_text_everywhere_else(
    instrument: Path, tmp_path: Path, companion: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Labels, reasons, notes and facts are a stranger's text as well."""
    monkeypatch.chdir(tmp_path)
    evil = "x\x1b]0;owned\x07\u202e[@click=app.quit]"
    escaped = json.dumps(evil)[1:-1]
    facts = instrument / "release.toml"
    text = facts.read_text("utf-8").replace('maker = "Quay Room"', f'maker = "{escaped}"')
    text = text.replace('edition = "any"', f'edition = "{escaped}"') + f'\n[[controls]]\nname = "{escaped}"\n'
    facts.write_text(text, encoding="utf-8")
    (instrument / "CHANGELOG.md").write_text(f"# Changelog\n\n## 1.0 - 2026-01-01\n\n- {evil}\n", encoding="utf-8")
    commands: tuple[tuple[Any, ...], ...] = (
        ("snapshot", "-m", evil),
        ("snapshots",),
        ("waive", "minimum-unproven", "release.toml", "--where", "engine.minimum", "--reason", evil),
        ("away", "--kind", "originals hidden", "--result", "pass", "--who", evil, "--notes", evil, "--system", evil),
        ("away", "--kind", "originals hidden", "--result", "pass", "--played", evil, "--notes", evil, "--system", evil),
        ("away", "--json"),
        ("trials",),
        ("needs",),
        *LOOKS,
        ("waive", evil, evil, "--reason", evil),
        ("waive", "clipped", evil, "--reason", evil),
        ("answer", evil, "pass"),
        ("restore", 1, "--only", evil),
        ("upload", evil),
        ("draft", evil),
        (evil,),
        ("check", evil),
        ("snapshot", f"--{evil}"),
        ("mirror", evil),
    )
    for verb, *rest in commands:
        result = companion(verb, instrument, *rest)
        if (verb, rest) == ("draft", ["changelog"]):
            continue  # the maker's own text goes to a file as it is; the next test is about a terminal
        for shown in (result.out, result.err):
            assert not MOVES.search(shown), (verb, rest, shown)
    assert not MOVES.search(companion("explain", evil).err)
    assert not MOVES.search(companion(evil).err)
    assert not MOVES.search(companion("prove", evil).err)
    assert not MOVES.search(companion("measure", evil).err)
    assert not MOVES.search(companion("demo", instrument / "release.toml" / evil).err)


@LINUX
def test_15_a_text_of_the_makers_on_a_terminal(instrument: Path, begin: Any, companion: Any) -> None:
    import pty

    text = "# Changelog\n\n## 1.0 - 2026-01-01\n\n- Slate\x1b]0;owned\x07 é\n"
    (instrument / "CHANGELOG.md").write_text(text, encoding="utf-8")
    assert companion("draft", instrument, "changelog").out == text
    outer, inner = pty.openpty()
    running = begin("draft", instrument, "changelog", stdout=inner)
    running.wait(timeout=60)
    os.close(inner)
    shown = os.read(outer, 100_000).decode()
    os.close(outer)
    assert "Slate\\x1b]0;owned\\x07 é" in shown
    assert "\x1b" not in shown


@LINUX
def test_18_names_that_are_one_name_elsewhere(instrument: Path, companion: Any, tones: dict[str, bytes]) -> None:
    pairs = (
        ("A.wav", "a.wav"),
        ("caf\u00e9.wav", unicodedata.normalize("NFD", "caf\u00e9.wav")),
        ("Stra\u00dfe.wav", "STRASSE.wav"),
    )
    for at, name in enumerate(name for pair in pairs for name in pair):
        (instrument / "Samples" / name).write_bytes(tones["E4"] + bytes(at))
    checked = companion("check", instrument, "contents", "--json")
    assert checked.code == 1
    twins = [f for f in checked.json["findings"] if f["rule"] == "name-twins"]
    assert {f["severity"] for f in twins} == {"blocks"}
    told = " ".join(f"{f['path']} {f['where']} {f['measured']} {f['limit']}" for f in twins)
    assert all(name in told for pair in pairs for name in pair)
    assert companion("snapshot", instrument, "-m", "twins").code == 0
    packed = companion("pack", instrument)
    assert packed.code == 1, "what would lose a file on unpacking does not go out"
    assert "STRASSE.wav" in packed.out
    assert not list(instrument.glob("releases/*.zip"))


@LINUX
@pytest.mark.parametrize(
    ("name", "rule", "offered"),
    [
        ("CON.wav", "name-reserved", "CON_.wav"),
        ("com\u00b9.tar.wav", "name-reserved", "com\u00b9_.tar.wav"),
        ("nul", "name-reserved", "nul_"),
        ("tail.", "name-ends-badly", "tail"),
        ("tail.wav ", "name-ends-badly", "tail.wav"),
        ("a:b?.wav", "name-forbidden", "a-b-.wav"),
    ],
)
def test_19_names_windows_refuses(
    instrument: Path, companion: Any, one_line: Any, tones: dict[str, bytes], name: str, rule: str, offered: str
) -> None:
    (instrument / "Samples" / name).write_bytes(tones["C4"])
    checked = companion("check", instrument, "contents", "--json")
    assert checked.code == 1
    mends = [f["mend"] for f in checked.json["findings"] if (f["rule"], f["path"]) == (rule, f"Samples/{name}")]
    assert len(mends) == 1
    assert f"“{offered}”" in mends[0]
    assert companion("snapshot", instrument, "-m", "x").code == 0
    packed = companion("pack", instrument, "--json")
    assert (packed.code, packed.rules_of("archive")) == (1, {(rule, f"Samples/{name}")}), "it would open nowhere else"
    assert not list(instrument.glob("releases/*.zip"))
    one_line(companion("release", instrument), "Contents (failing)")


@LINUX
def test_20_links_out_of_the_folder(instrument: Path, tmp_path: Path, companion: Any, makers: Any, fsck: Any) -> None:
    secret = tmp_path / "secret"
    secret.mkdir()
    (secret / "diary.wav").write_bytes(b"not for players")
    (secret / "loop").symlink_to(secret)
    (instrument / "Samples" / "file.wav").symlink_to(secret / "diary.wav")
    (instrument / "Samples" / "folder").symlink_to(secret)
    (instrument / "self").symlink_to(instrument)
    (instrument / "nowhere").symlink_to("nothing/there")
    (instrument / "README.md").symlink_to(secret / "diary.wav")
    before, outside = makers(instrument), makers(secret)
    checked = companion("check", instrument, "contents", "--json")
    assert checked.code == 1
    assert {("symlink-outside", f"Samples/{name}") for name in ("file.wav", "folder")} <= checked.rules
    assert companion("check", instrument).code == 1
    assert companion("snapshot", instrument, "-m", "links").code == 0
    assert companion("pack", instrument).code == 1
    facts = instrument / "release.toml"
    stated = facts.read_text("utf-8")
    apart = 'exclude = ["Samples/file.wav", "Samples/folder", "self", "nowhere", "README.md"]'
    facts.write_text(stated.replace("[contents]", f"[contents]\n{apart}", 1), "utf-8", newline="\n")
    packed = companion("pack", instrument, "--json").json["archive"]
    with zipfile.ZipFile(packed["path"]) as archive:
        assert not [name for name in archive.namelist() if "diary" in name or "file.wav" in name or "README" in name]
    for name in ("Samples/file.wav", "Samples/folder", "self"):
        (instrument / name).unlink()
    (instrument / "Samples" / "folder").mkdir()
    assert companion("restore", instrument, 1).code == 0
    assert makers(instrument) == before
    assert makers(secret) == outside, "nothing was written through a link"
    fsck(instrument)


@LINUX
def test_20_ours_is_a_link(instrument: Path, tmp_path: Path, companion: Any, makers: Any) -> None:
    """Where ``releases`` leads elsewhere nothing is written there: a stranger may have made the link."""
    elsewhere = tmp_path / "big disk"
    elsewhere.mkdir()
    (elsewhere / "other.zip").write_bytes(b"of another work")
    (instrument / "releases").symlink_to(elsewhere)
    (instrument / ".companion").symlink_to(tmp_path / "not there")
    assert companion("status", instrument).code == 1, "it is looked at, and away tests are still to come"
    assert not (tmp_path / "not there").exists(), "nothing is written through a link by looking"
    (instrument / ".companion").unlink()
    refused = companion("pack", instrument)
    assert refused.code == 2
    assert "this folder is a link" in refused.err
    assert {path.name: path.read_bytes() for path in elsewhere.iterdir()} == {"other.zip": b"of another work"}
    (instrument / "releases").unlink()
    assert companion("pack", instrument).code == 0
    assert (instrument / "releases" / "Slate Choir 1.0.zip").is_file()


SYSTEM = (
    ".DS_Store",
    "Samples/._slate_C4.wav",
    "Samples/Thumbs.db",
    "__MACOSX/._x",
    "Desktop.ini",
    "ehthumbs.db",
    ".Spotlight-V100/store.db",
)


def test_25_system_files(instrument: Path, companion: Any) -> None:
    for name in SYSTEM:
        (instrument / name).parent.mkdir(exist_ok=True)
        (instrument / name).write_bytes(b"\0\5\x16\7 of a system")
    checked = companion("check", instrument, "contents", "sound", "--json")
    assert checked.code == 0, "noted, and no more"
    listed = {f["path"] for f in checked.json["findings"] if f["rule"] == "stray-system-file"}
    assert listed >= set(SYSTEM[:5])
    packed = companion("pack", instrument, "--json").json["archive"]
    with zipfile.ZipFile(packed["path"]) as archive:
        assert [
            name for name in archive.namelist() if name.rpartition("/")[2] in {s.rpartition("/")[2] for s in SYSTEM}
        ] == []
        assert len(archive.namelist()) == 5
