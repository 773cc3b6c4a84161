"""The rules of the sound step, listed."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Finding
from companion.core.rules import Rule
from companion.sound.checks.edges import EDGE_RULES
from companion.sound.checks.files import FILE_RULES
from companion.sound.checks.format import FORMAT_RULES
from companion.sound.checks.levels import LEVEL_RULES
from companion.sound.checks.model import SoundModel
from companion.sound.checks.pitch import PITCH_RULES
from companion.sound.checks.zones import ZONE_RULES

# A rule's version is raised whenever its verdict on the same measures and facts may change; what it measures has a
# version of its own (``measures.versions``, ``zones.ZONES``, ``tuning.TUNING``).
RULES: Final[tuple[Rule[SoundModel], ...]] = (
    *FILE_RULES,
    *EDGE_RULES,
    *FORMAT_RULES,
    *PITCH_RULES,
    *ZONE_RULES,
    *LEVEL_RULES,
)


def check_sound(model: SoundModel) -> list[Finding]:
    """Return what is wrong with the sound of an instrument. Unreadable and truncated files are found by Contents."""
    return [finding for rule in RULES for finding in rule(model)]
