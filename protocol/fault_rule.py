"""When a fault comes, and what ends it: `faults.toml` of the specification."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

RESET, RESET_WITH_POWER, FOUND = "reset", "reset-power", "found"


@dataclass(frozen=True, slots=True)
class FaultRule:
    """One fault. `within` names the field of the site file that says how long 'in time' is; '' where none does."""

    code: str
    roles: tuple[str, ...]
    comes: str
    ends: str
    """RESET, RESET_WITH_POWER or FOUND."""
    within: str = ""
    since_when: str = ""
    """From when on that time is counted."""


def fault_rules(rows: Mapping[str, Any], figures: Mapping[str, str]) -> dict[str, FaultRule]:
    """Code to rule; `figures` fill the sentences. Raises KeyError for a figure that there is not."""
    return {
        code: FaultRule(
            code=code,
            roles=tuple(row["roles"]),
            comes=re.sub(r"\{([a-z_]+)\}", lambda match: figures[match[1]], row["comes"]),
            ends=row["ends"],
            within=row.get("within", ""),
            since_when=row.get("from", ""),
        )
        for code, row in rows.items()
    }
