"""What *proven* means of each step, and what it does not: as one would tell a friend who is about to rely on it."""

from typing import Final

import msgspec

from companion.steps.table import BY_ID


class Meaning(msgspec.Struct, frozen=True, kw_only=True):
    """What proven means of a step, and what not. id, title, question: of the step."""

    id: str
    title: str
    question: str
    means: str
    means_not: str


_WORDS: Final[dict[str, tuple[str, str]]] = {
    "facts": (
        "Everything a release has to say of itself is stated, in a form that can be compared and looked up, and no "
        "fact denies another or what ships.",
        "That what you stated is true. Nobody can check from here who made the recordings or what you may pass on.",
    ),
    "contents": (
        "Every file that a patch or script names is in the folder and ships under a name all systems accept, and what "
        "looks like a leftover was pointed out.",
        "That the sound is right, or that every file is needed. If nothing could be read in a patch, an away test "
        "answered instead, and the line says which.",
    ),
    "paths": (
        "Every path that could be read in patches and scripts leads to a file inside the release folder.",
        "That nothing else is hidden in a patch. What cannot be read is never called fine: an away test has to settle "
        "it.",
    ),
    "sound": (
        "Every sample and impulse response that ships was measured, and nothing measured stands in the way.",
        "That it sounds good, or that everything was judged. What was not, such as the pitch of a sample whose note "
        "nothing tells, stands in the step’s own line.",
    ),
    "controls": (
        "Each declared control was tried at both its ends with exactly this patch, by ear or by a bounce, and passed; "
        "or the facts state that there are none.",
        "That every setting of every control was heard, or that you declared them all: a patch does not tell what is "
        "on its panel.",
    ),
    "away": (
        "Somebody opened and played exactly this content away from your own files, and said with which engine and on "
        "which system.",
        "That it plays everywhere. It played there, that once; systems and versions nobody tried are named as such.",
    ),
    "needs": (
        "Somebody opened exactly this content away from your own files, and the minimum engine version that is stated "
        "was tested, or is at least not below the version the patch was saved with.",
        "That everything older fails, or that every system you named was tried: the line says which were not.",
    ),
    "words": (
        "What changelog, readme and page claim was held against facts and evidence, and nothing they say is denied "
        "by them.",
        "That they are well written, or that a sentence without a number, a name or a test in it is true.",
    ),
    "archive": (
        "The archive that lies there was opened again in another place, and every byte came out as it is in your "
        "folder.",
        "That the upload is whole, or that what is in it is any good: the steps before this one answer for that.",
    ),
    "out": (
        "Exactly this content is recorded as a release, with the archive’s checksum.",
        "That players have it. A copy you downloaded yourself shows whether the upload is whole; until then a warning "
        "says so.",
    ),
}
"""By step: what proven means, and what it does not."""


def meaning_of(step: str) -> Meaning:
    """Return what proven means of a step. Raises KeyError for an id that is none."""
    means, means_not = _WORDS[step]
    return Meaning(id=step, title=BY_ID[step].title, question=BY_ID[step].question, means=means, means_not=means_not)
