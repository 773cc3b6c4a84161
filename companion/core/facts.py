"""The facts of a release: ``release.toml`` as typed, frozen values.

What is absent is an empty value, and the Facts step says that it is missing; what is of the wrong type, or a key
nobody knows, is an error that names the key, since a typing slip must not pass for a fact.
"""

import re
from collections.abc import Mapping
from typing import Any, Final, Literal, get_args

import msgspec

from companion.core.errors import CompanionError
from companion.core.folder import FACTS_FILE as FACTS_FILE
from companion.core.text import listed
from companion.core.toml import parse_toml

MiddleC = Literal["", "C3", "C4", "C5"]
NoteLanguage = Literal["", "english", "german", "dutch"]
"""What B and H are: B natural in English and Dutch, B flat and B natural in German; and what As and Es are."""
System = Literal["windows", "macos", "linux"]
ControlKind = Literal["knob", "slider", "switch", "menu"]
Nothing = Literal["controls", "samples"]
"""What an instrument may have none of, as a fact: nobody can tell that from a list that is empty."""


class Instrument(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who made what.

    title: what players call it; e.g. "Slate Choir"
    version: the version to be released next; e.g. "1.0.0"
    date: the day of its release; empty: the one beside the version in CHANGELOG.md; e.g. "2026-11-27"
    maker: who answers for it, as players know them; e.g. "Quay Room"
    summary: what it is, in one sentence; e.g. "Slabs of slate, struck and hummed over."
    description: what it is, in a paragraph or two; e.g. "Six slabs from an old roof, hung from cords."
    contact: where players reach the maker: an address or a page; e.g. "https://quay-room.example"
    credits: who did what, one entry each; e.g. ["Recorded and built by Quay Room"]
    tags: words a player would search for; e.g. ["slate", "quiet"]
    licence: an SPDX expression, or LicenseRef-… with licence_file; e.g. "CC-BY-4.0"
    licence_file: the file that holds the licence in full; e.g. "Licence.txt"
    rights: why all of it, recordings and pictures, may be passed on; e.g. "All of it was recorded by Quay Room."
    licence_link: where the licence can be read; empty: SPDX's own page of it; e.g. "https://quay-room.example/licence"
    install: steps beside unzipping, one entry each; e.g. ["Add the folder to the places the engine looks in."]
    lang: the language your own templates write in, as in BCP 47; empty: English; e.g. "de"
    without: what this instrument has none of, so that nothing of it is left to judge; e.g. ["controls"]
    """

    title: str = ""
    version: str = ""
    date: str = ""
    maker: str = ""
    summary: str = ""
    description: str = ""
    contact: str = ""
    credits: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    licence: str = ""
    licence_file: str = ""
    rights: str = ""
    licence_link: str = ""
    install: tuple[str, ...] = ()
    lang: str = ""
    without: tuple[Nothing, ...] = ()


class Engine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The host the patch was built in.

    name: what the host is called; e.g. "Example Engine"
    edition: which edition of it players need; e.g. "full"
    saved_with: the version of the engine that last saved the patch; e.g. "7.2.1"
    minimum: the lowest version of the engine that is promised to work; e.g. "7.2.1"
    systems: the systems it is meant for; e.g. ["windows", "macos"]
    """

    name: str = ""
    edition: str = ""
    saved_with: str = ""
    minimum: str = ""
    systems: tuple[System, ...] = ()


class Contents(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What ships: glob patterns relative to the folder, ``**`` for any depth. What is excluded never ships.

    patches: the patches that players open, the one to start with first; e.g. ["Slate Choir.eeng"]
    samples: the samples, where their names alone do not say so; e.g. ["Samples/**/*.wav"]
    impulses: impulse responses: they are held to rules of their own; e.g. ["Impulses/*.wav"]
    scripts: scripts, which are searched for paths; e.g. ["Scripts/*.txt"]
    include: all that ships; empty, or “**” first: all but the strays, and what you let ship; e.g. ["**", "Extras/**"]
    exclude: what stays at home although it would ship; e.g. ["Sketches/**"]
    documents: texts that ship beside readme, changelog and licence; e.g. ["Reading/*.txt"]
    """

    patches: tuple[str, ...] = ()
    samples: tuple[str, ...] = ()
    impulses: tuple[str, ...] = ()
    scripts: tuple[str, ...] = ()
    include: tuple[str, ...] = ()
    exclude: tuple[str, ...] = ()
    documents: tuple[str, ...] = ()


class Naming(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the names of the samples say of note, velocity and take. Fields of a pattern: note, octave, hertz, velocity,
    low_velocity, high_velocity, low_key, high_key, take, layer, microphone, release, any. A slash reads folders too.

    pattern: fields in braces among literal text; e.g. "{layer}_{note}_v{velocity}_rr{take}"
    more: further patterns, each for the names that none before it fits; e.g. ["{layer}_{note}_{release}"]
    middle_c: the name that MIDI note 60 has in the file names; empty: left open; e.g. "C3"
    language: in which language the notes are written, which says what B, H, As and Es are; e.g. "german"
    number_offset: what is added to a number in a name to make it a MIDI note; e.g. 20
    zones: a CSV file that says what the names do not; e.g. "zones.csv"
    unpitched: samples that play no note, such as loops and noises, so that their names need none; e.g. ["Loops/*.wav"]
    """

    pattern: str = ""
    more: tuple[str, ...] = ()
    middle_c: MiddleC = ""
    language: NoteLanguage = ""
    number_offset: int | None = None
    zones: str = ""
    unpitched: tuple[str, ...] = ()


class Layer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A group of samples that is played as one. Ranges include both ends.

    name: what the layer is called; file names and words refer to it; e.g. "struck"
    files: glob patterns of its samples; e.g. ["Samples/Struck/*.wav"]
    low_key [MIDI note]: the lowest key that plays it, 0 to 127; e.g. 50
    high_key [MIDI note]: the highest key that plays it, 0 to 127; e.g. 74
    low_velocity [MIDI velocity]: the softest velocity that plays it, 0 to 127; e.g. 1
    high_velocity [MIDI velocity]: the hardest velocity that plays it, 0 to 127; e.g. 90
    round_robins [takes]: how many takes each note has; 0: not stated; e.g. 2
    """

    name: str
    files: tuple[str, ...] = ()
    low_key: int = 0
    high_key: int = 127
    low_velocity: int = 0
    high_velocity: int = 127
    round_robins: int = 0


class Control(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A control that players see.

    name: what stands beside it on the panel; e.g. "Air"
    kind: what it looks like; e.g. "slider"
    low: its lowest value; e.g. 0.0
    high: its highest value; e.g. 1.0
    rest: the value it has when the patch is opened; e.g. 0.2
    cc [MIDI controller]: the MIDI controller that moves it, 0 to 127; e.g. 1
    effect: what it is said to do, from one end to the other; e.g. "from no voice to a loud hum"
    """

    name: str
    kind: ControlKind = "knob"
    low: float = 0.0
    high: float = 1.0
    rest: float = 0.0
    cc: int | None = None
    effect: str = ""


class Limits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the maker holds the work to, where that is not what the rules ask for themselves.

    true_peak_dbtp [dBTP]: the highest true peak of a sample (rule: peak-over); e.g. -1.0
    dc_offset [of full scale]: the largest offset from zero, as a share of full scale (rule: dc-offset); e.g. 0.01
    silence_dbfs [dBFS]: the peak below which a sample counts as silent (rule: silent); e.g. -80.0
    late_onset_s [seconds]: the longest wait before a sample sounds (rule: late-onset); e.g. 0.05
    tail_s [seconds]: the longest silence at the end of a sample (rule: tail-wasteful); e.g. 1.0
    pitch_cents [cents]: how far a sample may be out of tune (rule: off-pitch); e.g. 20.0
    level_step_db [dB]: the largest step in level between neighbouring notes (rule: level-step); e.g. 6.0
    noise_dbfs [dBFS]: the loudest noise of all voices together (rule: noise-builds-up); e.g. -50.0
    layer_drop_db [dB]: how far a layer alone may lie below all together (rule: layer-uneven); e.g. 15.0
    voices [voices]: how many voices sound at once; e.g. 24
    upload_bytes [bytes]: the largest archive the host of the downloads takes (rule: size-over-limit); e.g. 2000000000
    page_characters [characters]: the longest text the host of the page takes (rule: page-too-long); e.g. 5000
    cover_bytes [bytes]: the largest cover picture the host of the page takes (rule: media-too-large); e.g. 1000000
    cover_pixels [pixels]: the longest side of a cover the host of the page takes (rule: media-too-large); e.g. 3000
    preview_bytes [bytes]: the largest preview the host of the page takes (rule: media-too-large); e.g. 10000000
    preview_seconds [seconds]: the longest preview the host of the page takes (rule: media-too-large); e.g. 120.0
    """

    true_peak_dbtp: float | None = None
    dc_offset: float | None = None
    silence_dbfs: float | None = None
    late_onset_s: float | None = None
    tail_s: float | None = None
    pitch_cents: float | None = None
    level_step_db: float | None = None
    noise_dbfs: float | None = None
    layer_drop_db: float | None = None
    voices: int | None = None
    upload_bytes: int | None = None
    page_characters: int | None = None
    cover_bytes: int | None = None
    cover_pixels: int | None = None
    preview_bytes: int | None = None
    preview_seconds: float | None = None


class Showcase(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What goes up beside the archive: files in the working folder, whether or not they ship too.

    cover: the picture; e.g. "Pictures/cover.png"
    previews: recordings to hear it by before fetching it; e.g. ["Previews/slow piece.ogg"]
    """

    cover: str = ""
    previews: tuple[str, ...] = ()


class Waiver(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Findings let pass, with a reason. It covers those it was given for, and lapses when what they rest on changes.

    rule: the rule that is let pass; e.g. "starts-hot"
    reason: why a player is no worse off for it; e.g. "Struck slate begins at once."
    path: the file, or a pattern for a group; empty: the whole; e.g. "Samples/struck_C4.wav"
    where: the place in the file, such as the key of a fact; empty: every place; e.g. "engine.minimum"
    content: what it was given for: a file's SHA-256, a fingerprint, or a version; e.g. "9f86d081884c7d65"
    contents: of a group, the first digits of each file's SHA-256; it lapses file by file; e.g. ["9f86d081884c7d65"]
    covers: what tells the findings it covers from others there, written by the app; e.g. ["2c26b46b68ffc68f"]
    said: what was found when it was given; e.g. "failed: “Tone crackles”"
    version: the version it was given in; e.g. "1.1.0"
    """

    rule: str
    reason: str
    path: str = ""
    where: str = ""
    content: str = ""
    contents: tuple[str, ...] = ()
    covers: tuple[str, ...] = ()
    said: str = ""
    version: str = ""

    @staticmethod
    def mark(content: str) -> str:
        """Return what ``contents`` holds of a SHA-256: 16 digits, too many to meet by chance."""
        return content[:16]


class Facts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything ``release.toml`` holds."""

    instrument: Instrument = Instrument()
    engine: Engine = Engine()
    contents: Contents = Contents()
    naming: Naming = Naming()
    layers: tuple[Layer, ...] = ()
    controls: tuple[Control, ...] = ()
    limits: Limits = Limits()
    page: Showcase = Showcase()
    waivers: tuple[Waiver, ...] = ()


_CAME_LATER: Final[Mapping[str, tuple[str, ...]]] = {
    "instrument": ("date", "licence_link", "install", "lang", "without"),
    "naming": ("unpitched", "more", "language", "number_offset"),
    "limits": ("cover_bytes", "cover_pixels", "preview_bytes", "preview_seconds"),
    "page": ("cover", "previews"),
}
"""Keys by table that facts did not have at first. While they are empty no fingerprint knows of them, so that what was
proven before there were such keys stays proven."""


def stated(facts: Facts) -> dict[str, Any]:
    """Return all but the waivers as plain values: what fingerprints take in."""
    plain: dict[str, Any] = msgspec.to_builtins(facts)
    del plain["waivers"]
    for table, names in _CAME_LATER.items():
        for name in names:
            if plain[table][name] in ("", (), [], None):
                del plain[table][name]
        if not plain[table]:
            del plain[table]
    return plain


_CHOICES: Final = {
    "middle_c": MiddleC,
    "language": NoteLanguage,
    "systems": System,
    "kind": ControlKind,
    "without": Nothing,
}
_WORDS: Final = {
    "str": "text",
    "array": "a list",
    "object": "a table",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "date": "a date",
    "time": "a time",
    "datetime": "a date and time",
}
_TYPE: Final = re.compile(r"`(\w+)(?: \| null)?`")


def _plainly(error: msgspec.ValidationError) -> str:
    """Return msgspec's message with the key as the file writes it: ``“engine.minimum”: expected text …``."""
    message, _, path = str(error).partition(" - at `$")
    key = path.rstrip("`").lstrip(".") or "(top)"
    if unknown := re.search(r"unknown field `([^`]*)`", message):
        return f"unknown key “{unknown[1] if key == '(top)' else f'{key}.{unknown[1]}'}”"
    if missing := re.search(r"missing required field `([^`]*)`", message):
        return f"“{key}” needs the key “{missing[1]}”"
    if choice := re.fullmatch(r"Invalid enum value (.*)", message, re.DOTALL):
        known = get_args(_CHOICES.get(key.rpartition(".")[2].partition("[")[0], System))
        return f"“{key}”: expected {listed([f'“{value}”' for value in known if value], 9, 'or')}, found {choice[1]}"
    message = _TYPE.sub(lambda match: _WORDS.get(match[1], match[1]), message)
    return f"“{key}”: {message.replace('Expected', 'expected').replace('got', 'found')}"


def facts_from_toml(text: str, where: str = FACTS_FILE) -> Facts:
    """Return the facts written in ``text``. Raises :class:`CompanionError` naming the key and what was expected."""
    return facts_from_plain(parse_toml(text, where), where)


def facts_from_plain(plain: dict[str, Any], where: str = FACTS_FILE) -> Facts:
    """Return facts from plain tables. Raises :class:`CompanionError` naming the key and what was expected."""
    try:
        return msgspec.convert(plain, Facts)
    except msgspec.ValidationError as error:
        raise CompanionError(_plainly(error), where, "mend that key and try again") from error


def known_only(plain: dict[str, Any]) -> dict[str, Any]:
    """Return plain tables without the keys that this companion does not know: a newer one wrote them."""
    known: dict[str, Any] = {}
    for field in msgspec.structs.fields(Facts):
        if field.name not in plain:
            continue
        several = not (isinstance(field.type, type) and issubclass(field.type, msgspec.Struct))
        struct: Any = get_args(field.type)[0] if several else field.type
        names = struct.__struct_fields__
        tables = plain[field.name] if several and isinstance(plain[field.name], list) else [plain[field.name]]
        kept = [{k: v for k, v in one.items() if k in names} if isinstance(one, dict) else one for one in tables]
        known[field.name] = kept if several else kept[0]
    return known


def facts_to_plain(facts: Facts) -> dict[str, Any]:
    """Return ``facts`` as plain tables for a TOML writer: empty values and None are left out."""
    plain = msgspec.to_builtins(facts)

    def bare(value: Any) -> Any:
        if isinstance(value, dict):
            inner = {key: bare(item) for key, item in value.items()}
            return {key: item for key, item in inner.items() if item not in (None, "", [], {}, ())}
        if isinstance(value, (list, tuple)):
            return [bare(item) for item in value]
        return value

    result: dict[str, Any] = bare(plain)
    return result
