"""The rules of the sound step, and the checks that find them: each a pure function from the model to findings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from companion.core.findings import Finding
from companion.sound.checks.edges import EDGE_CHECKS
from companion.sound.checks.format import FORMAT_CHECKS
from companion.sound.checks.levels import LEVEL_CHECKS
from companion.sound.checks.model import SoundModel
from companion.sound.checks.pitch import PITCH_CHECKS
from companion.sound.checks.texts import RULES as RULES
from companion.sound.checks.whole import FILE_CHECKS
from companion.sound.checks.zones import ZONE_CHECKS

CHECKS: Final[tuple[Callable[[SoundModel], list[Finding]], ...]] = (
    *FILE_CHECKS,
    *EDGE_CHECKS,
    *FORMAT_CHECKS,
    *PITCH_CHECKS,
    *ZONE_CHECKS,
    *LEVEL_CHECKS,
)


def check_sound(model: SoundModel) -> list[Finding]:
    """Return what is wrong with the sound of an instrument. Unreadable and truncated files are told by Contents."""
    return [finding for check in CHECKS for finding in check(model)]
