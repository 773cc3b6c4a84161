"""What a test kit says: the form, what a helper reads first, and the form filled in. No I/O."""

import math
import re
from collections.abc import Mapping
from textwrap import wrap
from typing import Final

import msgspec

from companion.core.text import listed, plural, shorten, visible
from companion.trials.away import HUSH
from companion.trials.kits import ANSWER, LAST, MAY_STAY_EMPTY, MOST_ANSWER, QUESTIONS, SEAL, Key, question_of

ASKED: Final = "If it asks for a file, write down which one, and cancel."
_WIDTH: Final = 76
_HELD: Final = "\N{NO-BREAK SPACE}"


def _wrap(text: str, width: int, indent: str = "") -> list[str]:
    """Return lines; no name in quotes is broken in the middle where a line holds it."""
    held = re.sub("“[^”]{0,60}”", lambda match: match[0].replace(" ", _HELD), text)
    lines = wrap(held, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return [line.replace(_HELD, " ") for line in lines]


_MOST_CONTROLS: Final = 12


class KitAbout(msgspec.Struct, frozen=True, kw_only=True):
    """What the texts of a kit tell. engine: empty where the facts name none. minimum: the lowest version promised.

    archive, patches: names as the helper sees them. readme: whether words ship that say how it is opened. keys: from
    where to where it plays, in words. controls: their names. music: names of the performance's files; seconds: how long
    they last together.
    """

    title: str
    version: str
    engine: str = ""
    minimum: str = ""
    archive: str = ""
    patches: tuple[str, ...] = ()
    readme: bool = False
    keys: str = ""
    controls: tuple[str, ...] = ()
    music: tuple[str, ...] = ()
    seconds: float = 0.0


def form_text(about: KitAbout, code: str) -> str:
    """Return the form of the kit ``code``."""
    numbers = {key: number for number, key in enumerate(QUESTIONS, 1)}
    empty = listed([str(numbers[key]) for key in MAY_STAY_EMPTY], 9)
    intro = [
        f"Please write behind each “{ANSWER}” and save this as plain text, under the same name.",
        f"Questions {empty} may stay empty. If the patch does not open, say so at {numbers['opened']} and what you saw "
        f"at {numbers['notes']}; what lies between may stay empty too.",
    ]
    lines = [f"{about.title} {about.version}: how did it go?        Kit {code}", ""]
    lines += [*(line for text in intro for line in _wrap(text, _WIDTH)), ""]
    for key, question in QUESTIONS.items():
        asked = f"{numbers[key]}. {question.format(engine=about.engine or 'the engine')}"
        lines += _wrap(asked, 88, "   ")
        if key == "engine_version" and about.minimum:
            lines += [
                f"   If it is older than {about.minimum}, stop here: the instrument needs that one.",
                "   Please send the form back all the same. Thank you!",
            ]
        lines += [f"{ANSWER} ", ""]
    if about.music:
        lines += [*_wrap(f"{LAST} {_quoted(about.music)}, please send the sound along with this form.", _WIDTH), ""]
    return "\n".join(visible(line) for line in lines)


def guide_text(about: KitAbout, *, form: str) -> str:
    """Return what a helper reads first. form: the name of the form's file."""
    engine = about.engine or "the engine"
    head = f"{about.title} {about.version}: thank you for trying it out."
    needs = f"You need {engine} {about.minimum} or newer, and some ten minutes." if about.minimum else ""
    steps = [f"Open “{form}” in any text editor and answer the first question."]
    if about.minimum:
        steps[0] += f" If your {engine} is older than {about.minimum}, that is all: send the form back."
    steps += [
        f"Unzip “{about.archive}” into a folder of its own, and keep that folder whole.",
        HUSH,
        *_playing(about, engine),
    ]
    if about.music:
        steps.append(
            f"If you have {plural(math.ceil(about.seconds / 60), 'minute')} more: load {_quoted(about.music)} into "
            f"your host, at the tempo that {'each file' if len(about.music) > 1 else 'it'} states, let the instrument "
            f"play {'them one after the other' if len(about.music) > 1 else 'it'}, and bounce "
            f"{'each' if len(about.music) > 1 else 'it'} from its start to its end as WAV or FLAC: no effects of the "
            "host, nothing limited, nothing normalised."
        )
    sounds = f", with the sound{' files' if len(about.music) > 1 else ' file'} if you bounced" if about.music else ""
    steps.append(f"Fill in the form, save it, and send it to whoever sent you this{sounds}. That is all.")
    wrapped = [_wrap(f"{n}. {step}", _WIDTH, "   ") for n, step in enumerate(steps, 1)]
    lines = [head, "", *([needs, ""] if needs else []), *(line for several in wrapped for line in several), ""]
    return "\n".join(visible(line) for line in lines)


def _playing(about: KitAbout, engine: str) -> list[str]:
    patch = _quoted(about.patches) if about.patches else "the patch"
    how = "; the readme beside it says how" if about.readme else ""
    keys = f" (it plays {about.keys})" if about.keys else ""
    move = ""
    if about.controls:
        named = listed([f"“{name}”" for name in about.controls], _MOST_CONTROLS)
        move = f" Move {'each control' if len(about.controls) > 1 else 'the control'} from end to end: {named}."
    return [
        f"Open {patch} out of that folder in {engine}{how}. {ASKED}",
        f"Play the lowest, a middle and the highest key, soft and hard{keys}.{move}",
    ]


def _quoted(names: tuple[str, ...]) -> str:
    return listed([f"“{name}”" for name in names], 4)


def filled(text: str, answers: Mapping[Key, str], seal: str = "") -> str:
    """Return a form, as its maker wrote it, with ``answers`` behind its questions; what stood there before goes.

    seal: the SHA-256 of the archive that was tried, noted at the end; empty: nobody knows.
    """
    lines: list[str] = []
    current: Key | None = None
    answered = False
    for line in re.split(r"\r\n|\r|\n", text):
        if (key := question_of(line)) or line.startswith((LAST, SEAL)):
            current, answered = key, False
        if current and not answered and line.startswith(ANSWER):
            lines += [f"{ANSWER} {one_line(answers.get(current, ''))}", ""]
            answered = True
        elif not answered and not line.startswith(SEAL):
            lines.append(line)
    return "\n".join(lines).rstrip("\n") + "\n" + (f"\n{SEAL} {seal}\n" if seal else "")


def one_line(answer: str) -> str:
    """Return an answer as it stands in a form: one safe line, as much of it as is kept."""
    return shorten(visible(" ".join(answer.split())), MOST_ANSWER)
