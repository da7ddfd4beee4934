"""The budget of one crane over one track: terms from the measured pairs, the table as written, and statements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.budget.uncertainty import Budget, Shape, Term
from conformance.measure.causes import Shown
from conformance.measure.fit.curve import Curve, factor, half_width
from conformance.measure.fit.terms import Kind
from protocol.position_table import PositionTable
from protocol.trouble import Trouble

_LOOKED_AT = 121


@dataclass(frozen=True, slots=True)
class Statements:
    """What nobody measured here: half-widths that somebody states, in the axis's unit."""

    axis: float = 0.0
    """Repeatability of the axis: a standard deviation."""
    play: float | None = None
    """Difference between the directions of approach; None: as the pairs show it."""
    geometry: float = 0.0
    """How far a slot may lie from where the site file has it, to either side."""
    slack: float = 0.0
    """How far one coupling gives, to either side; slot s has s of them between it and the end of the train."""


@dataclass(frozen=True, slots=True)
class Landing:
    """Whether boxes land in one slot."""

    slot: int
    budget: Budget
    catches: float

    @property
    def margin(self) -> float:
        """What is left; below 0 it is not shown that boxes land."""
        return self.catches - self.budget.expanded


def landings(
    arrivals: Arrivals,
    shown: Shown,
    curve: Curve,
    table: PositionTable,
    statements: Statements,
    slots: int,
    catches: float,
) -> tuple[Landing, ...]:
    """A budget for each slot. Raises Trouble where the table has no reading in common with the pairs."""
    common = _terms(arrivals, shown, curve, table, statements)
    found = []
    for slot in range(slots):
        own = list(common)
        if statements.slack and slot:
            # Couplings give by themselves, each for itself.
            size = statements.slack * math.sqrt(slot)
            own.append(Term("couplings", size, Shape.EVEN, source=f"stated: {slot} of {statements.slack:g}"))
        found.append(Landing(slot, Budget(tuple(own)), catches))
    return tuple(found)


def _terms(
    arrivals: Arrivals, shown: Shown, curve: Curve, table: PositionTable, statements: Statements
) -> Sequence[Term]:
    low, high = max(arrivals.reading.min(), table.low), min(arrivals.reading.max(), table.high)
    if high <= low:
        raise Trouble(
            f"the table goes from {table.low} to {table.high}, the pairs do not reach there",
            fix="Measure where the table is used, or make the table again: 'yardwire measure table'",
        )
    readings = np.linspace(low, high, _LOOKED_AT).round()
    exact = curve.position(readings)
    written = np.array([table.position(int(reading)) for reading in readings])
    known = half_width(curve, readings) / factor(curve.dof)
    rest = Term(
        "reading", _scatter(shown, curve), dof=curve.dof, source=f"{arrivals.number} arrivals about the curve"
    )
    fit = Term("curve", float(np.sqrt(np.mean(known**2))), dof=curve.dof, source="95 % interval of the curve")
    off = float(np.sqrt(np.mean((written - exact) ** 2)))
    terms = [rest, fit, Term("table", off, source="the table as written against the curve, rounding counted")]
    if statements.axis:
        terms.append(Term("axis", statements.axis, source="stated"))
    play = _play(arrivals, shown, statements)
    if play is not None:
        terms.append(play)
    if statements.geometry:
        terms.append(Term("slots", statements.geometry, Shape.EVEN, source="stated"))
    return terms


def _scatter(shown: Shown, curve: Curve) -> float:
    """Of the locomotive that comes to rest least surely: nobody knows which one comes."""
    return curve.sigma * float(shown.weights.max()) if shown.scatter is not None else curve.sigma


def _play(arrivals: Arrivals, shown: Shown, statements: Statements) -> Term | None:
    if statements.play is not None:
        return Term("play", statements.play / 2, Shape.EITHER, source="stated") if statements.play else None
    if not shown.gap_is_shown:
        return None
    if arrivals.gap is not None:
        source = f"{arrivals.gap.arrivals} arrivals from both sides"
        return Term("play", abs(arrivals.gap.size) / 2, Shape.EITHER, source=source)
    term = next(one for one in shown.fit.terms if one.kind is Kind.GAP)
    size = abs(float(shown.fit.coefficients(term)[0][0]))
    return Term("play", size / 2, Shape.EITHER, source="arrivals from either side")
