"""What a file is to an instrument, by the facts and by its name.

Only general and open formats are known by their extension. A patch is what the facts say is one.
"""

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Final

from companion.core.entries import Kind
from companion.core.facts import Contents, Facts
from companion.core.globs import Globs, folded, globs

AUDIO: Final = frozenset(
    [
        *("wav", "wave", "bwf", "rf64", "w64", "aif", "aiff", "aifc", "caf", "au", "snd"),
        *("flac", "ogg", "oga", "opus", "mp3", "m4a"),
    ]
)
PICTURES: Final = frozenset(["png", "jpg", "jpeg", "gif", "webp", "bmp", "tif", "tiff", "svg"])
DOCUMENTS: Final = frozenset(["txt", "md", "markdown", "pdf", "html", "htm", "rtf"])
ARCHIVES: Final = frozenset(["zip", "7z", "rar", "tar", "gz", "tgz", "bz2", "xz", "zst"])
SCRIPTS: Final = frozenset(["lua", "js", "py"])
"""Scripts only where the facts say so; listed so that mentions of them are found."""
PLAIN_DATA: Final = frozenset(
    [
        *("json", "xml", "csv", "tsv", "toml", "yaml", "yml", "ini", "css", "cff", "sha256"),
        *("mid", "midi", "ttf", "otf", "woff", "woff2"),
    ]
)
LICENCE: Final = re.compile("licen[cs]es?|copying|lizenz(?:en|text)?|licenties?|licencias?|licenz[ae]")
"""The names of a licence’s text, folded and without extension, in English, French, German, Dutch, Spanish, Italian."""

_SYSTEM_NAMES: Final = frozenset(
    [
        *(".ds_store", ".localized", "icon\r", "thumbs.db", "ehthumbs.db", "desktop.ini", ".directory", ".hidden"),
        *(".gitignore", ".gitattributes", ".gitmodules", ".gitkeep", ".keep"),
    ]
)
_SYSTEM_FOLDERS: Final = frozenset(
    [
        *("__macosx", ".spotlight-v100", ".trashes", ".trash", ".fseventsd", ".temporaryitems", ".appledouble"),
        *(".documentrevisions-v100", "system volume information", "$recycle.bin"),
        *(".git", ".svn", ".hg", "__pycache__"),
    ]
)
_SYSTEM: Final = re.compile(
    r"\._.*|~\$.*|\.~lock\..*|\.nfs[0-9a-f]+|\.fuse_hidden.*|.*\.(?:tmp|temp|part|swp|swo|lck)", re.DOTALL
)
_BACKUP: Final = re.compile(r".*(?:~|\.(?:bak\d*|backup|old|orig|autosave|save\d+))", re.DOTALL)
_WORKING_FOLDERS: Final = frozenset(
    [
        *("backup", "backups", "autosave", "autosaves", "auto-save", "old", "wip", "unused", "work in progress"),
        *("bounce", "bounces", "mixdown", "mixdowns"),
        *("host project", "host projects", "project files"),
    ]
)
_COPY: Final = re.compile(
    r"(?:copy of .+|.+(?: - copy(?: \(\d+\))?|[ _-]copy(?: ?\d+)?|[ ._-](?:backup|bak)(?:[ _-]?\d+)?| \(backup\)"
    r"|[ ._-]auto-?save(?:[ _-]?\d+)?))",
    re.DOTALL,
)
_BOUNCE: Final = re.compile(r"\b(?:bounce|mixdown)\b")
_IMPULSE_FOLDER: Final = re.compile(r"irs?|impulses?(?:[ _-]responses?)?|convolutions?")
_DEMO_FOLDER: Final = re.compile(r"demos?|previews?|audio[ _-]demos?")
_DOCUMENT_NAMES: Final = frozenset(
    ["readme", "licence", "license", "changelog", "credits", "copying", "authors", "install"]
)


def suffix_of(key: str) -> str:
    """Return the extension of a folded path, without its dot; empty where there is none."""
    stem, dot, extension = key.rpartition("/")[2].rpartition(".")
    return extension if dot and stem else ""


def is_system(key: str) -> bool:
    """Tell whether a folded path is something that an operating system or a program left behind by itself."""
    *folders, name = key.split("/")
    return name in _SYSTEM_NAMES or not _SYSTEM_FOLDERS.isdisjoint(folders) or _SYSTEM.fullmatch(name) is not None


def working_folder(path: str) -> str:
    """Return the uppermost folder of ``path`` whose name says that work in progress is kept there, or empty."""
    parts = path.split("/")[:-1]
    for depth, part in enumerate(parts, 1):
        if folded(part).lstrip("_.") in _WORKING_FOLDERS:
            return "/".join(parts[:depth])
    return ""


def _is_working(key: str, suffix: str) -> bool:
    if working_folder(key):
        return True
    name = key.rpartition("/")[2]
    stem = name[: -len(suffix) - 1] if suffix else name
    if suffix in AUDIO:  # takes are numbered and named in so many ways that by its name only a bounce at the top counts
        return "/" not in key and _BOUNCE.search(stem) is not None
    return _COPY.fullmatch(stem) is not None


def natural_kind(path: str) -> Kind:
    """Return what a file is by its extension and its folder's name alone."""
    key = folded(path)
    *folders, name = key.split("/")
    suffix = suffix_of(key)
    if suffix in AUDIO:
        if any(_IMPULSE_FOLDER.fullmatch(folder) for folder in folders):
            return Kind.IMPULSE
        demo = any(_DEMO_FOLDER.fullmatch(folder) for folder in folders)
        return Kind.OTHER if demo else Kind.SAMPLE
    if suffix in PICTURES:
        return Kind.PICTURE
    if suffix in DOCUMENTS or (not suffix and name in _DOCUMENT_NAMES):
        return Kind.DOCUMENT
    return Kind.ARCHIVE if suffix in ARCHIVES else Kind.OTHER


class _Listed:
    """One list of the facts: patterns that spell an extension out decide; wider ones only where they may.

    ``Samples/**`` does not make a picture a sample, but ``Samples/*.raw`` makes those files samples.
    """

    def __init__(self, patterns: tuple[str, ...], kind: Kind, may: frozenset[Kind]) -> None:
        def spelled(pattern: str) -> bool:
            suffix = suffix_of(folded(pattern.replace("\\", "/")))
            return bool(suffix) and not re.search(r"[*?/]", suffix)

        self.kind, self._may = kind, may
        self._spelled: Globs = globs(tuple(p for p in patterns if spelled(p)))
        self._wide: Globs = globs(tuple(p for p in patterns if not spelled(p)))

    def takes(self, key: str, natural: Kind) -> bool:
        return self._spelled.matches_key(key) or (
            bool(self._wide) and natural in self._may and self._wide.matches_key(key)
        )


_SOUND: Final = frozenset([Kind.SAMPLE, Kind.IMPULSE, Kind.OTHER])


@lru_cache(maxsize=16)
def kinds_by(contents: Contents) -> Callable[[str], Kind]:
    """Return the function that maps a relative path to its kind under these facts."""
    lists = [
        item
        for patterns, kind, may in (
            (contents.patches, Kind.PATCH, frozenset([Kind.OTHER])),
            (contents.impulses, Kind.IMPULSE, _SOUND),
            (contents.samples, Kind.SAMPLE, _SOUND),
            (contents.scripts, Kind.SCRIPT, frozenset([Kind.OTHER])),
            (contents.documents, Kind.DOCUMENT, frozenset([Kind.OTHER, Kind.DOCUMENT])),
        )
        if patterns
        for item in [_Listed(patterns, kind, may)]
    ]

    def kind(path: str) -> Kind:
        key = folded(path)
        if is_system(key):
            return Kind.SYSTEM
        if _BACKUP.fullmatch(key):
            return Kind.WORKING
        natural = natural_kind(path)
        for item in lists:
            if item.takes(key, natural):
                return item.kind
        return Kind.WORKING if _is_working(key, suffix_of(key)) else natural

    return kind


def previews_by(facts: Facts) -> Callable[[str], bool]:
    """Return what tells whether a path is a preview and no sample: ``page.previews`` names it, and no list of samples
    or layer does. A file that a patch plays stays a sample, whatever it is shown as: see ``scan_folder``.
    """
    named = frozenset(folded(path.replace("\\", "/").removeprefix("./")) for path in facts.page.previews)
    lists = (facts.contents.samples, facts.contents.impulses, *(layer.files for layer in facts.layers))
    # A wide pattern such as “Samples/**” is no word on the one file; its name is.
    played = frozenset(folded(pattern.replace("\\", "/")) for patterns in lists for pattern in patterns)
    return lambda path: (key := folded(path)) in named and key not in played
