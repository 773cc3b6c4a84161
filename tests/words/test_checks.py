"""Each rule with its fault and its nearest innocent neighbours. Common practice, no source, where none is named."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.facts import Control
from companion.core.findings import At, Finding
from companion.core.rules import findings_of
from companion.words.changelog import merge_entry
from companion.words.drafts import draft
from companion.words.model import Media, WordsModel
from companion.words.rules import RULES
from companion.words.safe import Fmt
from companion.words.story import Change, Story, Tested

Look = Callable[..., list[Finding]]


def of(rule: str, findings: list[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.rule == rule]


def readme(story: Story, line: str) -> str:
    return draft("readme", "md", story) + f"\n{line}\n"


def test_the_rules_are_those_of_the_catalogue() -> None:
    assert {rule.id: rule.severity.value for rule in RULES} == {
        "changelog-entry-missing": "blocks",
        "changelog-misses-change": "warns",
        "readme-missing-part": "warns",
        "words-disagree": "blocks",
        "claim-unproven": "blocks",
        "placeholder-left": "blocks",
        "page-too-long": "warns",
        "media-missing": "blocks",
        "media-too-large": "warns",
        "media-unmeasured": "warns",
    }
    assert {rule.step for rule in RULES} == {"words"}


def test_what_the_companion_drafts_passes_its_own_checks(story: Story, found: Look) -> None:
    assert found(story) == []
    for fmt in ("txt", "html", "md"):
        assert found(story, page=draft("page", fmt, story), readme=draft("readme", "txt", story)) == []


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_story_of_plain_words_passes_the_checks_on_its_own_drafts(data: st.DataObject) -> None:
    words = st.lists(
        st.sampled_from("slate brush hum stone low air cold bow shed tide".split()),  # noqa: SIM905
        min_size=1,
        max_size=6,
    )
    name = words.map(lambda parts: " ".join(parts).title())
    number = st.integers(1, 9)
    dotted = st.tuples(number, number).map(lambda pair: f"{pair[0]}.{pair[1]}")
    engine = data.draw(dotted)
    story = Story(
        title=data.draw(name),
        version=data.draw(dotted),
        maker=data.draw(name),
        summary=data.draw(words.map(lambda parts: f"Recordings of {' '.join(parts)} in a cold room")),
        contact="hello@quay-room.example",
        licence="CC0-1.0",
        engine=data.draw(name),
        saved_with=engine,
        minimum=engine,
        minimum_because=data.draw(st.sampled_from(["", "the version the patch was saved with"])),
        systems_tested=tuple(
            Tested(system=system, engine_version=engine, by="another computer")
            for system in data.draw(st.sets(st.sampled_from(["Windows 11", "macOS 14.2", "linux"])))
        ),
        systems_hoped=data.draw(st.sampled_from([(), ("Linux",)])),
        samples=data.draw(st.one_of(st.none(), st.integers(0, 30_000))),
        seconds=data.draw(st.one_of(st.none(), st.floats(0, 90_000))),
        unpacked_bytes=data.draw(st.one_of(st.none(), st.integers(0, 10**12))),
        controls=tuple(Control(name=text) for text in data.draw(st.lists(name, max_size=3))),
        changes=tuple(Change(group="Added", text=f"{text} added", about=(text,)) for text in data.draw(st.lists(name))),
        released_at="2026-02-03",
    )
    for fmt in ("md", "txt", "html"):
        changelog = merge_entry("", draft("changelog", "txt" if fmt == "txt" else "md", story), story.version).text
        model = WordsModel(
            texts={f"README.{fmt}": draft("readme", fmt, story), "CHANGELOG.md": changelog},
            pages={"": draft("page", fmt, story)},
            story=story,
        )
        assert list(findings_of(RULES, model)) == []


# changelog-entry-missing


@pytest.mark.parametrize(
    ("text", "measured"),
    [
        (None, "no changelog"),
        ("# Changelog\n\n## [1.1] - 2026-01-01\n\n- Older.\n", "no entry for 1.2"),
        ("# Changelog\n\n## [1.2] - 2026-02-03\n\n### Added\n\n## [1.1]\n\n- Old.\n", "the entry for 1.2 is empty"),
        ("## [1.20] - 2026-02-03\n\n- Other.\n", "no entry for 1.2"),
    ],
)
def test_changelog_entry_missing(story: Story, found: Look, text: str | None, measured: str) -> None:
    (finding,) = of("changelog-entry-missing", found(story, changelog=text))
    assert finding.measured == measured


@pytest.mark.parametrize(
    "heading", ["## [1.2.0] - 2026-02-03", "## v1.2", "## Slate Choir 1.2", "1.2 - 2026-02-03\n-----------", "## 1.2:"]
)
def test_changelog_entry_there(story: Story, found: Look, heading: str) -> None:
    text = f"# Changelog\n\n{heading}\n\n- Slate low has more takes.\n\n## [1.1]\n\n- Old.\n"
    assert of("changelog-entry-missing", found(story, changelog=text)) == []


# changelog-misses-change


@pytest.mark.parametrize(
    "line",
    ["- Brush noise is quieter.", "### Removed\n\n- Three samples that hissed.", "- The slate lowboy is heavier."],
)
def test_changelog_misses_change(story: Story, found: Look, line: str) -> None:
    (finding,) = of("changelog-misses-change", found(story, changelog=f"## [1.2]\n\n{line}\n"))
    assert finding.measured == "not mentioned: 48 samples added: Slate low"


@pytest.mark.parametrize(
    "line",
    [
        "- More takes for *Slate low*.",
        "- We added samples down below.",
        "### Added\n\n- Lots of new low samples.",
        "- slate LOW!",
    ],
)
def test_changelog_mentions_change_in_the_makers_own_words(story: Story, found: Look, line: str) -> None:
    assert of("changelog-misses-change", found(story, changelog=f"## [1.2]\n\n{line}\n")) == []


# readme-missing-part

PARTS = {
    "what it is": "Slabs of slate, struck and brushed in a boat shed.",
    "unzip first": "- Unzip it before anything else.",
    "keep the folder whole": "- Keep the folder together.",
    "needs": "- Requires a recent engine.",
    "install": "- Open the patch.",
    "licence": "- Licence: CC-BY-4.0",
    "contact": "- hello@quay-room.example",
}


@pytest.mark.parametrize("part", PARTS)
def test_readme_missing_part(story: Story, found: Look, part: str) -> None:
    text = "\n\n".join(["# Slate Choir", *(line for name, line in PARTS.items() if name != part)])
    (finding,) = of("readme-missing-part", found(story, readme=text))
    assert finding.measured == f"missing: {part}"


def test_readme_with_every_part_and_without_any(story: Story, found: Look) -> None:
    assert of("readme-missing-part", found(story, readme="\n\n".join(["# Slate Choir", *PARTS.values()]))) == []
    (finding,) = of("readme-missing-part", found(story, readme=None))
    assert finding.measured == "no readme"


# words-disagree


@pytest.mark.parametrize(
    ("line", "facts"),
    [
        ("Version 1.1, by Quay Room.", "version 1.2"),
        ("# Slate Choir 1.1", "version 1.2"),
        ("| Version | 1.1 |", "version 1.2"),
        ("Get Slate-Choir-1.1.zip first.", "version 1.2"),
        ("**Needs** Example Engine 6.9 or newer.", "Example Engine 7.0 or newer"),
        ("- Example Engine 7.1 or later", "Example Engine 7.0 or newer"),
        ("You need at least version 6.5 of Example Engine.", "Example Engine 7.0 or newer"),
        ("It requires version 7.1 or newer of Example Engine.", "Example Engine 7.0 or newer"),
        ("Thank you. It requires at least\nExample Engine 7.2.", "Example Engine 7.0 or newer"),
        ("It contains 214 samples.", "213 samples"),
        ("- Samples: 2,130", "213 samples"),
        ("There are 200 samples in all.", "213 samples"),
        ("Slate Choir has 3 layers.", "2 layers"),
    ],
)
def test_words_disagree(story: Story, found: Look, line: str, facts: str) -> None:
    own = "A choir of slate.\n\n" + line + "\n"
    (finding,) = of("words-disagree", found(story, readme=own))
    assert finding.limit == f"the facts say {facts}"
    assert finding.path == "README.md"
    assert finding.where == ("line 4" if "\n" in line else "line 3")


def test_a_wrong_count_in_the_page_is_found_where_it_stands(story: Story, found: Look) -> None:
    page = draft("page", "html", story).replace("213 samples", "99 samples")
    (finding,) = of("words-disagree", found(story, page=page))
    assert finding.where.startswith("download page, line ")
    line = int(finding.where.rsplit(" ", 1)[1])
    assert "99 samples" in page.split("\n")[line - 1]


@pytest.mark.parametrize(
    "line",
    [
        "Version 1.2",
        "Version 1.2.0, by Quay Room",
        "Since version 1.1 the loops are longer.",
        "Version 1.1 had a click in its lowest note.",
        "Songs made with Slate Choir 1.1 open as they are.",
        "Example Engine version 7.3",
        "Version 7.3 of Example Engine",
        "You need at least version 7.0 of Example Engine.",
        "It needs version 6.5 of Other Engine to read old songs.",
        "It was saved with Example Engine 7.1.",
        "Older hosts, such as Example Engine 6.4, show no picture.",
        "Needs Example Engine 7.0.0 or newer.",
        "Needs Example Engine 7.0 or newer instead of 6.9 or newer.",
        "Slate low has 96 samples.",
        "12 samples per note",
        "48 samples in the low layer",
        "- 96 samples, struck\n- 117 samples, brushed",
        "48,000 samples per second",
        "A fade of 64 samples",
        "213 samples in all",
        "Slate Choir contains 213 samples.",
        "Each note has 4 layers of hum.",
    ],
)
def test_words_agree(story: Story, found: Look, line: str) -> None:
    assert of("words-disagree", found(story, readme=f"A choir of slate.\n\n{line}\n")) == []


def test_a_page_that_lies_somewhere_is_named_by_its_path(story: Story) -> None:
    model = WordsModel(texts={}, story=story, pages={"releases/Slate Choir 1.2 page.md": "A choir.\n\nTODO"})
    (finding,) = of("placeholder-left", list(findings_of(RULES, model)))
    assert (finding.path, finding.where) == ("releases/Slate Choir 1.2 page.md", "line 3")
    (finding,) = of(
        "placeholder-left", list(findings_of(RULES, msgspec.structs.replace(model, pages={"": "A choir.\n\nTODO"})))
    )
    assert (finding.path, finding.where) == ("", "download page, line 3")


@pytest.mark.parametrize("version", ["", "the second"])
def test_versions_are_not_judged_against_one_that_cannot_be_read(story: Story, found: Look, version: str) -> None:
    unread = msgspec.structs.replace(story, version=version)
    assert of("words-disagree", found(unread, readme="A choir of slate.\n\nVersion 1.1\n", page="")) == []


def test_old_entries_of_the_changelog_may_say_what_was_true_then(story: Story, found: Look) -> None:
    old = "\n## [1.1] - 2026-01-01\n\n- Needs Example Engine 6.0 or newer. It contains 9 samples. Works on Linux.\n"
    text = merge_entry("", draft("changelog", "md", story), "1.2").text + old
    assert found(story, changelog=text) == []
    newest = text.replace("### Added\n", "### Added\n\n- Needs Example Engine 6.0 or newer.\n", 1)
    (finding,) = found(story, changelog=newest)
    assert (finding.rule, finding.path) == ("words-disagree", "CHANGELOG.md")
    line = int(finding.where.split()[1])
    assert "6.0" in newest.split("\n")[line - 1]


# claim-unproven


@pytest.mark.parametrize(
    ("line", "subject"),
    [
        ("Tested on Linux.", "Linux"),
        ("Tested on Windows 10.", "Windows 10"),
        ("Tested on Windows 1.", "Windows 1"),
        ("Works on Windows 1 and Windows 11.", "Windows 1"),
        ("Works on Windows and on a Mac.", "Mac"),
        ("Compatible with macOS 14.", "macOS 14"),
        ("It works perfectly with Example Engine 7.3.", "Example Engine 7.3"),
        ("Tested with Example Engine 7.1 by us.", "Example Engine 7.1"),
        ("Works with Example Engine 6.5 or newer.", "Example Engine 6.5 or newer"),
        ("Runs on every system.", "Runs on every system"),
        ("Not heavy at all. Works on\nLinux.", "Linux"),
        ("Tested on:\n\n- Windows 11\n- Linux", "Linux"),
        ("Tested on Windows 11, Linux, but not on old machines.", "Linux"),
        ("Opens fine on a Mac.", "Mac"),
        ("It has been opened on macOS.", "macOS"),
        ("Plays on Windows 10 without trouble.", "Windows 10"),
        ("Loads in Example Engine 6.5.", "Example Engine 6.5"),
        ("Opened and played with Example Engine 7.1.", "Example Engine 7.1"),
        ("Checked on Linux.", "Linux"),
        ("Tested by three players on Linux.", "Linux"),
        ("Tested systems: Windows, Linux", "Linux"),
        ("Tested operating systems: macOS", "macOS"),
        ("macOS: tested", "macOS"),
        ("Linux (works)", "Linux"),
        ("Windows 10: OK", "Windows 10"),
        ("| System | Works |\n|---|---|\n| Windows 11 | yes |\n| macOS | yes |\n| Linux | no |", "macOS"),
        ("| | Windows | macOS | Linux |\n|---|---|---|---|\n| Tested | ✓ | – | ✔️ |", "Linux"),
        ("| System | Planned | Tested |\n|---|---|---|\n| macOS | yes | no |\n| Linux | no | yes |", "Linux"),
        ("## Systems\n\n- Windows: yes\n- macOS: yes, by a friend", "macOS"),
        ("## Compatibility\n\nmacOS: ok\n\nLinux: not yet", "macOS"),
        ("## Runs on\n\n| System | |\n|---|---|\n| macOS 14, Apple silicon | yes |", "macOS 14"),
        ("## Works\n\n| Windows | yes |\n| macOS | yes |", "macOS"),
        (
            "| Engine | Works |\n|---|---|\n| Example Engine 7.0 | yes |\n| Example Engine 6.5 | yes |",
            "Example Engine 6.5",
        ),
        (
            "<h2>Tested on</h2>\n<table><tr><th>System</th><th>By us</th></tr>\n<tr><td>Windows</td><td>yes</td></tr>\n"
            "<tr><td><p>Linux</p></td><td><b>yes</b></td></tr></table>",
            "Linux",
        ),
    ],
)
def test_claim_unproven(story: Story, found: Look, line: str, subject: str) -> None:
    (finding,) = of("claim-unproven", found(story, readme=readme(story, line)))
    assert finding.measured.startswith(f"{subject} in “")


@pytest.mark.parametrize(
    "line",
    [
        "Tested on Windows 11.",
        "Works on Windows.",
        "Tested with Example Engine 7.0.",
        "Works with Example Engine 7.0 or newer.",
        "Works with Example Engine 7.1.",
        "Not tested on Linux.",
        "Tested on Windows 11, not on Linux.",
        "It has not been tested on macOS yet.",
        "It should work on Linux.",
        "Does it work on Linux? Please tell us.",
        "Tested on Windows 11; we hope it works on Linux too.",
        "Works with windows open or shut.",
        "Works well with a soft touch.",
        "Made on a Mac.",
        "The patch works with any keyboard.",
        "Tested on:\n\n- Windows 11\n\nThanks to all on Linux.",
        "Opens on Windows 11, and plays with Example Engine 7.0 or newer.",
        "Windows 11: tested",
        "macOS: not tested yet",
        "Linux: nobody has tried it, if it works please write.",
        "Tested by three players on Windows 11.",
        "Tested systems: Windows",
        "Open Slate Choir.patch in Example Engine 7.1.",
        "The low slab plays an octave on Linux.",
        "It was never opened on macOS.",
        "| System | Works |\n|---|---|\n| Windows 11 | yes |\n| macOS | no |\n| Linux | not yet |",
        "| System | Works |\n|---|---|\n| macOS | yes, we hope |",
        "| System | Planned | Tested |\n|---|---|---|\n| macOS | yes | no |",
        "| System | Needs a restart |\n|---|---|\n| macOS | yes |",
        "| Question | Answer |\n|---|---|\n| Does it need a Mac? | yes |",
        "| Tested system | Loops |\n|---|---|\n| Windows 11 | yes |",
        "## Tested\n\n| System | Needs a restart |\n|---|---|\n| macOS | yes |",
        "## Tested\n\n| System | Small | Large |\n|---|---|---|\n| macOS | yes | no |",
        "## Planned\n\n- Linux: yes",
    ],
)
def test_claim_proven_or_no_claim(story: Story, found: Look, line: str) -> None:
    assert of("claim-unproven", found(story, readme=readme(story, line))) == []


def test_a_minimum_that_nothing_stands_behind_proves_no_claim(story: Story, found: Look) -> None:
    bare = msgspec.structs.replace(story, systems_tested=(), minimum_because="")
    line = "It works with Example Engine 7.0."
    assert of("claim-unproven", found(bare, page="", readme=f"A choir.\n\n{line}\n"))
    backed = msgspec.structs.replace(bare, minimum_because=story.minimum_because)
    assert of("claim-unproven", found(backed, page="", readme=f"A choir.\n\n{line}\n")) == []


def test_what_was_opened_in_an_older_engine_may_be_told_as_that(story: Story, found: Look) -> None:
    mac = Tested(system="macOS 14", engine_version="6.5", by="another computer")
    older = msgspec.structs.replace(story, systems_older=(mac,))
    told = "It was opened on macOS with Example Engine 6.5, which is older."
    assert of("claim-unproven", found(older, readme=readme(older, told))) == []
    assert of("claim-unproven", found(older, page=draft("page", "md", older))) == []
    for claimed in ("Tested on macOS.", "It works on macOS.", "It was opened on Linux.", "macOS: works"):
        assert of("claim-unproven", found(older, readme=readme(older, claimed)))


def test_a_claim_loses_its_proof_with_the_away_test(story: Story, found: Look) -> None:
    page = draft("page", "html", story)
    bare = msgspec.structs.replace(story, systems_tested=())
    assert {finding.measured.split(" in ")[0] for finding in of("claim-unproven", found(bare, page=page))} == {
        "Windows 11",
        "Example Engine 7.0",
    }


# placeholder-left


@pytest.mark.parametrize(
    "line",
    [
        "TODO: thank everyone",
        "Price: TBD",
        "FIXME",
        "XXX",
        "Lorem ipsum dolor sit amet.",
        "Contact: ⟨missing: contact⟩",
        "By {{ maker }}",
        "Write to <your name>.",
        "Write to \\<your name\\>.",
        "By [insert maker here]",
        "[Your name] made this.",
        "<!-- TODO -->",
    ],
)
def test_placeholder_left(story: Story, found: Look, line: str) -> None:
    text = readme(story, line)
    (finding,) = of("placeholder-left", found(story, readme=text))
    assert finding.path == "README.md"
    assert int(finding.where.split()[1]) == text.split("\n").index(line) + 1


@pytest.mark.parametrize(
    "line",
    [
        "As told elsewhere [1].",
        "- [ ] brushed\n- [x] struck",
        "[your first note](https://quay-room.example/first)",
        "[enter the shed][shed]\n\n[shed]: https://quay-room.example",
        "<https://quay-room.example>",
        "<b>Quiet</b> by <i>insertion</i>",
        "Takes are named [rr1].",
        "What to do: play slowly.",
        "Set {a} to {b}.",
        "Nothing is missing.",
    ],
)
def test_no_placeholder(story: Story, found: Look, line: str) -> None:
    assert of("placeholder-left", found(story, readme=readme(story, line))) == []


def test_a_licence_text_is_not_the_makers_to_fill_in_and_a_title_may_shout(story: Story, found: Look) -> None:
    licence = "Copyright [insert year] <your name>. Works on Linux. Version 3.0"
    assert found(story, more={"LICENCE.txt": licence}) == []
    assert of("placeholder-left", found(story, more={"notes.txt": licence}))
    loud = msgspec.structs.replace(story, title="XXX")
    assert of("placeholder-left", found(loud)) == []


@pytest.mark.parametrize("field", ["contact", "licence", "engine", "maker", "summary", "version"])
@pytest.mark.parametrize("fmt", ["md", "txt", "html"])
def test_a_missing_fact_stays_visible_in_every_format_and_blocks(
    story: Story, found: Look, field: str, fmt: Fmt
) -> None:
    lacking = msgspec.structs.replace(story, **{field: ""})
    page = draft("page", fmt, lacking)
    marks = of("placeholder-left", found(lacking, page=page, readme=None))
    assert marks
    assert all(finding.blocks for finding in marks)


# page-too-long


def test_page_too_long(story: Story, found: Look) -> None:
    page = draft("page", "txt", story)
    (finding,) = of("page-too-long", found(story, page=page, limit=len(page) - 1))
    assert finding.measured == f"{len(page):,} characters"
    assert of("page-too-long", found(story, page=page, limit=len(page))) == []
    assert of("page-too-long", found(story, page=page, limit=None)) == []


# findings as data


def test_findings_carry_their_data_beside_their_sentences(story: Story, found: Look) -> None:
    page = draft("page", "txt", story)
    findings = found(
        story,
        changelog="## [1.2]\n\n- Brush noise is quieter.\n",
        readme="# Slate Choir\n\nIt contains 214 samples. Works on Linux.\n\nTODO\n",
        page=page,
        limit=10,
    )
    data = {one.rule: (one.at, one.value, one.unit, one.bound) for one in findings}
    assert data == {
        "changelog-misses-change": (At(line=1, others=("a.wav",)), "48 samples added: Slate low", "", None),
        "readme-missing-part": (
            At(),
            "unzip first, keep the folder whole, needs, install, licence, contact",
            "",
            None,
        ),
        "words-disagree": (At(line=3), "It contains 214 samples", "", None),
        "claim-unproven": (At(line=3), "Linux", "", None),
        "placeholder-left": (At(line=5), "TODO", "", None),
        "page-too-long": (At(), len(page), "character", 10),
    }
    (missing,) = of("changelog-entry-missing", found(story, changelog=None))
    assert (missing.value, missing.unit, missing.bound) == (0, "line", 1)


def test_escape_sequences_in_the_words_are_inert_in_findings(story: Story, found: Look) -> None:
    hostile = readme(story, "TODO \x1b[31m and it was tested on Linux \x1b]8;;x\x07\u202e")
    findings = found(story, readme=hostile)
    assert {finding.rule for finding in findings} == {"placeholder-left", "claim-unproven"}
    assert not any(ch in finding.measured for finding in findings for ch in "\x1b\x07\u202e")


# media-missing, media-too-large


@pytest.mark.parametrize(
    ("media", "rules"),
    [
        (Media(fact="page.cover", path="cover.png"), ["media-missing"]),
        (Media(fact="page.cover", path="cover.png", limit=100), ["media-missing"]),
        (Media(fact="page.cover", path="cover.png", size=101, limit=100), ["media-too-large"]),
        (Media(fact="page.previews", path="slow.ogg", size=100, limit=100), []),
        (Media(fact="page.previews", path="slow.ogg", size=101), []),
        (Media(fact="page.previews", path="slow.ogg", size=0, limit=100), []),
        (Media(fact="page.cover", path="cover.png", size=9, extent=101, longest=100), ["media-too-large"]),
        (Media(fact="page.cover", path="cover.png", size=9, extent=100, longest=100), []),
        (Media(fact="page.previews", path="slow.ogg", size=9, extent=60.5, longest=60.0), ["media-too-large"]),
        (Media(fact="page.previews", path="slow.ogg", size=9, extent=60.0, longest=60.0), []),
        (Media(fact="page.previews", path="slow.ogg", size=9, extent=60.5), []),
        (Media(fact="page.previews", path="slow.ogg", size=9, longest=60.0, unread="no sound"), ["media-unmeasured"]),
        (Media(fact="page.cover", path="cover.png", longest=60, unread="no picture"), ["media-missing"]),
    ],
)
def test_what_goes_up_beside_the_page_is_there_and_no_larger_than_its_host_takes(
    story: Story, media: Media, rules: list[str]
) -> None:
    found = list(findings_of(RULES, WordsModel(texts={}, story=story, media=(media,))))
    about = [one for one in found if one.rule.startswith("media")]
    assert [one.rule for one in about] == rules
    if rules == ["media-missing"]:
        assert (about[0].path, about[0].where, about[0].measured) == (
            "release.toml",
            "page.cover",
            "not there: cover.png",
        )
    elif rules:
        told = {
            "cover.png": [("101 B", "100 B"), ("longest side 101 pixels", "100 pixels")],
            "slow.ogg": [("60.5 s long", "60 s"), ("not measured: no sound", "")],
        }
        assert (about[0].measured, about[0].limit) in told[about[0].path]
