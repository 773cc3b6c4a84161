"""Which module each command stands in: one is imported when it is asked for, all of them for the help."""

from typing import Final

MODULES: Final = {
    "away": ("away", "kit", "receive"),
    "checklist": ("answer", "check", "fact", "needs", "open", "start", "status", "trials", "waive"),
    "contents": ("contents",),
    "history": ("adopt", "compare", "forget", "mirror", "restore", "snapshot", "snapshots"),
    "play": ("play",),
    "performance": ("coverage", "judge", "perform"),
    "reference": ("completion", "demo", "explain", "measure"),
    "after": ("releases", "report", "sheet", "shelf"),
    "release": ("draft", "pack", "prove", "release", "upload"),
    "show": ("show",),
}
NAMES: Final = {name: f"companion.cli.{module}" for module, names in MODULES.items() for name in names}
