"""A guard as it is published: one sentence, its formula, and facts for which it holds and does not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class GuardRule:
    """One entry of `tables/guards.toml`."""

    name: str
    says: str
    formula: str
    requirements: tuple[str, ...]
    behind: bool
    """Whether it holds where no guard of a row above it does; such a guard has no formula of its own."""
    holds: Mapping[str, Any]
    """Facts for which it holds, by the names of the formula."""
    fails: Mapping[str, Any] | None
    """Facts for which it does not; None for one that is behind others."""


def guard_rules(data: Mapping[str, Any]) -> dict[str, GuardRule]:
    """Every guard by name, in the order of the file."""
    return {
        name: GuardRule(
            name,
            row["says"],
            row["formula"],
            tuple(row["requirements"]),
            row.get("behind", False),
            row["true"],
            row.get("false"),
        )
        for name, row in data.items()
        if name != "words"
    }
