"""Paths that do not hold on another computer."""

from collections.abc import Callable, Iterator
from typing import Final

from companion.contents.model import PathsModel, paths_rule
from companion.contents.reading.homes import names_home
from companion.contents.reading.mentions import Mention, Style, without_escapes
from companion.contents.references import Fate
from companion.contents.versions import PATH_SCAN, REFERENCES, SCRIPT_TEXT
from companion.core.entries import Kind
from companion.core.findings import BLOCKS, NOTES, NOWHERE, WARNS, At, Finding
from companion.core.rules import Rule
from companion.core.text import shorten, visible

_MOVE_SAMPLES: Final = (
    "Move the samples into the release folder, load them from there in the engine, and save the patch again."
)
_RELATIVE: Final = (Style.RELATIVE, Style.CLIMBING)


def _first(model: PathsModel, found: Rule[PathsModel], wanted: Callable[[str, Mention], bool]) -> Iterator[Finding]:
    """Yield one finding a file: its first such path, and how many more. Paths in running text only warn."""
    for path, scan in sorted(model.scans.items()):
        mentions = sorted(
            (m for m in scan.mentions if wanted(path, m)), key=lambda m: (not m.sure, bool(m.inside), m.offset)
        )
        if mentions:
            first, more = mentions[0], f", the first of {len(mentions):,}" if len(mentions) > 1 else ""
            yield found.finding(
                path,
                at=first.at,
                where=first.place,
                value=shorten(visible(first.text), 160),
                says=f"“{{value}}”{more}",
                severity=None if first.sure else WARNS,
            )


def _is_home(mention: Mention, home: str, user: str) -> bool:
    if not mention.sure and mention.text.startswith("~"):
        return False  # "~/" in a comment names nobody
    if mention.style is Style.HOME or not mention.style.local:
        return mention.style is Style.HOME
    folders = mention.text.replace("\\", "/").casefold().split("/")
    return names_home(mention.text, home) or (len(user) >= 3 and user.casefold() in folders)


@paths_rule(
    "path-absolute",
    BLOCKS,
    version=2,
    rests_on=(PATH_SCAN,),
    means="A patch or script names files by a path that begins at a drive, a volume, a share or the root.",
    why="That path exists on your computer alone; players are asked for files, or hear nothing.",
    mend=_MOVE_SAMPLES,
    limit="paths relative to the patch or to the release folder",
)
def path_absolute(model: PathsModel) -> Iterator[Finding]:
    """Drive letter, root, volume, share and file address; ``path-home`` alone reports those in the home folder."""
    elsewhere = {Style.RELATIVE, Style.CLIMBING, Style.HOME}
    return _first(
        model, path_absolute, lambda _, m: m.style not in elsewhere and not _is_home(m, model.home, model.user)
    )


@paths_rule(
    "path-home",
    BLOCKS,
    version=2,
    rests_on=(PATH_SCAN,),
    means="A patch or script names a path in your home folder, or your user name.",
    why="Players do not have that folder, and your name ships with the instrument.",
    mend=_MOVE_SAMPLES,
    limit="no home folder and no user name",
)
def path_home(model: PathsModel) -> Iterator[Finding]:
    """The usual places of home folders, ``~`` and its variables, and this computer's own home and user."""
    return _first(model, path_home, lambda _, m: _is_home(m, model.home, model.user))


@paths_rule(
    "path-climbs",
    BLOCKS,
    rests_on=(PATH_SCAN, REFERENCES),
    means="A patch or script climbs out of the release folder with “..”.",
    why="What lies beside your folder does not lie beside the player's.",
    mend="Move the files it names into the release folder and save the patch again.",
    limit="no path that leaves the release folder",
)
def path_climbs(model: PathsModel) -> Iterator[Finding]:
    """Against the folder of the file that says so: ``../Samples`` in a patch one folder down stays inside."""
    outside = {(item.source, item.mention.text) for item in model.references.items if item.fate is Fate.OUTSIDE}
    return _first(model, path_climbs, lambda path, m: (path, m.text) in outside)


@paths_rule(
    "path-backslash",
    NOTES,
    rests_on=(PATH_SCAN, REFERENCES),
    means="A patch or script separates folders with backslashes.",
    why="macOS and Linux take a backslash for a part of the name; engines mostly translate it, which is worth a test.",
    mend="Open the patch on macOS or Linux once, or write the paths with slashes.",
)
def path_backslash(model: PathsModel) -> Iterator[Finding]:
    """Only relative paths: the others have graver faults. ``\\\\n`` and other escapes in scripts are no paths."""
    doubtful = (Fate.UNSURE, Fate.MISSING, Fate.OUTSIDE)
    resolved = {(item.source, item.mention.text) for item in model.references.items if item.fate not in doubtful}

    def wanted(path: str, mention: Mention) -> bool:
        separates = "\\" in without_escapes(mention.text)
        return separates and mention.sure and mention.style in _RELATIVE and (path, mention.text) in resolved

    return _first(model, path_backslash, wanted)


@paths_rule(
    "patch-opaque",
    WARNS,
    version=3,
    rests_on=(PATH_SCAN, REFERENCES),
    means="No path, or not every path, can be read in a patch, so that nobody can tell from outside what it needs.",
    why="If it names files on your computer, players find out before you do.",
    mend="Do an away test: hide the originals, or open the release on another computer, and play it.",
    limit="paths that can be read, and at most one in ten unsure",
    unknown=True,
)
def patch_opaque(model: PathsModel) -> Iterator[Finding]:
    """No path found for certain, or too many unsure; plain text that names no file tells no more than silence.

    Near 8 bits a byte it is compressed or encrypted. Below that it may hold its samples in itself, or name them in a
    way that cannot be read: that is not known either, and is reported as such.
    """
    patches = [entry for entry in model.selection.ships if entry.kind is Kind.PATCH]
    if not patches:
        yield patch_opaque.finding(
            says="no patch ships, so that no path was read", mend="Put the patch into the folder."
        )
    for entry in patches:
        scan = model.scans.get(entry.path)
        if scan and scan.tells:
            continue
        if scan is None:
            yield patch_opaque.finding(entry.path, value=entry.problem or "there is nothing in it")
            continue
        if scan.problem:
            yield patch_opaque.finding(entry.path, value=scan.problem)
        elif not scan.complete:
            part = "only part of it could be read: it unpacks to more than is safe, or names too many files"
            yield patch_opaque.finding(entry.path, says=part)
        elif scan.unsure:
            known = any(item.target for item in model.references.items if item.source == entry.path)
            none = "" if known else "; none of them is in the folder"
            yield patch_opaque.finding(entry.path, value=scan.unsure, unit="name", says=f"{scan.reading}{none}")
        elif scan.text:
            yield patch_opaque.finding(entry.path, says=f"plain text of {scan.size:,} bytes that names no file")
        else:
            kind = "compressed or encrypted" if scan.dense else "not compressed, yet no path in it"
            says = f"{scan.entropy:.2f} bits a byte: {kind}"
            yield patch_opaque.finding(entry.path, value=scan.entropy, unit="bits a byte", says=says)


@paths_rule(
    "patch-unsure",
    NOTES,
    rests_on=(PATH_SCAN,),
    means="A few names in a patch have no certain beginning, so that they are not judged.",
    why="The folder's own names teach how a patch writes names; one written otherwise may be cut wrong, or be none.",
    mend="Look whether the names make sense; an away test settles it.",
    limit="every name where the names of the folder show that names stand",
    unit="name",
)
def patch_unsure(model: PathsModel) -> Iterator[Finding]:
    """Only in bytes, and where most can be read: else ``patch-opaque`` says so."""
    for entry in model.selection.ships:
        scan = model.scans.get(entry.path)
        if entry.kind is Kind.PATCH and scan and scan.unsure and scan.readable and scan.complete and not scan.text:
            unsure = [mention for mention in scan.mentions if not mention.sure]
            some = ", ".join(f"“{shorten(visible(mention.text), 60)}”" for mention in unsure[:3])
            yield patch_unsure.finding(
                entry.path,
                at=unsure[0].at,
                where=unsure[0].place,
                value=len(unsure),
                says=f"{scan.reading}: {some}{', …' if len(unsure) > 3 else ''}",
            )


@paths_rule(
    "script-encoding",
    WARNS,
    rests_on=(SCRIPT_TEXT,),
    means="A script is not plain UTF-8.",
    why="Names with accents are read differently from system to system, and the files they name are not found.",
    mend="Save the script as UTF-8 without a byte order mark, with one kind of line ending.",
    limit="UTF-8 without a byte order mark",
    source="Unicode Standard, section 23.8",
)
def script_encoding(model: PathsModel) -> Iterator[Finding]:
    """ASCII with any line ends is fine; so is UTF-8 without a mark and with one kind of line ending."""
    for path, script in sorted(model.scripts.items()):
        if script.encoding == "ascii" or (script.encoding == "utf-8" and len(script.line_ends) < 2):
            continue
        measured = script.encoding.replace("utf", "UTF")
        if script.encoding == "utf-8":
            measured = f"mixed line endings: {' and '.join(script.line_ends)}"
        at = At(byte=script.offset, line=script.line) if script.encoding == "not utf-8" else NOWHERE
        yield script_encoding.finding(path, at=at, value=measured)
