"""Every rule there is, from every room. A plain tuple; nothing is discovered."""

from __future__ import annotations

from typing import Final

from companion.archive.rules import RULES as ARCHIVE_RULES
from companion.contents.rules import RULES as CONTENTS_RULES
from companion.core.findings import Rule
from companion.sound.rules import RULES as SOUND_RULES
from companion.steps.model import STEP_IDS
from companion.steps.own_rules import OWN_RULES
from companion.trials.rules import RULES as TRIALS_RULES
from companion.words.rules import RULES as WORDS_RULES

RULES: Final[tuple[Rule, ...]] = tuple(
    sorted(
        (*OWN_RULES, *CONTENTS_RULES, *SOUND_RULES, *TRIALS_RULES, *WORDS_RULES, *ARCHIVE_RULES),
        key=lambda rule: (STEP_IDS.index(rule.step), rule.severity.weight, rule.id),
    )
)
"""Every rule, in the order of the steps, the blocking ones first."""
