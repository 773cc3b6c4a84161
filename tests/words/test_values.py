"""Each fact that a text may state: its fault, and the innocent neighbours that look like it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion.core.findings import Finding
from companion.words.agree import statements
from companion.words.drafts import draft
from companion.words.model import WordsModel
from companion.words.plain import passages
from companion.words.rules import RULES
from companion.words.story import LayerLine, Story
from companion.words.values import TextRead

Look = Callable[..., list[Finding]]

FAULTS: Final = {
    "title": ("# Slate Chorus\n\nSlabs of slate that are struck and hummed over.\n", "Slate Chorus"),
    "maker in the byline": ("Version 1.2, 2026-02-03, by Key Room.", "Version 1.2, 2026-02-03, by Key Room."),
    "maker with a label": ("Maker: Key Room", "Maker: Key Room"),
    "contact": ("Contact: hallo@quay-room.example", "hallo@quay-room.example"),
    "licence by its identifier": ("It comes under the licence CC-BY-NC-4.0.", "CC-BY-NC-4.0"),
    "licence by its name": ("Licensed under CC BY-SA 4.0.", "CC BY-SA 4.0"),
    "licence of another version": ("Licensed under CC-BY-3.0.", "CC-BY-3.0"),
    "licence that gives more away": ("Licence: CC0", "CC0"),
    "licence of programs": ("This is released under the MIT licence.", "MIT"),
    "edition": ("It needs Example Engine 7.0, free edition.", "Example Engine 7.0, free edition"),
    "size of the download": ("The download is 500 MB.", "500 MB"),
    "size by thousands": ("The download is 500,000 kB.", "500,000 kB"),
    "size beside the archive": ("Slate Choir 1.2.zip, 900 MB", "900 MB"),
    "size on disk": ("It takes 2.5 GB on disk.", "2.5 GB"),
    "size once unzipped": ("Once unzipped: 900 MB", "900 MB"),
    "keys": ("Slate low, C1 to C4", "Slate low, C1 to C4"),
    "keys with a dash": ("- Slate low: C2–C5, two takes", "Slate low: C2–C5"),
    "keys in a table": ("| Layer | Keys |\n| --- | --- |\n| Slate low | D2 to C4 |\n", "Slate low: D2 to C4"),
    "middle C": ("Middle C is called C4 here.", "Middle C is called C4"),
    "patch": ("Open Slate Chorus.patch first.", "Slate Chorus.patch"),
    "date": ("Version 1.2, 2026-02-04, by Quay Room.", "Version 1.2, 2026-02-04"),
    "date in words": ("Released: 4 February 2026", "Released: 4 February 2026"),
    "date in other words": (
        "Slate Choir 1.2 – released February 5, 2026",
        "Slate Choir 1.2 – released February 5, 2026",
    ),
    "sample rate": ("All samples are WAV, 44.1 kHz, stereo.", "44.1 kHz"),
    "sample rate in Hz": ("Samples: 96000 Hz", "96000 Hz"),
    "sample rate with a comma": ("24-bit / 44,1 kHz", "44,1 kHz"),
    "sample rate in a table": ("| Format | Rate |\n| --- | --- |\n| WAV | 44.1 kHz |\n", "44.1 kHz"),
    "bits": ("- 213 samples, 16-bit WAV", "16-bit"),
    "bits beside a rate": ("16 bit/48 kHz", "16 bit"),
}

INNOCENT: Final = {
    "title": "# Welcome\n\nThank you for fetching Slate Choir, and have fun with it.\n",
    "title in other letters": "# SLATE_CHOIR\n\nSlabs of slate that are struck and hummed over.\n",
    "title nowhere, but no other": "# Read me first\n\nUnzip it all and open the patch from the folder.\n",
    "byline": "Version 1.2, 2026-02-03, by Quay Room.",
    "byline of more": "Version 1.2, by Quay Room and friends",
    "who recorded": "Recorded by Jo Kay, photographs by Lu.",
    "version of another maker": "Best with Hall 2.1 by Key Room.",
    "contact among others": "Contact: hello@quay-room.example, or the printer at prints@key.example",
    "another's address": "Photographs: lu@key.example",
    "contact that stands elsewhere": "Made by hello@quay-room.example.\n\nQuestions on paper: prints@key.example",
    "contact of another kind": "Questions: https://quay-room.example/questions",
    "licence as it is": "Licensed under CC BY 4.0.",
    "licence without version": "Creative Commons: CC BY. The licence is in LICENCE.txt.",
    "licence of a part": "The pictures are under CC-BY-SA-4.0, all else under the licence CC-BY-4.0.",
    "licence that stands elsewhere": "All of it is CC-BY-4.0.\n\nThe font is under the licence OFL-1.1.",
    "no licence at all": "A cc to me is nice, and MIT is a school.",
    "edition as it is": "It needs Example Engine 7.0, full edition.",
    "edition of itself": "Example Engine plays this edition of it.",
    "edition of a book": "Example Engine is in the third edition of the book.",
    "download rounded": "The download is about 0.8 GB.",
    "download in other units": "Slate Choir 1.2.zip, 763 MB",
    "download by thousands": "The download is 800,000 kB.",
    "download of an update": "The update is a download of 20 MB.",
    "download of another version": "The download of 1.1 was 500 MB.",
    "downloads of others": "Some hosts refuse a download over 2 GB.",
    "space to keep free": "Keep at least 5 GB free on disk.",
    "disk as it is": "1.25 GB (1.16 GiB) on disk once unzipped",
    "memory of a computer": "A computer with 16 GB of memory is plenty.",
    "keys as they are": "Slate low: C2 to C4",
    "some of the keys": "Slate low is softest from C2 to E2.",
    "keys the facts do not tell": "Slate high, C3 to C5",
    "parts of the keys": "- Slate low: C2 to B2, long\n- Slate low: C3 to C4, short\n",
    "keys of nothing": "A scale from C1 to C7 sounds well.",
    "middle C": "Middle C, MIDI note 60, is C3.",
    "patch as it is": "Open “Slate Choir.patch” in it.",
    "patch that was": "Slate Chorus.patch was renamed.",
    "patch of the past": "## Changes\n\n- Slate Chorus.patch is louder\n",
    "kind of patch": "Every .patch file belongs in that folder.",
    "date as it is": "Version 1.2, 3 February 2026",
    "date of another version": "Since version 1.1, 2025-12-24, it hums.",
    "date of another thing": "Recorded on 2024-11-02 in a boat shed.",
    "date of a season": "Released in winter 2026",
    "no date": "Version 1.2, 2026-99-99",
    "format as it is": "All samples are WAV, 24 bits, 48 kHz.",
    "format of the recording": "Recorded at 96 kHz and 32 bit, the samples are 24-bit/48 kHz.",
    "format before": "The files were 16-bit, 44.1 kHz in 1.1.",
    "format of a song": "Works in songs of 44.1 kHz; all samples play at any rate.",
    "place in the spectrum": "The samples have a dip at 10 kHz.",
    "bits of a computer": "It needs a 32-bit or 64-bit system; the samples follow.",
    "bits of wood": "Some samples hold 16 bits of slate.",
    "format of previews": "The previews are audio files of 44.1 kHz, 16 bit.",
}


def disagreeing(findings: list[Finding]) -> list[str]:
    return [str(finding.value) for finding in findings if finding.rule == "words-disagree"]


def changed(story: Story, line: str) -> str:
    """A readme of the maker's own that says ``line`` beside what none can do without, and nothing else of a fact."""
    if line.startswith("# "):
        return line
    return f"# Slate Choir\n\nUnzip it all, and leave the folder as it is when you have done that.\n\n{line}\n"


@pytest.mark.parametrize(("line", "value"), FAULTS.values(), ids=FAULTS)
def test_a_fact_that_is_stated_wrong_is_found(story: Story, found: Look, line: str, value: str) -> None:
    assert disagreeing(found(story, readme=changed(story, line))) == [value]


@pytest.mark.parametrize("line", INNOCENT.values(), ids=INNOCENT)
def test_what_only_looks_like_it_is_left_in_peace(story: Story, found: Look, line: str) -> None:
    assert disagreeing(found(story, readme=changed(story, line))) == []


@pytest.mark.parametrize(("line", "value"), FAULTS.values(), ids=FAULTS)
def test_it_is_found_in_a_text_beside_the_readme_too(story: Story, found: Look, line: str, value: str) -> None:
    told = disagreeing(found(story, more={"Notes.txt": f"Some notes on how it was made, for those who ask.\n\n{line}"}))
    assert told == ([] if line.startswith("# ") else [value]), "only a readme and a page say what they are of"


def test_a_changelog_may_name_whatever_was(story: Story, found: Look) -> None:
    entry = "# Changelog\n\n## [1.2] - 2026-02-03\n\n- Slate low, 48 new samples\n"
    old = "\n## [1.1] - 2025-12-24\n\n- The download is 500 MB\n- Slate low, C1 to C4\n- Open Slate Chorus.patch\n"
    assert disagreeing(found(story, changelog=entry + old)) == []
    now = "- The download is 20 MB smaller\n- Slate low, C1 to C4, is new\n- Slate Chorus.patch is gone\n"
    assert disagreeing(found(story, changelog=entry + now + old)) == []


def test_one_that_is_right_beside_it_makes_the_other_a_part_of_something_else(story: Story, found: Look) -> None:
    for line in ("Contact: lu@key.example", "The download is 500 MB."):
        right = draft("readme", "md", story) + f"\nThe download is 800 MB.\n\n{line}\n"
        assert disagreeing(found(story, readme=right)) == []


@pytest.mark.parametrize(
    ("line", "wrong"), [("Licence: CC0", []), ("Licence: CC0 1.0", []), ("Licence: CC BY", ["CC BY"])]
)
def test_a_licence_is_known_by_the_name_people_give_it(story: Story, found: Look, line: str, wrong: list[str]) -> None:
    free = msgspec.structs.replace(story, licence="CC0-1.0", licence_links=())
    assert disagreeing(found(free, readme=changed(free, line))) == wrong


def test_dates_are_held_to_the_changelog_and_to_nothing_where_it_has_none(story: Story, found: Look) -> None:
    readme = changed(story, "Version 1.2, 2026-02-04, by Quay Room.")
    for changelog in ("# Changelog\n\n## [1.2]\n\n- Slate low\n", None):
        assert disagreeing(found(story, readme=readme, changelog=changelog, page="")) == []


def test_a_checksum_on_the_page_is_the_archives(story: Story, found: Look) -> None:
    page = draft("page", "md", story)
    wrong = page.replace(story.archive_sha256, "0" * 64)
    assert disagreeing(found(story, page=wrong)) == ["0" * 64]
    other = f"{page}\n- Slate Choir 1.1.zip\n- SHA-256: {'1' * 64}\n"
    assert disagreeing(found(story, page=other)) == []
    unbuilt = msgspec.structs.replace(story, archive_sha256="")
    assert disagreeing(found(unbuilt, page=page)) == [story.archive_sha256]
    known = WordsModel(texts={}, story=unbuilt, pages={"": page}, checksums=frozenset({story.archive_sha256}))
    assert [one for rule in RULES for one in rule(known) if one.rule == "words-disagree"] == []
    assert disagreeing(found(story, readme=changed(story, f"SHA-256 of the manual: {'2' * 64}"))) == []


def test_what_the_page_says_of_an_update_archive_is_that_archives(story: Story, found: Look) -> None:
    page = draft("page", "md", story)
    (update,) = story.updates
    assert disagreeing(found(story, page=page)) == []
    assert disagreeing(found(story, page=page.replace(update.sha256, "0" * 64))) == ["0" * 64]
    assert disagreeing(found(story, page=page.replace(update.sha256, story.archive_sha256))) == [story.archive_sha256]
    assert disagreeing(found(story, page=page.replace(story.archive_sha256, update.sha256))) == [update.sha256]
    assert disagreeing(found(story, page=page.replace("30.0 MB (28.6 MiB)", "90 MB"))) == ["90 MB"]
    assert disagreeing(found(story, page=page.replace("30.0 MB (28.6 MiB)", "about 30 MB"))) == []
    gone = msgspec.structs.replace(story, updates=())
    assert disagreeing(found(gone, page=page)) == [update.sha256], "it was built for other content than this"


def test_a_patch_with_an_ending_of_other_files_is_not_asked_of_them(story: Story, found: Look) -> None:
    plain = msgspec.structs.replace(story, patches=("Slate Choir.txt",))
    readme = draft("readme", "md", plain) + "\nOpen Slate Chorus.txt.\n"
    assert disagreeing(found(plain, readme=readme)) == []


WHOLE: Final = Story(
    title="Slate Choir",
    version="1.2",
    maker="Quay Room",
    contact="hello@quay-room.example",
    licence="CC-BY-4.0",
    engine="Example Engine",
    edition="full",
    minimum="7.0",
    patches=("Slate Choir.patch",),
    samples=213,
    archive="Slate Choir 1.2.zip",
    download_bytes=800_000_000,
    unpacked_bytes=1_250_000_000,
    layers=(LayerLine(name="Slate low", keys="C2 to C4"),),
    middle_c="C3",
    rates=(48000,),
    bits=(24,),
)
PIECES: Final = (
    *(
        "Slate Choir",
        "slate low",
        "1.2",
        "1.1",
        ".patch",
        ".zip",
        "5e" * 32,
        "https://",
        "@",
        "hello@quay-room",
        "CC",
        "BY",
    ),
    *(
        "0",
        "-",
        "–",
        "4.0",
        "licence",
        "LICENCE",
        "by",
        "Version",
        "middle C is ",
        "C3",
        "C9",
        "to",
        "2026-02-30",
        "\n\n",
    ),
    *(
        "# ",
        "download",
        "MB",
        "1,0",
        "９",
        "\u0661",
        "edition",
        "Example Engine",
        "|",
        ":",
        ";",
        "Contact",
        "released ",
    ),
    *("February", "31", ",", " ", "\u202e", "\udcff"),
)


@settings(max_examples=200, deadline=None)
@given(parts=st.lists(st.sampled_from(PIECES), max_size=40), glue=st.sampled_from(["", " "]))
def test_no_text_whatever_ends_in_a_traceback(parts: list[str], glue: str) -> None:
    text = glue.join(parts)
    for english in (True, False):
        reading = TextRead(found=passages(text), story=WHOLE, main=True, page=True, english=english, day="2026-02-03")
        for one in statements(reading):
            assert one.fact
            assert one.line >= 1


@pytest.mark.parametrize(
    "piece",
    [
        "a-1-",
        "MIT-",
        "Slate Chorus.patch ",
        "5e" * 32 + " ",
        "x@",
        "https://",
        "1,0",
        "CC-BY-",
        "Example Engine x ",
        "licence ",
    ],
)
def test_no_long_text_takes_long(story: Story, piece: str) -> None:
    """Each would take hours if the time grew with the square of the length: the limit of a test tells."""
    reading = TextRead(
        found=passages(piece * (300_000 // len(piece))), story=story, main=True, page=True, day="2026-02-03"
    )
    assert len(statements(reading)) >= 0


GERMAN: Final = (
    "# Slate Choir\n\nZuerst das ganze Archiv entpacken, und den Ordner so lassen, wie er ist. "
    "Fragen bitte an hello@quay-room.example.\n\n"
)


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("Hersteller: Key Room", "Hersteller: Key Room"),
        ("Die Lizenz ist CC-BY-NC-4.0.", "CC-BY-NC-4.0"),
        ("Version 1.2, 2026-02-04", "Version 1.2, 2026-02-04"),
        ("Danach Slate Chorus.patch öffnen.", "Slate Chorus.patch öffnen."),
    ],
)
def test_values_are_compared_in_any_language(story: Story, found: Look, line: str, value: str) -> None:
    (told,) = disagreeing(found(story, readme=GERMAN + line + "\n"))
    assert told in (value, value.removesuffix(" öffnen."), "Danach Slate Chorus.patch")


@pytest.mark.parametrize(
    "line",
    [
        "Hersteller: Quay Room",
        "Die Lizenz ist CC BY 4.0; die Bilder sind CC0.",
        "Version 1.2, 2026-02-03",
        "Danach Slate Choir.patch öffnen, nicht mehr Slate Chorus.patch.",
        "Der Download ist 500 MB groß.",
    ],
)
def test_what_agrees_or_cannot_be_told_in_another_language_is_left_in_peace(
    story: Story, found: Look, line: str
) -> None:
    assert disagreeing(found(story, readme=GERMAN + line + "\n")) == []


def test_what_was_compared_is_named_for_each_text(story: Story) -> None:
    texts = {
        "README.md": draft("readme", "md", story),
        "CHANGELOG.md": "# Changelog\n\n## [1.2] - 2026-02-03\n\n- Slate low\n",
        "Notes.txt": "The download is 800 MB.\n",
    }
    model = WordsModel(texts=texts, story=story, pages={"": draft("page", "md", story)})
    assert model.compared["CHANGELOG.md"] == ()
    assert model.compared["Notes.txt"] == ("sizes",)
    assert set(model.compared["README.md"]) >= {"contact", "edition", "key ranges", "licence", "maker", "title"}
    assert set(model.compared[""]) >= {"checksum", "sizes", "dates", "middle C", "needs", "patches", "samples"}
