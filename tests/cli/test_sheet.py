"""The sheet: one page that needs nothing else, says how things stand, and tells nothing private."""

from __future__ import annotations

import re
from pathlib import Path

import html5lib
import pytest

from companion.core.text import without_home
from companion.workshop import Workshop
from tests.cli.conftest import Companion

DAY = "2026-02-03"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The sheet of the demo, checked, with an away test, an answer and a release before it."""
    from companion.archive.record import ReleaseRecord, write_record
    from companion.core.evidence import AwayTest
    from companion.steps.deeds.demo import copy_demo

    folder = tmp_path_factory.mktemp("sheet") / "lukas" / "Slate Choir"
    folder.parent.mkdir()
    copy_demo(folder)
    (folder / "releases").mkdir()
    record = ReleaseRecord(
        title="Slate Choir", version="0.9", archive="x.zip", size=1, sha256="0" * 64, top="Slate Choir",
        files=(("Samples/old <b>.wav", 1, "1" * 64),), facts=(folder / "release.toml").read_text("utf-8"),
    )  # fmt: skip
    write_record(folder / "releases", record)
    shop = Workshop.open(folder)
    shop.record_away(
        AwayTest(
            kind="another player",
            result="pass",
            who="Ada",
            engine_version="7.2.1",
            system="Windows 11",
            played="all keys",
            notes="Ada's cat slept",
            edition="full",
        )
    )
    shop.record_away(
        AwayTest(
            kind="another computer",
            result="fail",
            who="Quirin",
            engine_version="7.2.1",
            system="Windows 11",
            played="all of Quirin's keys",
            notes="Mira heard a hum",
        )
    )
    shop.answer(shop.trials()[0].trial.id, "fail", "it <i>hums</i>")
    shop.check(["facts", "contents", "paths", "sound", "controls", "away", "needs"])
    text = shop.sheet(DAY)
    shop.close()
    return text


def test_it_is_valid_and_needs_nothing_else(written: str) -> None:
    """HTML Living Standard, by html5lib's strict parser; nothing in it is fetched and nothing runs."""
    html5lib.HTMLParser(strict=True).parse(written)
    assert not re.search(r"<(?:script|link|img|iframe|object|embed|form|base)\b|\bon\w+=|url\(|@import", written)
    assert set(re.findall(r'https?://[^"\s<]+', written)) <= {"http://www.w3.org/2000/svg", "https://…"}


def test_each_step_stands_on_it_with_its_grounds(written: str) -> None:
    for title in "Facts Contents Paths Sound Controls Away Needs Words Archive Out".split():  # noqa: SIM905
        assert f"<h2>{title} <span class=" in written
    assert f"Quay Room · {DAY} · " in written
    assert '<b class="mark">reference-missing</b> Slate Choir.eeng, byte' in written
    assert '<b class="limit">sample-unused</b>' in written
    assert re.search(r"<li>and \d+ more</li>", written), "a long list is cut, and says so"
    assert '<th scope="row">Engine</th>' in written
    assert "fail, by ear and hand" in written
    assert "<h2>Changed since 0.9</h2>" in written
    assert written.count("<svg ") >= 6
    assert ">Keys, by layer and dynamic<" in written
    assert written.count("<style>") == 1, "the style of the pictures stands once"


def test_it_begins_with_all_steps_at_a_glance_and_ends_with_the_pictures(written: str) -> None:
    page = html5lib.parse(written, namespaceHTMLElements=False)
    links = page.findall(".//ul[@class='overview']/li/a")
    assert [link.text for link in links] == "Facts Contents Paths Sound Controls Away Needs Words Archive Out".split()  # noqa: SIM905
    assert all(page.find(f".//section[@id='{link.get('href')[1:]}']") is not None for link in links)
    headings = ["".join(one.itertext()).partition(" ")[0] for one in page.iter("h2")]
    assert headings[0] == "Facts"
    assert headings[-1] == "Pictures"


def test_paper_is_white_and_light_whatever_the_screen_is(written: str) -> None:
    style = written.partition("@media print {")[2]
    assert style.lstrip().startswith("@page { margin: 14mm; } :root, svg { --paper: #fff; --plain: ")
    assert written.index("prefers-color-scheme: dark") < written.index("@media print {"), "the later one stands"


def test_nothing_private_is_on_it(written: str) -> None:
    for private in ("Ada", "cat slept", "lukas", "slatehand", "/tmp", "Quirin", "Mira", "all keys"):
        assert private not in written
    assert ">another player · Windows 11 · Example Engine 7.2.1 full</th><td>pass<" in written
    assert '<li><b class="mark">away-differs</b></li>' in written


def test_no_players_words_are_on_it_even_as_the_name_of_a_report() -> None:
    from companion.core.findings import NOTES, Finding
    from companion.steps.deeds.sheet_page import _findings
    from companion.steps.model import State, StepStatus

    said = tuple(Finding(rule=rule, severity=NOTES, path="reports/mira-hums.txt") for rule in ("report-open", "other"))
    step = StepStatus(
        id="out", title="", question="", state=State.OPEN, because="", next="", fingerprint="", findings=said
    )
    assert _findings(step)[1:3] == [
        '<li><b class="limit">report-open</b></li>',
        '<li><b class="limit">other</b> reports/mira-hums.txt</li>',
    ]


def test_what_a_stranger_wrote_is_inert(written: str) -> None:
    assert "it &lt;i&gt;hums&lt;/i&gt;" in written
    assert "old &lt;b&gt;.wav" in written


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (r"C:\Users\lu kay\x.wav", r"C:\Users\…\x.wav"),
        (r"a home folder: \Users\slatehand, and", r"a home folder: \Users\…, and"),
        ("/Users/lu/x and /home/kay", "/Users/…/x and /home/…"),
        ("C:/Users/lu/x", "C:/Users/…/x"),
        ("Samples/home/x.wav", "Samples/home/x.wav"),
        ("/home/…/x", "/home/…/x"),
    ],
)
def test_names_in_paths_of_home_folders_are_left_out(text: str, told: str) -> None:
    assert without_home(text) == told
    assert without_home(told) == told


def test_it_is_written_beside_the_releases_or_where_one_says(
    companion: Companion, instrument: Path, tmp_path: Path
) -> None:
    came = companion("sheet", instrument, "--json")
    target = Path(came.json["sheet"])
    assert (came.code, target.parent) == (0, instrument / "releases")
    assert target.name.endswith(" sheet.html")
    assert "<!DOCTYPE html>" in target.read_text("utf-8")
    shipped = {one["path"] for one in companion("contents", instrument, "--json").json["contents"]["files"]}
    assert not any("sheet" in path for path in shipped), "it never ships"
    assert companion("sheet", instrument, "--out", tmp_path / "mine.html").out == f"Written: {tmp_path / 'mine.html'}\n"
    none = companion("sheet", instrument, "--out", tmp_path / "none" / "mine.html")
    assert (none.code, none.err.count("\n")) == (2, 1)


def test_a_folder_of_nothing_has_a_sheet(companion: Companion, tmp_path: Path) -> None:
    (tmp_path / "new").mkdir()
    assert companion("sheet", tmp_path / "new", "--out", tmp_path / "s.html").code == 0
    html5lib.HTMLParser(strict=True).parse((tmp_path / "s.html").read_text("utf-8"))


def test_what_cannot_be_drawn_is_left_out() -> None:
    from companion.core.errors import Cancelled, CompanionError
    from companion.core.progress import QUIET
    from companion.steps.deeds.sheet import pictures
    from companion.steps.model import Status

    class Blind:
        error: Exception = CompanionError("no picture", "", "")

        def draw(self, sight: object, watch: object) -> object:
            raise self.error

    status = Status(title="", version="", steps=())
    assert pictures(Blind(), status, QUIET) == ()  # type: ignore[arg-type]
    Blind.error = Cancelled("stopped")
    with pytest.raises(Cancelled):
        pictures(Blind(), status, QUIET)  # type: ignore[arg-type]
