"""One measurement, and how a table of them is printed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One measurement; `wanted` bounds the ratio from above, or with `at_least` from below."""

    what: str
    ratio: float
    wanted: float | None
    """None where nothing is promised."""
    figures: str
    at_least: bool = False

    @property
    def met(self) -> bool:
        """Whether the bound is kept, if there is one."""
        if self.wanted is None:
            return True
        return self.ratio >= self.wanted if self.at_least else self.ratio <= self.wanted

    def __str__(self) -> str:
        bound, answer = "", ""
        if self.wanted is not None:
            bound = f"{'at least' if self.at_least else 'at most'} {self.wanted:g}"
            answer = "yes" if self.met else "NO"
        return f"| {self.what} | {self.ratio:.2f} | {bound} | {answer} | {self.figures} |"


def show(rows: Iterable[Row]) -> bool:
    """Print rows as they are measured; whether every bound is kept."""
    print("| measured | ratio | bound | met | figures |\n|---|---|---|---|---|", flush=True)
    met = True
    for row in rows:
        print(row, flush=True)
        met = met and row.met
    return met
