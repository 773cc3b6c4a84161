"""The fields of the facts form: plain data. Keys are those of ``release.toml``; labels are what one would say aloud."""

from typing import Any, Final, Literal

import msgspec

from companion.core.errors import CompanionError
from companion.core.facts import Facts
from companion.core.text import visible, visible_lines
from companion.tui.parts.rows import items_from, tables, text_of_items

Shape = Literal["text", "long", "lines", "words", "number", "whole", "choice", "controls", "layers"]


class Field(msgspec.Struct, frozen=True):
    """One field. shape: how it is written; ``lines``: one item a line, ``words``: on one line with commas.

    choices: the label of each value. default: what holds while nothing is written.
    """

    key: str
    label: str
    hint: str = ""
    shape: Shape = "text"
    choices: dict[str, str] = {}
    rows: int = 3
    default: str = ""


_OCTAVES: Final = {"": "left open", "C3": "C3", "C4": "C4", "C5": "C5"}
_LANGUAGES: Final = {"": "left open", "english": "English", "german": "German: H is B", "dutch": "Dutch"}

PAGES: Final[dict[str, tuple[Field, ...]]] = {
    "Who": (
        Field("instrument.title", "Title"),
        Field("instrument.version", "Version of this release", "numbers and dots, such as 1.0"),
        Field("instrument.maker", "Maker", "you, or your label"),
        Field("instrument.summary", "In one sentence"),
        Field("instrument.description", "In more words", shape="long", rows=4),
        Field("instrument.contact", "Where players reach you", "an address or a page"),
        Field(
            "instrument.licence", "Licence", "by its short name, such as CC-BY-4.0; LicenseRef-Name for a text of yours"
        ),
        Field("instrument.licence_file", "File with its text", "path in the folder"),
        Field("instrument.licence_link", "Where it can be read", "an address; empty: its page on spdx.org"),
        Field("instrument.rights", "Where it all comes from", "and that you may pass it on", "long"),
        Field("instrument.credits", "Credits", "one a line", "lines"),
        Field("instrument.tags", "Tags", "with commas between", "words"),
    ),
    "Engine": (
        Field("engine.name", "Engine", "the host it plays in"),
        Field("engine.saved_with", "Version that last saved the patch"),
        Field("engine.minimum", "Lowest version promised", "the safe choice is the one above"),
        Field("engine.edition", "Edition a player needs", "“any” when there is only one"),
        Field("engine.systems", "Systems", "windows, macos, linux: those you mean to support", "words"),
    ),
    "Files": (
        Field("contents.patches", "Patches", "one a line, the one to start with first; * and ** fit any part", "lines"),
        Field("contents.samples", "Samples", "empty: every audio file", "lines"),
        Field("contents.impulses", "Impulse responses", "one pattern a line", "lines"),
        Field("contents.scripts", "Scripts", "one pattern a line", "lines"),
        Field("contents.documents", "Documents", "readme, changelog and licence go in by themselves", "lines"),
        Field("contents.include", "Ships", "empty, or ** first: all but strays", "lines"),
        Field("contents.exclude", "Stays at home", "wins over what ships", "lines"),
    ),
    "Names": (
        Field("naming.pattern", "File names read as", "such as {layer}_{note}_v{velocity}_rr{take}"),
        Field(
            "naming.middle_c",
            "Middle C (MIDI 60) is called",
            "as your file names count the octaves",
            "choice",
            _OCTAVES,
        ),
        Field("naming.language", "Notes are written in", "what B, H, As and Es are", "choice", _LANGUAGES),
        Field("naming.more", "Other names read as", "one pattern a line, for what the first does not fit", "lines"),
        Field(
            "naming.number_offset", "Added to numbers of notes", "where they count keys and are no MIDI notes", "whole"
        ),
        Field("naming.zones", "Zone list", "a CSV that says what the names do not"),
        Field("naming.unpitched", "Samples that play no note", "loops and noises; one pattern a line", "lines"),
    ),
    "Controls": (
        Field("controls", "Controls, left to right", shape="controls"),
        Field("instrument.without", "There are none of", "controls, samples: what you state there is none of", "words"),
        Field("layers", "Layers", shape="layers"),
    ),
    "Limits": (
        Field("limits.true_peak_dbtp", "Highest true peak, dBTP", shape="number", default="not judged"),
        Field("limits.dc_offset", "Largest offset, 0 to 1", shape="number", default="0.02"),
        Field("limits.silence_dbfs", "Silent below, dBFS", shape="number", default="−80"),
        Field("limits.late_onset_s", "Late from, seconds", shape="number", default="0.05"),
        Field("limits.tail_s", "Longest silent tail, seconds", shape="number", default="1"),
        Field("limits.pitch_cents", "Off pitch from, cents", shape="number", default="20"),
        Field("limits.level_step_db", "Step between notes, dB", shape="number", default="9"),
        Field("limits.noise_dbfs", "Noise, dBFS", shape="number", default="−60"),
        Field("limits.layer_drop_db", "Drop of a layer alone, dB", shape="number", default="15"),
        Field("limits.voices", "Voices at once", shape="whole", default="not stated: noise is not added up"),
        Field("limits.upload_bytes", "Largest upload, bytes", shape="whole", default="any"),
        Field("limits.page_characters", "Longest page, characters", shape="whole", default="any"),
        Field("limits.cover_bytes", "Largest cover, bytes", shape="whole", default="any"),
        Field("limits.cover_pixels", "Longest side of a cover, pixels", shape="whole", default="any"),
        Field("limits.preview_bytes", "Largest preview, bytes", shape="whole", default="any"),
        Field("limits.preview_seconds", "Longest preview, seconds", shape="number", default="any"),
    ),
    "Page": (
        Field("instrument.install", "Steps to install it", "one a line, beside unzipping", "lines"),
        Field("page.cover", "Cover picture", "path in the folder"),
        Field("page.previews", "Previews to hear", "one path a line", "lines"),
        Field("instrument.date", "Day of the release", "such as 2026-11-27; empty: as the changelog says"),
        Field("instrument.lang", "Language", "of templates of your own, such as de; empty: English"),
    ),
}
"""The pages of the form: the fields by title."""

BY_KEY: Final = {field.key: field for fields in PAGES.values() for field in fields}


def value_of(facts: Facts, key: str) -> Any:
    """Return what the facts hold under a dotted key."""
    table, _, name = key.partition(".")
    value = getattr(facts, table)
    return getattr(value, name) if name else value


def text_of(field: Field, value: Any) -> str:
    """Return a fact as the form shows it, inert."""
    match field.shape:
        case "controls" | "layers":
            return text_of_items(value)
        case "lines":
            return "\n".join(visible(str(item)) for item in value)
        case "words":
            return ", ".join(visible(str(item)) for item in value)
        case "long":
            return visible_lines(str(value))
        case "number" | "whole":
            return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
        case _:
            return visible(str(value))


def read(field: Field, text: str) -> Any:
    """Return the fact that a field's text stands for. Raises :class:`CompanionError` naming what cannot be read."""
    rows = [line.strip() for line in text.splitlines() if line.strip()]
    match field.shape:
        case "controls" | "layers":
            return tables(items_from(field.shape, text))
        case "lines":
            return rows
        case "words":
            return [item.strip() for item in text.split(",") if item.strip()]
        case "number" | "whole":
            return _numeric(field, text.strip())
        case _:
            return text.strip()


def _numeric(field: Field, text: str) -> float | int | None:
    if not text:
        return None
    plain = text.replace("−", "-").replace(",", ".")
    try:
        return int(plain.replace(" ", "").replace("_", "")) if field.shape == "whole" else float(plain)
    except ValueError:
        kind = "a whole number" if field.shape == "whole" else "a number"
        raise CompanionError(f"“{text}” is not {kind}", do="write digits, or leave it empty") from None
