"""The checks of the sound step: each a pure function from the model to findings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from companion.core.findings import Finding
from companion.sound.check_edges import EDGE_CHECKS
from companion.sound.check_files import FILE_CHECKS
from companion.sound.check_format import FORMAT_CHECKS
from companion.sound.check_levels import LEVEL_CHECKS
from companion.sound.check_pitch import PITCH_CHECKS
from companion.sound.check_zones import ZONE_CHECKS
from companion.sound.model import SoundModel, sound_model

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


__all__ = ["CHECKS", "SoundModel", "check_sound", "sound_model"]
