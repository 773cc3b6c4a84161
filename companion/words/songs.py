"""What a new version breaks in songs made with the one before: patches, samples, controls and keys that are gone."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

import msgspec

from companion.core.entries import Kind
from companion.core.facts import Control, Facts, Layer
from companion.core.text import plural
from companion.words.renames import renamed
from companion.words.story import key_range

What = Literal["patch", "samples", "control", "controller", "keys"]


class Break(msgspec.Struct, frozen=True, kw_only=True):
    """Something a song made with the version before relies on. was, now: names or ranges; now is empty where it is
    gone. text: a sentence for players. paths: the files it rests on, as they were called.
    """

    what: What
    was: str
    now: str = ""
    text: str
    paths: tuple[str, ...] = ()


def songs_break(
    *,
    removed: Iterable[tuple[str, Kind]] = (),
    renamed: Iterable[tuple[str, str, Kind]] = (),
    before: Facts | None,
    after: Facts,
) -> tuple[Break, ...]:
    """Return what songs made with the release before would miss. before: its facts; None: there was none.

    removed, renamed: files that shipped then, as (path, kind) and (old path, new path, kind). A wider key range, a new
    control or a changed sample breaks no song, whatever it does to its sound.
    """
    if before is None:
        return ()
    gone, moved = list(removed), list(renamed)
    version = before.instrument.version
    return (
        *_patches(gone, moved, version),
        *_samples(gone, moved, version),
        *_controls(before.controls, after.controls),
        *_keys(before.layers, after.layers, after.naming.middle_c),
    )


def _patches(gone: list[tuple[str, Kind]], moved: list[tuple[str, str, Kind]], version: str) -> Iterator[Break]:
    for path, kind in gone:
        if kind is Kind.PATCH:
            text = f"The patch {path} is gone: for songs that use it, keep the folder of {version}"
            yield Break(what="patch", was=path, text=text, paths=(path,))
    for old, new, kind in moved:
        if kind is Kind.PATCH:
            text = f"The patch {old} is now {new}: a song that asks for the old one is to be shown the new one"
            yield Break(what="patch", was=old, now=new, text=text, paths=(old,))


def _samples(gone: list[tuple[str, Kind]], moved: list[tuple[str, str, Kind]], version: str) -> Iterator[Break]:
    lost = tuple(path for path, kind in gone if kind.audible)
    renamed = tuple(old for old, _, kind in moved if kind.audible)
    counts = ((lost, "removed"), (renamed, "renamed or moved"))
    parts = [f"{plural(len(paths), 'sample was', 'samples were')} {verb}" for paths, verb in counts if paths]
    if parts:
        count = " and ".join(parts)
        text = f"{count}: a song that holds its own copy of the patch may ask for the old ones; keep the folder"
        yield Break(what="samples", was=count, text=f"{text} of {version} for it", paths=(*lost, *renamed))


def _controls(before: Sequence[Control], after: Sequence[Control]) -> Iterator[Break]:
    now, called = {one.name: one for one in after}, renamed(before, after)
    for was in before:
        one = now.get(was.name)
        if one is None and was.name in called:
            new = called[was.name]
            text = f"The control {was.name} is now called {new}: songs that move it by its name need the new one"
            yield Break(what="control", was=was.name, now=new, text=text)
        elif one is None:
            text = f"The control {was.name} is gone: what a song does with it is no longer heard"
            yield Break(what="control", was=was.name, text=text)
        elif was.cc is not None and one.cc != was.cc:
            told = f"MIDI controller {one.cc}" if one.cc is not None else "no MIDI controller"
            text = f"The control {was.name} answers to {told} instead of {was.cc}: songs that move it need the new one"
            text = (
                text if one.cc is not None else text.replace("songs that move it need the new one", "it stands still")
            )
            yield Break(what="controller", was=f"{was.cc}", now="" if one.cc is None else f"{one.cc}", text=text)


def _keys(before: Sequence[Layer], after: Sequence[Layer], middle_c: str) -> Iterator[Break]:
    now, called = {one.name: one for one in after}, renamed(before, after)
    for was in before:
        one = now.get(called.get(was.name, was.name))  # no song asks for a layer by its name
        if one is None:
            text = f"The layer {was.name} is gone: what a song plays with it is no longer heard"
            yield Break(what="keys", was=was.name, text=text)
        elif one.low_key > was.low_key or one.high_key < was.high_key:
            then, keys = key_range(was, middle_c), key_range(one, middle_c)
            text = f"{one.name} plays {keys} instead of {then}: notes outside are no longer heard"
            yield Break(what="keys", was=then, now=keys, text=text)
