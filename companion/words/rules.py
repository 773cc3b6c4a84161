"""The rules of the Words step."""

from __future__ import annotations

from typing import Final

from companion.core.findings import Rule

RULES: Final[tuple[Rule, ...]] = ()
