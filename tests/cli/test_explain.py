"""What ``explain`` says of the facts and of JSON is true: every key, every example, every object that is printed."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec
import pytest

from companion.cli.base import commands
from companion.cli.render.outputs import outputs
from companion.core.facts import Facts, facts_from_toml

Companion = Callable[..., Any]


def test_every_key_of_the_facts_is_explained_with_an_example_that_holds(companion: Companion) -> None:
    tables = companion("explain", "facts", "--json").json["facts"]
    assert [table["table"].strip("[]") for table in tables] == list(Facts.__struct_fields__)
    written = []
    for table in tables:
        written.append(table["table"])
        for key in table["keys"]:
            assert key["means"]
            assert key["default"]
            written.append(f"{key['key']} = {key['example']}")
    text = "\n".join(written)
    facts = facts_from_toml(text)
    stated = tomllib.loads(text)
    for table in tables:
        name = table["table"].strip("[]")
        part = getattr(facts, name)
        one = part[0] if isinstance(part, tuple) else part
        keys = stated[name][0] if isinstance(part, tuple) else stated[name]
        assert set(keys) == set(one.__struct_fields__), name


def test_a_key_says_its_type_unit_and_default(companion: Companion) -> None:
    tables = {
        t["table"]: {k["key"]: k for k in t["keys"]} for t in companion("explain", "facts", "--json").json["facts"]
    }
    peak = tables["[limits]"]["true_peak_dbtp"]
    assert (peak["type"], peak["unit"], peak["rule"]) == ("number or null", "dBTP", "peak-over")
    assert peak["default"] == next(rule["limit"] for rule in companion("explain", "peak-over", "--json").json["rules"])
    assert tables["[[controls]]"]["kind"]["type"] == "“knob” or “slider” or “switch” or “menu”"
    assert tables["[[controls]]"]["name"]["required"] is True
    assert (tables["[[layers]]"]["high_key"]["default"], tables["[[layers]]"]["high_key"]["unit"]) == (
        "127",
        "MIDI note",
    )
    text = companion("explain", "facts").out
    assert '  maker = "Quay Room"\n      who answers for it' in text


def test_own_templates_are_explained_and_work(companion: Companion, instrument: Path) -> None:
    templates = companion("explain", "facts", "--json").json["templates"]
    assert templates["folder"] == "release-words"
    assert {"readme.jinja", "page.jinja", "changelog.jinja", "sentences.jinja"} <= set(templates["names"])
    own = instrument / "release-words"
    own.mkdir()
    body = "".join(f"{{% if {name} %}}{name} {{% endif %}}" for name in templates["fields"])
    (own / "page.jinja").write_text(f"{{{{ title }}}} by {{{{ maker }}}}: {body}", encoding="utf-8")
    drafted = companion("draft", instrument, "page").out
    assert drafted.startswith("Slate Choir by Quay Room: title version maker ")
    (own / "page.txt.jinja").write_text("In plain text.", encoding="utf-8")
    assert companion("draft", instrument, "page", "--format", "txt").out == "In plain text.\n"
    assert companion("draft", instrument, "page").out == drafted


def test_every_command_with_json_is_documented() -> None:
    grouped = {
        f"{name} {below}".removesuffix(" record"): command
        for name, group in commands.everything().items()
        if isinstance(group, click.Group)
        for below, command in group.commands.items()
    }
    with_json = {
        name.partition(" ")[0]
        for name, command in {**commands.everything(), **grouped}.items()
        if any(isinstance(p, click.Option) and "--json" in p.opts for p in command.params)
    }
    assert {name.partition(" ")[0] for name in outputs()} == with_json


def conforms(result: Any, name: str) -> None:
    """Fail unless what was printed is what is documented, key for key, down to the last object."""
    printed = result.json
    assert printed.pop("schema") == 1
    documented = outputs()[name]
    assert list(printed) == list(documented), name
    for key, kind in documented.items():
        value = msgspec.convert(printed[key], kind, strict=False, dec_hook=lambda made, text: made(text))
        assert json.loads(json.dumps(msgspec.to_builtins(value, str_keys=True, enc_hook=str))) == printed[key], key


def test_every_command_prints_what_is_documented(
    companion: Companion, demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = demo_folder
    facts = (folder / "release.toml").read_text("utf-8")
    (folder / "release.toml").unlink()
    conforms(companion("start", folder, "--engine", "Example Engine", "--json"), "start")
    (folder / "release.toml").write_text(facts, encoding="utf-8")
    conforms(companion("fact", folder, "instrument.without", "--json"), "fact")
    conforms(companion("status", folder, "--json"), "status")
    conforms(companion("check", folder, "--json"), "check")
    conforms(companion("needs", folder, "--json"), "needs")
    conforms(companion("contents", folder, "--json"), "contents")
    for path, kind in (
        ("Samples/Struck/struck_C3_v110_rr1.wav", "waveform"),
        ("", "map"),
        ("", "weight"),
        ("Slate Choir.eeng", "bytes"),
    ):
        conforms(companion("show", folder, path, "--as", kind, "--json"), "show")
    trials = companion("trials", folder, "--json")
    companion("answer", folder, trials.json["trials"][0]["trial"]["id"], "pass")
    conforms(companion("trials", folder, "--json"), "trials")
    conforms(companion("away", "hide", folder, "--to", tmp_path / "copy", "--json"), "away hide")
    conforms(companion("away", "watch", folder, "--for", 0, "--json"), "away watch")
    conforms(companion("away", "back", folder, "--json"), "away back")
    told = ("--engine-version", "7.2.1", "--system", "Windows 11", "--played", "all keys")
    conforms(companion("away", folder, "--kind", "originals hidden", "--result", "pass", *told, "--json"), "away")
    conforms(companion("snapshot", folder, "-m", "one", "--json"), "snapshot")
    (folder / "Licence.txt").write_text("Another.\n", encoding="utf-8")
    companion("snapshot", folder, "-m", "two")
    conforms(companion("snapshots", folder, "--json"), "snapshots")
    conforms(companion("show", folder, "--as", "history", "--json"), "show")
    monkeypatch.setenv("COMPANION_SOUND", "none")
    part = ("--for", "0.01", "--json")
    conforms(companion("play", folder, "Samples/Struck/struck_C4_v110_rr1.wav", *part), "play")
    for option in ("--changes", "--verify", "--size"):
        conforms(companion("snapshots", folder, option, "--json"), f"snapshots {option}")
    conforms(companion("status", folder, "--json"), "status")
    conforms(companion("compare", folder, 1, 2, "--json"), "compare")
    conforms(companion("restore", folder, 1, "--json"), "restore")
    conforms(companion("mirror", folder, tmp_path / "copy.git", "--json"), "mirror")
    (tmp_path / "fresh").mkdir()
    conforms(companion("adopt", tmp_path / "fresh", tmp_path / "copy.git", "--json"), "adopt")
    conforms(companion("forget", folder, 2, "--labelled", "--json"), "forget")
    conforms(companion("draft", folder, "page", "--json"), "draft")
    conforms(companion("pack", folder, "--json"), "pack")
    conforms(companion("measure", folder / "Samples", "--json"), "measure")
    conforms(companion("explain", "--json"), "explain")
    conforms(companion("explain", "sound", "--json"), "explain STEP")


def test_what_a_release_prints_is_documented(companion: Companion, instrument: Path, tmp_path: Path) -> None:
    told = ("--who", "Ada", "--engine-version", "7.1", "--system", "Windows 11", "--played", "all keys")
    companion("away", instrument, "--kind", "another player", "--result", "pass", *told)
    for text in ("changelog", "readme", "page"):
        companion("draft", instrument, text, "--write")
    companion("check", instrument)
    archive = Path(companion("pack", instrument, "--json").json["archive"]["path"])
    conforms(companion("prove", archive, "--json"), "prove")
    kit = companion("kit", instrument, "--out", tmp_path, "--json")
    form = tmp_path / "Form.txt"
    form.write_text(f"Kit {kit.json['kit']['code']}\n1. Which version\nAnswer: 1.0\n", encoding="utf-8")
    conforms(kit, "kit")
    conforms(companion("kit", "run", kit.json["kit"]["path"], "--to", tmp_path / "there", "--json"), "kit run")
    conforms(companion("receive", instrument, form, "--json"), "receive")
    conforms(companion("kit", "list", instrument, "--json"), "kit list")
    conforms(companion("release", instrument, "--json"), "release")
    for verb, *words in (
        ("add", "--text", "It hums at C3.", "--version", "1.0", "--about", "LICENCE.txt"),
        ("list",),
        ("show", "it-hums-at-c3"),
        ("edit", "it-hums-at-c3", "--about", "hum"),
        ("close", "it-hums-at-c3", "--why", "it is meant"),
    ):
        conforms(companion("report", verb, instrument, *words, "--json"), f"report {verb}")
    conforms(companion("releases", instrument, "--json"), "releases")
    conforms(companion("shelf", instrument, "--json"), "shelf")
    conforms(companion("sheet", instrument, "--json"), "sheet")
    copy = tmp_path / "downloaded.zip"
    copy.write_bytes(archive.read_bytes()[:-9])
    conforms(companion("upload", instrument, copy, "--json"), "upload")
    facts = instrument / "release.toml"
    facts.write_text(facts.read_text("utf-8").replace('version = "1.0"', 'version = "1.1"'), encoding="utf-8")
    (instrument / "LICENCE.txt").write_text("CC0 1.0, whole text\n", encoding="utf-8")
    conforms(companion("report", "answer", instrument, "it-hums-at-c3", "No hum.", "--json"), "report answer")
    conforms(companion("pack", instrument, "--since", "1.0", "--json"), "pack --since")


def test_the_schema_is_one(companion: Companion) -> None:
    """Where a program wants it: JSON Schema, 2020-12, for each command."""
    schemas = companion("explain", "json", "--json").json["commands"]
    assert list(schemas) == list(outputs())
    for name, schema in schemas.items():
        output = schema["$defs"]["Output"]
        assert set(output["properties"]) == {"schema", *outputs()[name]}
    text = companion("explain", "json").out
    assert "companion snapshots --verify --json\n  verified: Verified\n" in text
    assert "  The place of a finding" in text
