"""Paths that do not hold on another computer."""

from __future__ import annotations

from collections.abc import Callable

from companion.contents.mentions import Mention, Style
from companion.contents.model import PathsModel
from companion.contents.references import Fate
from companion.core.entries import Kind
from companion.core.findings import Finding, Rule, Severity
from companion.core.text import shorten, visible

PATH_ABSOLUTE = Rule(
    id="path-absolute",
    step="paths",
    severity=Severity.BLOCKS,
    means="A patch or script names files by a path that begins at a drive, a volume, a share or the root.",
    why="That path exists on your computer alone; players are asked for files, or hear nothing.",
    mend="Move the samples into the release folder, load them from there in the engine, and save the patch anew.",
    limit="paths relative to the patch or to the release folder",
)
PATH_HOME = Rule(
    id="path-home",
    step="paths",
    severity=Severity.BLOCKS,
    means="A patch or script names a path in your home folder, or your user name.",
    why="Players do not have that folder, and your name ships with the instrument.",
    mend="Move the samples into the release folder, load them from there in the engine, and save the patch anew.",
    limit="no home folder and no user name",
)
PATH_CLIMBS = Rule(
    id="path-climbs",
    step="paths",
    severity=Severity.BLOCKS,
    means="A patch or script climbs out of the release folder with “..”.",
    why="What lies beside your folder does not lie beside the player's.",
    mend="Move the files it names into the release folder and save the patch anew.",
    limit="no path that leaves the release folder",
)
PATH_BACKSLASH = Rule(
    id="path-backslash",
    step="paths",
    severity=Severity.NOTES,
    means="A patch or script separates folders by backslashes.",
    why="macOS and Linux take a backslash for a part of the name; engines mostly translate it, which is worth a test.",
    mend="Have the patch opened on macOS or Linux once, or write the paths with slashes.",
)
PATCH_OPAQUE = Rule(
    id="patch-opaque",
    step="paths",
    severity=Severity.WARNS,
    means="No path can be read in a patch, so that nobody can tell from outside what it needs.",
    why="If it names files on your computer, players find out before you do.",
    mend="Do an away test: hide the originals, or open the release on another computer, and play it.",
    unknown=True,
)
SCRIPT_ENCODING = Rule(
    id="script-encoding",
    step="paths",
    severity=Severity.WARNS,
    means="A script is not plain UTF-8.",
    why="Names with accents are read differently from system to system, and the files they name are not found.",
    mend="Save the script as UTF-8 without a byte order mark, with one kind of line ends.",
    limit="UTF-8 without a byte order mark",
    source="Unicode Standard, section 23.8",
)


def _grouped(model: PathsModel, rule: Rule, wanted: Callable[[str, Mention], bool]) -> list[Finding]:
    """Return one finding a file: its first such path, and how many more. Paths in running text only warn."""
    found = []
    for path, scan in sorted(model.scans.items()):
        mentions = sorted(
            (m for m in scan.mentions if wanted(path, m)), key=lambda m: (not m.sure, bool(m.inside), m.offset)
        )
        if mentions:
            first = mentions[0]
            more = f", the first of {len(mentions):,}" if len(mentions) > 1 else ""
            found.append(
                rule.finding(
                    path,
                    where=first.place,
                    measured=f"“{shorten(visible(first.text), 160)}”{more}",
                    severity=None if first.sure else Severity.WARNS,
                )
            )
    return found


def _names_user(text: str, home: str, user: str) -> bool:
    plain = text.replace("\\", "/").casefold()
    if len(home.strip("/\\")) > 3 and home.replace("\\", "/").casefold().rstrip("/") + "/" in plain + "/":
        return True
    return len(user) >= 3 and f"/{user.casefold()}/" in f"/{plain}/"


def _is_home(mention: Mention, home: str, user: str) -> bool:
    if not mention.sure and mention.text.startswith("~"):
        return False  # "~/" in a comment names nobody
    return mention.style is Style.HOME or (mention.style.local and _names_user(mention.text, home, user))


def path_absolute(model: PathsModel) -> list[Finding]:
    """Drive letter, root, volume, share and file address; those in the home folder are told by path-home alone."""
    return _grouped(
        model,
        PATH_ABSOLUTE,
        lambda _, m: m.style.local and m.style is not Style.HOME and not _is_home(m, model.home, model.user),
    )


def path_home(model: PathsModel) -> list[Finding]:
    """The usual places of home folders, ``~`` and its variables, and this computer's own home and user."""
    return _grouped(model, PATH_HOME, lambda _, m: _is_home(m, model.home, model.user))


def path_climbs(model: PathsModel) -> list[Finding]:
    """Against the folder of the file that says so: ``../Samples`` in a patch one folder down stays inside."""
    outside = {(item.source, item.mention.text) for item in model.references.items if item.fate is Fate.OUTSIDE}
    return _grouped(model, PATH_CLIMBS, lambda path, m: (path, m.text) in outside)


def path_backslash(model: PathsModel) -> list[Finding]:
    """Only relative paths: the others have graver faults. ``\\\\n`` and other escapes in scripts are no paths."""
    relative = (Style.RELATIVE, Style.CLIMBING)
    resolved = {
        (item.source, item.mention.text)
        for item in model.references.items
        if item.fate not in (Fate.UNSURE, Fate.MISSING, Fate.OUTSIDE)
    }
    return _grouped(
        model,
        PATH_BACKSLASH,
        lambda path, m: (
            m.style in relative and m.sure and "\\" in m.text.replace("\\/", "/") and (path, m.text) in resolved
        ),
    )


def patch_opaque(model: PathsModel) -> list[Finding]:
    """No path found for certain, and not plain text that would show one.

    Near 8 bits a byte it is compressed or encrypted. Below that it may hold its samples in itself, or name them in a
    way that cannot be read: that is not known either, and is told as such.
    """
    found = []
    for entry in model.selection.ships:
        scan = model.scans.get(entry.path)
        if entry.kind is not Kind.PATCH or scan is None or (scan.readable and scan.complete):
            continue
        if scan.problem:
            measured = visible(scan.problem)
        elif not scan.complete:
            measured = "only a part of it could be read: it unpacks to more than is safe, or names too many files"
        elif scan.dense:
            measured = f"{scan.entropy:.2f} bits a byte: compressed or encrypted"
        else:
            measured = f"{scan.entropy:.2f} bits a byte: not compressed, and yet no path in it"
        found.append(PATCH_OPAQUE.finding(entry.path, measured=measured, limit="at least one path that can be read"))
    return found


def script_encoding(model: PathsModel) -> list[Finding]:
    """ASCII with any line ends is fine; so is UTF-8 without a mark and with one kind of line ends."""
    found = []
    for path, script in sorted(model.scripts.items()):
        if script.encoding == "ascii":
            continue
        where = f"byte {script.offset:,}" if script.encoding == "not utf-8" else ""
        measured = script.encoding.replace("utf", "UTF")
        if script.encoding == "utf-8":
            if len(script.line_ends) < 2:
                continue
            measured = f"line ends of {' and '.join(script.line_ends)} mixed"
        found.append(SCRIPT_ENCODING.finding(path, where=where, measured=measured))
    return found
