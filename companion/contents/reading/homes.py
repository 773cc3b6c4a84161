"""How paths begin that hold on one computer only: its roots, its variables, and its home folders."""

import re
from typing import Final

ROOTS: Final = (
    *("Users", "home", "Volumes", "media", "mnt", "private"),
    *("Library", "Applications", "tmp", "var", "opt", "root", "srv"),
)
HOME_VARIABLES: Final = ("USERPROFILE", "HOMEPATH", "HOMEDRIVE", "LOCALAPPDATA", "APPDATA", "ONEDRIVE")
VARIABLES: Final = (*HOME_VARIABLES, "PUBLIC", "TEMP")

# Parts of expressions that are compiled with IGNORECASE.
FILE_ADDRESS: Final = r"file:/{0,3}(?:localhost/)?"
HOME_VARIABLE: Final = rf"%(?:{'|'.join(HOME_VARIABLES)})%"
HOME_FOLDER: Final = (
    r"[\\/]+(?:Users|home|Documents and Settings)[\\/]+(?!(?:Shared|Public|All Users)[\\/])[^\\/\s\"'<>]+"
)
"""The usual places of home folders on macOS, Linux and Windows, up to and with the name of the user."""


def names_home(text: str, home: str) -> bool:
    """Tell whether ``text`` holds a path in the folder ``home`` of this computer; too short a one is never found."""
    wanted, plain = (item.replace("\\", "/").casefold() for item in (home.rstrip("/\\"), text))
    return len(wanted) > 3 and re.search(rf"{re.escape(wanted)}(?![\w.-]*\w)", plain) is not None
