"""Which requirement is checked by which case, and which by none."""

from __future__ import annotations

from dataclasses import dataclass

from conformance.suite.case import ROLES, Case, all_cases
from protocol.specification import Requirement, specification

TESTABLE = ("subscriber", "tap", "line", "stimulus")
"""Ways of seeing that need neither a person nor a declaration."""
OF_A_NODE = (*ROLES, "node", "sender", "receiver")


@dataclass(frozen=True, slots=True)
class Row:
    """One requirement with the cases that check it. What is declared or asked of a person has none."""

    requirement: Requirement
    cases: tuple[Case, ...]

    @property
    def covered(self) -> bool:
        """Whether a case checks it."""
        return bool(self.cases)

    @property
    def due(self) -> bool:
        """Whether a tester can see it, so that a case is owed."""
        return self.requirement.role in OF_A_NODE and self.requirement.seen in TESTABLE


def table() -> tuple[Row, ...]:
    """Every requirement, in the order of the specification."""
    cases = all_cases().values()
    return tuple(
        Row(requirement, tuple(case for case in cases if requirement.id in case.requirements))
        for requirement in specification().requirements.values()
    )


def uncovered(level: str = "MUST") -> tuple[Requirement, ...]:
    """The requirements that a tester can see and that no case checks."""
    return tuple(
        row.requirement for row in table() if row.due and not row.covered and row.requirement.level == level
    )
