"""What is read of files, and what follows from it, each with its version.

Raise a version whenever the same files may give something else: what was remembered of them is then read anew, and the
rules that rest on it judge anew.
"""

from typing import Final

from companion.core.rules import Measure

KINDS: Final = Measure("kinds", 1)
PATH_SCAN: Final = Measure("path-scan", 7)
REFERENCES: Final = Measure("references", 3)
SCRIPT_TEXT: Final = Measure("script-text", 2)
PICTURES_READ: Final = Measure("pictures", 1)

ACCOUNTS: Final = Measure("accounts", 2)
"""What counts as a reason why a file ships."""

SHIPS_BY: Final = (KINDS, PATH_SCAN, REFERENCES, ACCOUNTS)
"""What decides, beside the facts, which files ship, as what, and which of them are asked about."""
