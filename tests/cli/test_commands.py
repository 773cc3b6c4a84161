"""The contract scripts rely on: every command, its JSON, its exit codes, and one line for every error."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest

from companion.cli.away import KINDS
from companion.core.evidence import AwayKind
from companion.steps.catalogue import RULES
from companion.steps.model import State
from companion.steps.table import STEP_IDS

Companion = Callable[..., Any]


def one_line(result: Any) -> None:
    assert result.code == 2
    assert result.out == ""
    assert len(result.err.splitlines()) == 1, result.err
    assert "Traceback" not in result.err


def test_status_names_the_ten_steps_in_order(companion: Companion, demo_folder: Path) -> None:
    result = companion("status", demo_folder, "--json")
    assert result.json["schema"] == 1
    assert [step["id"] for step in result.json["steps"]] == list(STEP_IDS)
    assert {step["state"] for step in result.json["steps"]} <= {state.value for state in State}
    assert result.code == 1, "the demo's contact is missing, which blocks"


def test_without_a_terminal_a_folder_prints_its_status(companion: Companion, demo_folder: Path) -> None:
    opened, status = companion(demo_folder), companion("status", demo_folder)
    assert opened.out == status.out
    assert "Facts" in opened.out
    assert "Next:" in opened.out


def test_check_names_rule_place_measure_limit_and_mend(companion: Companion, demo_folder: Path) -> None:
    result = companion("check", demo_folder, "contents", "paths", "--json")
    assert result.code == 1
    keys = {"step", "rule", "severity", "path", "where", "measured", "limit", "why", "mend"}
    assert all(keys <= set(finding) for finding in result.json["findings"])
    assert {finding["step"] for finding in result.json["findings"]} == {"contents", "paths"}
    assert {"reference-missing", "path-absolute"} <= {finding["rule"] for finding in result.json["findings"]}


def test_explain_lists_every_rule_and_tells_one_in_full(companion: Companion) -> None:
    listed = companion("explain", "--json").json["rules"]
    assert sorted(rule["id"] for rule in listed) == sorted(rule.id for rule in RULES)
    assert [rule["step"] for rule in listed] == sorted((rule["step"] for rule in listed), key=STEP_IDS.index)
    assert len({rule.id for rule in RULES}) == len(RULES)
    for rule in RULES:
        assert rule.step in STEP_IDS
        assert rule.means
        assert rule.why
        assert rule.mend
        assert rule.source
    rests = next(rule["rests_on"] for rule in listed if rule["id"] == "clipped")
    assert (list(rests), all(version >= 1 for version in rests.values())) == (["format", "levels"], True)
    told = companion("explain", "reference-missing")
    assert told.code == 0
    assert "mend:" in told.out


@pytest.mark.parametrize(
    "arguments",
    [
        ("status", "no-such-folder"),
        ("check", ".", "nonsense"),
        ("explain", "nonsense"),
        ("measure", "no-such-file.wav"),
        ("prove", "no-such-archive.zip"),
        ("nonsense-command-or-folder",),
        ("draft", ".", "poem"),
        ("snapshot", "no-such-folder"),
        ("compare", ".", "one"),
        ("waive", ".", "nonsense", "x"),
        ("status", "--nonsense"),
    ],
)
def test_an_error_is_one_line_and_exit_code_2(
    companion: Companion, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    monkeypatch.chdir(tmp_path)
    one_line(companion(*arguments))


def test_broken_facts_name_the_key(companion: Companion, tmp_path: Path) -> None:
    (tmp_path / "release.toml").write_text('[engine]\nminimun = "7.1"\n', encoding="utf-8")
    result = companion("status", tmp_path)
    one_line(result)
    assert "engine.minimun" in result.err


def test_start_proposes_writes_once_and_never_overwrites(companion: Companion, tmp_path: Path) -> None:
    (tmp_path / "Samples").mkdir()
    for note in ("C3", "E3", "G3"):
        (tmp_path / "Samples" / f"Slate_{note}_v100_rr1.wav").write_bytes(b"RIFF")
    (tmp_path / "Slate.eeng").write_bytes(bytes(range(256)))
    result = companion("start", tmp_path, "--engine", "Example Engine", "--saved-with", "7.1", "--json")
    assert result.code == 0
    facts = (tmp_path / "release.toml").read_text("utf-8")
    assert "Slate.eeng" in facts
    assert "{note}" in facts
    assert 'saved_with = "7.1"' in facts
    one_line(companion("start", tmp_path, "--engine", "Another"))
    assert (tmp_path / "release.toml").read_text("utf-8") == facts


def test_a_waiver_lapses_when_its_file_changes(companion: Companion, demo_folder: Path) -> None:
    def blocking() -> set[tuple[str, str]]:
        found = companion("check", demo_folder, "contents", "--json").json["findings"]
        return {(f["rule"], f["path"]) for f in found if f["severity"] == "blocks" and not f["waived"]}

    rule, path = min(pair for pair in blocking() if pair[1] and pair[1] != "release.toml")
    assert companion("waive", demo_folder, rule, path, "--reason", "heard and meant").code == 0
    assert (rule, path) not in blocking()
    with (demo_folder / path).open("ab") as stream:
        stream.write(b"\0")
    after = companion("check", demo_folder, "contents").out
    assert "waived: heard and meant" not in after
    assert "“heard and meant”: nothing of it is found there now" in after
    assert companion("waive", demo_folder, "waiver-idle", path, "--reason", "so be it").code == 2
    assert companion("waive", demo_folder, rule, path, "--back").code == 0
    assert "heard and meant" not in companion("check", demo_folder, "contents").out


def test_all_that_a_rule_found_is_waived_and_taken_back_at_once(companion: Companion, demo_folder: Path) -> None:
    def open_ones(rule: str) -> list[str]:
        found = companion("check", demo_folder, "sound", "--json").json["findings"]
        return [f["path"] for f in found if f["rule"] == rule and not f["waived"]]

    found = companion("check", demo_folder, "sound", "--json").json["findings"]
    counts = Counter(f["rule"] for f in found if f["path"] not in ("", "release.toml"))
    rule, count = counts.most_common(1)[0]
    assert count > 1
    one = open_ones(rule)[0]
    assert companion("waive", demo_folder, rule, one, "--reason", "this one").code == 0
    assert len(open_ones(rule)) == count - 1, "one alone"
    assert companion("waive", demo_folder, rule, one, "--back").code == 0
    done = companion("waive", demo_folder, rule, "--all", "--reason", "so the tape was")
    assert (done.code, f"{count} findings waived" in done.out) == (0, True), done.err
    assert open_ones(rule) == []
    assert "so the tape was" in (demo_folder / "release.toml").read_text("utf-8")
    assert companion("waive", demo_folder, rule, "--all", "--back").code == 0
    assert len(open_ones(rule)) == count
    refused = companion("waive", demo_folder, rule, "a.wav", "--all", "--reason", "x")
    assert (refused.code, len(refused.err.splitlines())) == (2, 1)


def test_version_is_told_without_anything_heavy() -> None:
    code = (
        "import sys; sys.argv = ['companion', '--version']\n"
        "from companion.cli import main\n"
        "try: main()\n"
        "finally:\n"
        "    heavy = {'textual', 'numpy', 'scipy', 'soundfile', 'git', 'jinja2', 'PIL', 'msgspec', 'packaging'}\n"
        "    print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stderr.strip() == "[]"


def test_demo_copies_to_a_new_folder_only(companion: Companion, tmp_path: Path) -> None:
    assert companion("demo", tmp_path / "slate").code == 0
    assert (tmp_path / "slate" / "release.toml").is_file()
    one_line(companion("demo", tmp_path / "slate"))


def test_status_says_what_each_step_asks_for_next(companion: Companion, demo_folder: Path) -> None:
    steps = companion("status", demo_folder, "--json").json["steps"]
    assert {tuple(step) for step in steps} == {("id", "title", "state", "because", "next", "findings")}
    asked = {step["id"]: step["next"] for step in steps}
    assert asked["sound"] == "Measure the samples."
    assert asked["facts"] == "Mend what blocks, or waive it with a reason."
    assert all(asked.values())


def test_csv_gives_a_spreadsheet_nothing_to_run(
    companion: Companion, demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file's name may begin like a formula; a level of −9 dB may not become a text."""
    sound = next((demo_folder / "Samples" / "Hummed").glob("*.wav")).read_bytes()
    names = ["=1+1.wav", "+1.wav", "@SUM(A1).wav", "-1+cmd.wav", "plain.wav"]
    for name in names:
        (tmp_path / name).write_bytes(sound)
    monkeypatch.chdir(tmp_path)
    rows = list(csv.DictReader(io.StringIO(companion("measure", "--csv", "--", *names).out)))
    assert [row["path"] for row in rows] == [f"'{name}" for name in names[:-1]] + ["plain.wav"]
    assert all(float(row["peak_dbfs"]) < 0 for row in rows)


def test_away_asks_for_every_kind_there_is() -> None:
    """Written out in the command line, which imports nothing of the core before it is needed."""
    assert get_args(AwayKind) == KINDS


def test_start_refuses_a_version_that_reads_as_none_and_writes_nothing(companion: Companion, tmp_path: Path) -> None:
    result = companion("start", tmp_path, "--title", "T", "--saved-with", "\uff17.1")
    assert result.code == 2
    assert "does not read as a version" in result.err
    assert not (tmp_path / "release.toml").exists()


def test_conflicts_of_a_text_are_settled_by_word(companion: Companion, instrument: Path) -> None:
    companion("draft", instrument, "readme", "--write")
    readme = instrument / "README.md"
    readme.write_text(readme.read_text("utf-8").replace("Slabs of slate, struck.", "My slate."), "utf-8")
    companion("fact", instrument, "instrument.summary", "Slate, struck softly.")
    assert companion("draft", instrument, "readme").code == 1
    refused = companion("draft", instrument, "readme", "--settle", "mine")
    assert (refused.code, len(refused.err.splitlines())) == (2, 1)
    assert companion("draft", instrument, "readme", "--write", "--settle", "draft").code == 0
    assert "Slate, struck softly." in readme.read_text("utf-8")
    assert "My slate." not in readme.read_text("utf-8")
    assert companion("draft", instrument, "readme").code == 0
