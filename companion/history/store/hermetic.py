"""Git, with nothing of the maker's folder, account or computer able to change what it does.

Every call names our own git directory, an empty work tree and no configuration but ours, so that no hook, filter,
attribute, alias, fsmonitor, signing key or credential of anyone's runs over a maker's folder.
"""

from __future__ import annotations

import os
import stat
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from companion.core.errors import CompanionError
from companion.core.files import write_safely
from companion.core.regular import read_whole
from companion.history.store import refs
from companion.history.store.place import hold, root_of

if TYPE_CHECKING:
    from git import Repo

CONFIG: Final = """\
[core]
\trepositoryformatversion = 0
\tfilemode = true
\tbare = true
\tlogallrefupdates = false
\tautocrlf = false
\tsafecrlf = false
\tfsmonitor = false
\tuntrackedCache = false
\tprecomposeUnicode = false
\tprotectHFS = true
\tprotectNTFS = true
[gc]
\tauto = 0
[maintenance]
\tauto = false
[commit]
\tgpgSign = false
[tag]
\tgpgSign = false
[receive]
\tdenyCurrentBranch = ignore
[fsck]
""" + "".join(
    f"\t{check} = ignore\n"  # a maker's file of such a name is a file like any other here, whatever it says
    for check in (
        *("gitattributesBlob", "gitattributesLarge", "gitattributesLineLength", "gitattributesMissing"),
        *("gitattributesSymlink", "gitignoreSymlink", "mailmapSymlink", "gitmodulesBlob", "gitmodulesLarge"),
        *("gitmodulesMissing", "gitmodulesName", "gitmodulesParse", "gitmodulesPath", "gitmodulesSymlink"),
        *("gitmodulesUpdate", "gitmodulesUrl"),
    )
)

_FILES: Final = {"no-config": "", "config": CONFIG, "HEAD": "ref: refs/heads/latest\n"}
"""What a history says of itself. The empty one stands for a person's own configuration, where git asks for that."""

_ALWAYS: Final = (
    "core.hooksPath=/dev/null/none",
    "core.fsmonitor=false",
    "core.autocrlf=false",
    "core.attributesFile=",
    "core.excludesFile=",
    "core.commitGraph=false",
    "gc.auto=0",
    "maintenance.auto=false",
    "commit.gpgSign=false",
    "tag.gpgSign=false",
    "push.gpgSign=false",
    "protocol.ext.allow=never",
    "i18n.logOutputEncoding=UTF-8",
    "log.showSignature=false",
)
"""Said on every call too: a configuration file can be edited, and these are the ones that run programs.

A hooks path below /dev/null exists on no system, so no hook is ever found.
"""


def environment(history: Path) -> dict[str, str]:
    """Return the whole environment for a git that works on ``history``."""
    kept = {name: value for name, value in os.environ.items() if not _names_programs(name)}
    empty = history / "no-config"
    return kept | {
        "PATH": _absolute(os.environ.get("PATH")),
        "SSH_ASKPASS_REQUIRE": "never",
        "GIT_DIR": str(history),
        "GIT_COMMON_DIR": str(history),
        "GIT_WORK_TREE": str(history / "no-worktree"),
        "GIT_CONFIG_NOSYSTEM": "1",
        "GIT_CONFIG_GLOBAL": str(empty) if empty.exists() else os.devnull,
        "GIT_ATTR_NOSYSTEM": "1",
        "GIT_LITERAL_PATHSPECS": "1",
        "GIT_OPTIONAL_LOCKS": "0",
        "GIT_NO_REPLACE_OBJECTS": "1",
        "GIT_TERMINAL_PROMPT": "0",
        "GIT_ALLOW_PROTOCOL": "file:git:http:https:ssh",
        "GIT_AUTHOR_NAME": "companion",
        "GIT_AUTHOR_EMAIL": "companion@localhost",
        "GIT_COMMITTER_NAME": "companion",
        "GIT_COMMITTER_EMAIL": "companion@localhost",
        "GIT_CONFIG_COUNT": str(len(_ALWAYS)),
        **{f"GIT_CONFIG_KEY_{i}": pair.partition("=")[0] for i, pair in enumerate(_ALWAYS)},
        **{f"GIT_CONFIG_VALUE_{i}": pair.partition("=")[2] for i, pair in enumerate(_ALWAYS)},
        "LC_ALL": "C.UTF-8",
        # Windows looks for a program in the current folder first: a maker's folder must not offer its own git.
        "NoDefaultCurrentDirectoryInExePath": "1",
    }


def _names_programs(name: str) -> bool:
    """Tell whether a variable may name a program to git, or change which repository it works on."""
    return name.upper().startswith(("GIT_", "SSH_ASKPASS"))


def _absolute(path: str | None) -> str:
    """Return a search path without what is relative to wherever we were started: a stick may offer its own git."""
    parts = (os.defpath if path is None else path).split(os.pathsep)
    return os.pathsep.join(part for part in parts if Path(part).is_absolute())


@lru_cache(maxsize=4)
def _find(path: str) -> str:
    import shutil  # which brings three compressors along

    return shutil.which("git", path=path) or ""


def git_program() -> str:
    """Return where git is, or an empty string."""
    os.environ.setdefault("NoDefaultCurrentDirectoryInExePath", "1")
    return _find(_absolute(os.environ.get("PATH")))


def is_ours(history: Path) -> bool:
    """Tell whether the history's settings say what we wrote and nothing else."""
    return all(_says(history, name) for name in _FILES)


def _says(history: Path, name: str) -> bool:
    path, wanted = history / name, _FILES[name].encode()
    try:
        status = path.lstat()
        return stat.S_ISREG(status.st_mode) and status.st_size == len(wanted) and read_whole(path) == wanted
    except OSError:
        return False


def _program_for(history: Path) -> str:
    """Return git, where it may be started on this history.

    A configuration can name programs in more ways than can be switched off one by one (a remote's own transport, asked
    when an object is missing, is one), and a working folder may have come from a stranger, its history with it.
    """
    program = git_program()
    if not program:
        raise CompanionError(
            "A mirror in a repository elsewhere needs git, which is not installed",
            "",
            "install git, or mirror to a folder",
        )
    if not is_ours(history):
        raise CompanionError(
            "The git configuration of this history is not the companion's own", str(history), "take a snapshot first"
        )
    return program


def repository(history: Path) -> Repo:
    """Return the history as a GitPython repository, in the same shut-off environment.

    GitPython looks for git when it is imported and raises where there is none, unless told to be quiet before.
    """
    program = _program_for(history)
    # GitPython hands on this process's whole environment and can only add to it, so what must not reach git goes here;
    # it also takes the name of git itself from there.
    for name in [name for name in os.environ if _names_programs(name)]:
        del os.environ[name]
    os.environ |= {"GIT_PYTHON_REFRESH": "quiet", "GIT_PYTHON_GIT_EXECUTABLE": program}
    try:
        import git

        git.refresh(program)  # it may have been imported before, by whoever named another program
    except (ImportError, OSError) as error:
        raise CompanionError(
            f"The library that starts git cannot be used: {error}",
            "",
            "install the companion again, or mirror to a folder",
        ) from error
    found = git.Repo(history, expand_vars=False, search_parent_directories=False)
    wanted = environment(history)
    found.git.update_environment(**{name: value for name, value in wanted.items() if os.environ.get(name) != value})
    return found


def create(history: Path) -> None:
    """Make an empty history; half of one, left by a kill, is made whole. Raises OSError."""
    # Below what is there: where the folder has gone, with its disk, none is begun in its place.
    for part in ("no-worktree", "objects/pack", "objects/info", "refs/heads", "refs/tags"):
        hold(history, part, make=True).close()
    for name, text in _FILES.items():
        if not (history / name).exists():
            _write(history, name, text)
    # From the first moment on a list that is gone is damage, and not a history that has none yet.
    packs = any((history / "objects" / "pack").glob("*.pack"))
    if not packs and not (history / refs.FILE).exists() and not (history / refs.COPY).exists():
        refs.write(history, refs.Refs())


def faults(history: Path) -> list[str]:
    """Return what of a history's own settings is not as we write it, a line each."""
    if not history.is_dir():
        return []
    return [f"{name}: it is not what the companion wrote" for name in _FILES if not _says(history, name)]


def reclaim(history: Path) -> None:
    """Put our settings in place of any others, so that git may be started on ``history``. Raises OSError."""
    for name, text in _FILES.items():
        if not _says(history, name):
            _write(history, name, text)


def _write(history: Path, name: str, text: str) -> None:
    write_safely(history / name, text.encode(), root=root_of(history), ours=True)
