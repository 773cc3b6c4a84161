"""Every rule there is, from every room. A plain tuple; nothing is discovered."""

from __future__ import annotations

from typing import Any, Final

from companion.archive.rules import RULES as ARCHIVE_RULES
from companion.contents.rules import RULES as CONTENTS_RULES
from companion.core import findings, rules
from companion.sound.rules import RULES as SOUND_RULES
from companion.steps.looks.own_rules import OWN_RULES
from companion.steps.model import STEP_IDS
from companion.trials.away_rules import RULES as AWAY_RULES
from companion.trials.control_rules import RULES as CONTROL_RULES
from companion.words.rules import RULES as WORDS_RULES

AnyRule = findings.Rule | rules.Rule[Any]

RULES: Final[tuple[AnyRule, ...]] = tuple(
    sorted(
        (*OWN_RULES, *CONTENTS_RULES, *SOUND_RULES, *CONTROL_RULES, *AWAY_RULES, *WORDS_RULES, *ARCHIVE_RULES),
        key=lambda rule: (STEP_IDS.index(rule.step), rule.severity.weight, rule.id),
    )
)
"""Every rule, in the order of the steps, the blocking ones first."""
