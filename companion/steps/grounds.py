"""What each answer of a person rests on: what can change it, and no more.

A test or a trial costs a person an evening. It must be asked for again when what ships could answer otherwise, and
must not be when it could not. Each answer is kept with a fingerprint of its grounds, as they were:

===================  ===========================================  ==================================================
answer               reopened by                                  not by, and why
===================  ===========================================  ==================================================
originals hidden,    another patch or script; a sound or picture  other sound in a sample of the same name and format:
another computer,    that the patch may open gone, added or       where it lies and whether it reads is the same, and
another player       renamed; a sound in another format; another  Sound and bounces judge what is heard; another cover
                     engine in the facts                          or demo: no patch opens them; readme and page: they
                                                                  are drafted from these very answers, and Words holds
                                                                  them to it
a piece of music     any other patch, script, sample or impulse   pictures and texts: they are not heard; a demo or
                     response; another engine in the facts        preview: it is heard outside the instrument
control alone        any other patch, script or impulse           samples: a control does what it did, and Sound judges
                     response; what is stated of this control     them; what is stated of another control
orders, extremes     any other patch, script or impulse           samples; what a control is said to do, its kind or
together             response; a control more or less, its name,  controller: the moves are the same
                     ends or rest, or its place in the row
bounce of the keys,  any other patch, script, sample or impulse   pictures, texts, demos, the engine's promises: they
and what it leaves   response (which keys play a sample stands    are not in the sound
to the ear           in the patch alone); layers, names of the
                     samples and controls as stated
===================  ===========================================  ==================================================

Where a patch cannot be read to its end, or a script may put names together, every sound and picture that ships counts
as one it may open. What an older companion kept has no such fingerprint: a trial's answer rests on all that the step
judged, as it did then; an away test does not say what was played, and only a failure is believed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from companion.core.cache import Cache, Table
from companion.core.evidence import Answer, AwayKind, AwayTest, fingerprint
from companion.core.facts import Control, Facts
from companion.core.files import unchanged
from companion.core.rules import AUDIO_HEADERS
from companion.steps.marks import Marks, Reach
from companion.trials.away import KINDS
from companion.trials.plan import Trial

if TYPE_CHECKING:
    from companion.contents.folder_scan import FolderScan
    from companion.core.entries import Entry


def away_marks(marks: Marks) -> dict[AwayKind, str]:
    """Return the fingerprint of what each kind of away test rests on."""
    return {kind: marks.opening if guide.opens else marks.sounding for kind, guide in KINDS.items()}


def trial_mark(trial: Trial, marks: Marks, facts: Facts) -> str:
    """Return the fingerprint of what the answer to a trial rests on; empty: on all that its step judges."""
    moved = {setting.control for setting in trial.steps}
    if not moved:
        return ""
    if trial.kind == "alone":
        stated = [msgspec.to_builtins(control) for control in facts.controls if control.name in moved]
    else:
        stated = [_place(control) for control in facts.controls]
    return fingerprint([("behaviour", marks.behaviour)], {"controls": stated})


def kept_answer(answer: Answer, trial: Trial, marks: Marks, facts: Facts, order: int) -> Answer:
    """Return an answer as it is kept: with what it rests on, and its place among all that were given."""
    return msgspec.structs.replace(answer, content=trial_mark(trial, marks, facts), order=order)


def kept_test(test: AwayTest, marks: Marks, facts: Facts, order: int) -> AwayTest:
    """Return an away test as it is kept: one of a kit already says of what content and engine it is."""
    content, engine = test.content or away_marks(marks)[test.kind], test.engine or facts.engine.name
    return msgspec.structs.replace(test, content=content, engine=engine, order=order)


def _place(control: Control) -> dict[str, object]:
    return {name: getattr(control, name) for name in ("name", "low", "high", "rest")}


def standing_answers(
    given: Iterable[Answer], here: Sequence[Answer], plan: Iterable[Trial], marks: Marks, facts: Facts
) -> tuple[Answer, ...]:
    """Return the answers that stand for this content, in the order they were given.

    given: all of the step, whatever the content was; here: those kept for all that the step judges now.
    """
    grounds = {trial.id: trial_mark(trial, marks, facts) for trial in plan}
    found = [answer for answer in given if answer.content and grounds.get(answer.subject) == answer.content]
    return tuple(sorted(dict.fromkeys((*here, *found)), key=lambda answer: answer.order))


def reach_of(folder: Path, look: FolderScan, cache: Cache) -> Reach:
    """Return what the patches of a folder may open of what ships."""
    from companion.contents.reach import named, shown

    sounds = [entry for entry in look.selection.ships if entry.kind.audible and entry.sha256]
    return Reach(named=named(look), forms=_forms(folder, sounds, cache), shown=shown(look))


def _forms(folder: Path, sounds: Sequence[Entry], cache: Cache) -> Mapping[str, str]:
    """Return the format of each sound as its header states it, by path; headers are remembered by content."""
    from companion.sound.files.chunks import Chunks
    from companion.sound.files.headers import read_chunks

    table = Table(cache, "sound-chunks", AUDIO_HEADERS.version, Chunks)
    known = table.get_many([bytes.fromhex(entry.sha256) for entry in sounds])
    forms, fresh = {}, []
    for entry in sounds:
        key = bytes.fromhex(entry.sha256)
        header = known.get(key)
        if header is None:
            try:
                header = read_chunks(folder / entry.path)
                fresh.append((key, header, entry))
            except OSError:
                header = Chunks()
        forms[entry.path] = f"{header.format} {header.coding} {header.bits} {header.channels} {header.rate}"
    table.put([(key, header) for key, header, entry in fresh if unchanged(folder, entry)])
    return forms
