"""Terms of an uncertainty budget and their sum (JCGM 100:2008), with a check by simulation (JCGM 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

COVERED = 0.95
DRAWS = 200_000


class Shape(StrEnum):
    """How the values of a term lie (JCGM 100, 4.3; JCGM 101, 6.4)."""

    NORMAL = "normal"
    EVEN = "even"
    """Anywhere within +- size alike."""
    EITHER = "either"
    """At one end or at the other: play, depending on whence the axis came."""


@dataclass(frozen=True, slots=True)
class Term:
    """One thing that may be off: a standard deviation for a normal one, else the half-width; in the axis's unit."""

    name: str
    size: float
    shape: Shape = Shape.NORMAL
    dof: float = math.inf
    source: str = ""
    """Where the figure comes from."""

    @property
    def standard(self) -> float:
        """Standard uncertainty."""
        return self.size / math.sqrt(3) if self.shape is Shape.EVEN else self.size


@dataclass(frozen=True, slots=True)
class Budget:
    """The sum of terms."""

    terms: tuple[Term, ...]

    @property
    def combined(self) -> float:
        """Combined standard uncertainty: root of the sum of squares (JCGM 100, 5.1.2, sensitivities 1)."""
        return math.sqrt(sum(term.standard**2 for term in self.terms))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1)."""
        return welch_satterthwaite([(term.standard, term.dof) for term in self.terms])

    @property
    def factor(self) -> float:
        """Coverage factor for 95 %: Student's t with the degrees of freedom cut to a whole number (G.6.4)."""
        from scipy.special import ndtri, stdtrit

        dof = self.dof
        two_sided = (1 + COVERED) / 2
        return float(ndtri(two_sided) if math.isinf(dof) else stdtrit(max(math.floor(dof), 1), two_sided))

    @property
    def expanded(self) -> float:
        """Half-width of the 95 % interval."""
        return self.factor * self.combined

    @property
    def shares(self) -> tuple[tuple[Term, float], ...]:
        """Each term with its share of the variance, the largest first: that is the one to improve."""
        total = self.combined**2
        rows = [(term, term.standard**2 / total if total else 0.0) for term in self.terms]
        return tuple(sorted(rows, key=lambda row: -row[1]))


def welch_satterthwaite(parts: Sequence[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum of (standard uncertainty, degrees of freedom)."""
    below = sum(u**4 / dof for u, dof in parts if not math.isinf(dof))
    total: float = sum(u**2 for u, _ in parts) ** 2
    return total / below if below else math.inf


def simulated(budget: Budget, rng: np.random.Generator, draws: int = DRAWS) -> float:
    """Half-width that holds 95 % of the simulated sums (JCGM 101, 7; every term is symmetrical about 0)."""
    total = np.zeros(draws)
    for term in budget.terms:
        if term.shape is Shape.EVEN:
            total += rng.uniform(-term.size, term.size, draws)
        elif term.shape is Shape.EITHER:
            total += term.size * rng.choice([-1.0, 1.0], draws)
        elif math.isinf(term.dof):
            total += rng.normal(0, term.size, draws)
        else:
            # What is known of a scatter from few values: a scaled and shifted t (JCGM 101, 6.4.9).
            total += term.size * rng.standard_t(max(term.dof, 1), draws)
    return float(np.quantile(np.abs(total), COVERED))
