"""What the fuzzer made of one planted bug, and the table of all of them."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import dataclass

from benchmarks.row import Row
from conformance.fuzz.run.campaign import Campaign


@dataclass(frozen=True, slots=True)
class Hunted:
    """One planted bug: what the fuzzer made of it. Times in seconds, to the first finding."""

    bug: str
    needs: str
    requirement: str
    """'' where it was not found."""
    cases: int
    virtual_s: float
    real_s: float
    steps: int
    messages: int

    @property
    def found(self) -> bool:
        """Whether it was found within the budget."""
        return bool(self.requirement)

    def row(self, budget: int) -> Row:
        """As a measurement: the part of its budget of cases that it took."""
        figures = (
            f"{self.requirement or 'not found'}: {self.cases:,} of {budget:,} cases, "
            f"{self.virtual_s:,.0f} s of the bench, {self.real_s:.1f} s; short: {self.steps} steps"
        )
        part = self.cases / budget if self.found else float("inf")
        return Row(f"{self.bug} ({self.needs})", part, 1.0, figures)

    @classmethod
    def by(cls, run: Campaign, cases: int, *, bug: str, needs: str) -> Hunted:
        """Go on with a run until something is found and made short, or until so many cases are spent."""
        began = time.perf_counter()
        firsts: list[float] = []
        run.on_found = lambda _found: firsts.append(time.perf_counter())
        run.run(lambda: run.cases < cases and not run.found)
        real_s = [*firsts, time.perf_counter()][0] - began
        found = next(iter(run.found.values()), None)
        if found is None:
            return cls(bug, needs, "", run.cases, run.seconds, real_s, 0, 0)
        return cls(
            bug,
            needs,
            found.finding.requirement,
            found.cases,
            found.seconds,
            real_s,
            len(found.steps),
            len(found.came),
        )


def table(found: Iterable[Hunted]) -> str:
    """The planted bugs as a table for a document."""
    head = "| planted bug | needs | found by | cases | bench s | real s | steps | messages |"
    lines = [
        f"| {row.bug} | {row.needs} | {row.requirement or 'not found'} | {row.cases:,} | {row.virtual_s:,.0f} | "
        f"{row.real_s:.1f} | {row.steps} | {row.messages} |"
        for row in found
    ]
    return "\n".join([head, "|---" * 8 + "|", *lines])
