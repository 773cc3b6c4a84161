"""The ten steps, one object each, in the order of the work. A plain tuple; nothing is discovered."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from companion.steps.model import State, Status, Step

if TYPE_CHECKING:
    from companion.core.evidence import Answer, AwayTest
    from companion.steps.desk import Desk


def _late(name: str) -> Callable[..., Any]:
    """Return ``module:function`` of the looks, imported when it is called: the app shows titles before all else."""

    def call(*given: Any) -> Any:
        module, _, function = name.partition(":")
        return getattr(import_module(f"companion.steps.looks.{module}"), function)(*given)

    return call


def _sound_mark(desk: Desk) -> str:
    stated = {name: desk.stated(name) for name in ("naming", "layers", "limits")}
    if "samples" in desk.facts.instrument.without:  # what else there is none of changes nothing here
        stated["without"] = ("samples",)
    return desk.fingerprint([("audible", desk.marks.audible)], stated)


def _away_mark(desk: Desk) -> str:
    """Take in what any kind of away test rests on."""
    parts = [("opening", desk.marks.opening), ("sounding", desk.marks.sounding)]
    return desk.fingerprint(parts, {"engine": desk.facts.engine.name})


class _Told:
    """What words may tell of an answer or an away test: how it is filed is no business of theirs."""

    def __init__(self, given: Answer | AwayTest) -> None:
        self._given = given

    def __repr__(self) -> str:
        given = self._given
        told = (name for name in given.__struct_fields__ if name not in ("engine", "played", "content", "order"))
        return f"{type(given).__name__}({', '.join(f'{name}={getattr(given, name)!r}' for name in told)})"


def _words_mark(desk: Desk) -> str:
    """Take in, beside files and facts, what the words rest on: answers, away tests, releases, other looks."""
    import hashlib  # which the app does without until it has painted

    looked = [step for step in WORDS_REST_ON if desk.evidence.has_any(step, desk.mark(step))]
    released = desk.release_before and desk.release_before.version
    there = desk.pages
    pages = tuple((path, _as_before_built(desk, text)) for path, text in there.items()) or (("", ""),)
    page = desk.facts.page
    media = [(path, desk.contents.get(path)) for path in (page.cover, *page.previews) if path]
    judged = (tuple(_Told(one) for one in given) for given in (desk.answers, desk.away_here))
    updates = []
    if there:
        from html import unescape

        text = "".join(unescape(page) for _, page in pages)
        updates = [(u.archive, u.size, u.sha256) for u in desk.updates_of_this if u.archive in text]
    rests_on = repr((looked, *judged, released, *pages, *media, *updates))
    digest = hashlib.sha256(rests_on.encode("utf-8", "surrogatepass")).hexdigest()
    parts = [("documents", desk.marks.documents), ("playable", desk.marks.playable), ("told", digest)]
    return desk.fingerprint(parts, desk.stated())


def _as_before_built(desk: Desk, page: str) -> str:
    """Return a page as it stood before the archive of this content was built: building it makes no words stale."""
    from companion.words.built import unfilled

    for one in desk.evidence.of_content("archive", desk.mark("archive")):
        if "sha256" in one.details:
            page = unfilled(page, one.details["size"], one.details["sha256"])
    return page


def _archive_mark(desk: Desk) -> str:
    """Take in what ships, what the archive and its folder are called, and the day that is stated for it."""
    instrument = desk.facts.instrument
    parts = [("ships", desk.marks.ships), ("title", instrument.title), ("version", instrument.version)]
    if instrument.date:  # else the changelog, which ships, may say it
        parts.append(("date", instrument.date))
    return desk.fingerprint(parts, {"upload": desk.facts.limits.upload_bytes})


WORDS_REST_ON: Final = ("contents", "paths", "sound")

# What a person judged by hand is bound to what can change the answer and no more: companion.steps.grounds says how, for
# each kind of away test and trial. The marks of the two steps take in all of it.
STEPS: Final[tuple[Step[Desk], ...]] = (
    Step(
        id="facts",
        title="Facts",
        question="Who made what, for which engine, under which licence?",
        proven_by="a complete and consistent release.toml",
        next="Fill in what is missing.",
        live=True,
        body="facts",
        mark=lambda desk: desk.fingerprint([("ships", desk.marks.ships)], desk.stated()),
        look=lambda desk, _: _late("stated:look_facts")(desk),
    ),
    Step(
        id="contents",
        title="Contents",
        question="Does everything the patch needs ship, and nothing else?",
        proven_by="the inventory, the references, the strays, and names that every system accepts",
        next="Look through the folder.",
        body="contents",
        mark=lambda desk: desk.fingerprint(
            # What is asked about depends on more than the facts on contents: on layers, names, whatever names a file.
            [("everything", desk.marks.everything), *([("asked", desk.asked)] if desk.asked else [])],
            {"contents": desk.stated("contents"), "title": desk.facts.instrument.title},
        ),
        look=lambda desk, _: _late("contents:look_contents")(desk),
        away_settles=True,
    ),
    Step(
        id="paths",
        title="Paths",
        question="Would it find its samples on another computer?",
        proven_by="a path scan of every patch and script",
        next="Scan the patches for paths.",
        body="run",
        mark=lambda desk: desk.fingerprint([("ships", desk.marks.ships)], desk.stated("contents")),
        look=lambda desk, _: _late("contents:look_paths")(desk),
        away_settles=True,
    ),
    Step(
        id="sound",
        title="Sound",
        question="Is every sample fit to ship?",
        proven_by="measurements of every sample, layer and impulse response",
        next="Measure the samples.",
        body="sound",
        mark=_sound_mark,
        look=lambda desk, _: _late("sound:look_sound")(desk),
        judges=("file-unreadable",),
    ),
    Step(
        id="controls",
        title="Controls",
        question="Does every control do what it says, alone and together?",
        proven_by="a trial of each control, in several orders, by hand or by a judged bounce; one of the keys",
        next="Try the controls and answer each trial.",
        live=True,
        body="controls",
        mark=lambda desk: desk.fingerprint(
            [("behaviour", desk.marks.behaviour)], {"controls": desk.stated("controls")}
        ),
        look=lambda desk, _: _late("controls:look_controls")(desk),
    ),
    Step(
        id="away",
        title="Away",
        question="Does it open and play where the maker is not?",
        proven_by="away tests: originals hidden, another computer, another player, a piece of music",
        next="Run an away test and record how it went.",
        live=True,
        body="away",
        mark=_away_mark,
        look=lambda desk, _: _late("controls:look_away")(desk),
    ),
    Step(
        id="needs",
        title="Needs",
        question="What must a player have?",
        proven_by="a minimum engine version backed by evidence, with systems, memory and disk",
        next="State the minimum and test on it.",
        live=True,
        body="needs",
        mark=lambda desk: desk.fingerprint([("away", _away_mark(desk))], {"engine": desk.stated("engine")}),
        look=lambda desk, _: _late("stated:look_needs")(desk),
    ),
    Step(
        id="words",
        title="Words",
        question="Do changelog, readme and page say what is true?",
        proven_by="drafts that agree with the facts, the evidence and each other",
        next="Draft the changelog, the readme and the page, then check them.",
        body="words",
        mark=_words_mark,
        look=lambda desk, _: _late("words:look_words")(desk),
        rests_on=WORDS_REST_ON,
    ),
    Step(
        id="archive",
        title="Archive",
        question="Is the archive whole and portable?",
        proven_by="an archive built, then opened as a stranger would, byte for byte",
        next="Build the archive and prove it.",
        again="Build it again",
        body="archive",
        mark=_archive_mark,
        look=lambda desk, _: _late("archive:look_archive")(desk),
        judges=("contents", "paths"),
        gone=_late("standing:archive_gone"),
        adds=_late("standing:not_read_since"),
    ),
    Step(
        id="out",
        title="Out",
        question="Is it released, and what came back?",
        proven_by="the release record, its snapshot and a verified upload",
        next="Record the release once the nine steps before it are proven.",
        live=True,
        body="out",
        mark=_archive_mark,
        look=_late("out:look_out"),
    ),
)

STEP_IDS: Final = tuple(step.id for step in STEPS)
BY_ID: Final = {step.id: step for step in STEPS}


def looks_with(step_id: str, status: Status | None) -> tuple[str, ...]:
    """Return the steps to look at where one is asked for: it, behind what it rests on that is stale and costs little.

    Else what is found there later would make it stale again.
    """
    rests_on = BY_ID[step_id].rests_on if status else ()
    stale = [one for one in rests_on if one != "sound" and status and status.step(one).state is State.STALE]
    return (*stale, step_id)
