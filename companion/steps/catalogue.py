"""Every rule there is, from every room. A plain tuple; nothing is discovered."""

from typing import Any, Final

from companion.archive.rules import RULES as ARCHIVE_RULES
from companion.contents.rules import RULES as CONTENTS_RULES
from companion.core import rules
from companion.core.rules import Rule
from companion.sound.rules import RULES as SOUND_RULES
from companion.steps.checks.facts import RULES as FACTS_RULES
from companion.steps.checks.idle import RULES as IDLE_RULES
from companion.steps.checks.needs import RULES as NEEDS_RULES
from companion.steps.checks.out import RULES as OUT_RULES
from companion.trials.away_rules import RULES as AWAY_RULES
from companion.trials.control_rules import RULES as CONTROL_RULES
from companion.trials.performance_control_rules import RULES as PERFORMANCE_CONTROL_RULES
from companion.trials.performance_rules import RULES as PERFORMANCE_RULES
from companion.words.rules import RULES as WORDS_RULES

RULES: Final[tuple[Rule[Any], ...]] = (
    *FACTS_RULES,
    *IDLE_RULES,
    *CONTENTS_RULES,
    *SOUND_RULES,
    *CONTROL_RULES,
    *PERFORMANCE_RULES,
    *PERFORMANCE_CONTROL_RULES,
    *AWAY_RULES,
    *WORDS_RULES,
    *ARCHIVE_RULES,
    *NEEDS_RULES,
    *OUT_RULES,
)
RULE_BY_ID: Final = {rule.id: rule for rule in RULES}


def judge_of(*ids: str) -> dict[str, int]:
    """Return who judges by the rules of these steps, or by these rules: versions of rules and measures, by id."""
    return rules.judge_of(rule for rule in RULES if rule.step in ids or rule.id in ids)
