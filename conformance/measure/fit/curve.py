"""What a fit gives: a position for a reading, and how far off it may be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.fit.least_squares import Array, Solution, curve_fit, solve
from conformance.measure.fit.terms import (
    OF_THE_READING,
    Kind,
    Span,
    Term,
    columns_of,
    line_columns,
    shape_columns,
    span_of,
)

COVERED = 0.95


class Curve(Protocol):
    """A fitted curve over the measured range."""

    @property
    def name(self) -> str:
        """The family, in words."""

    @property
    def sigma(self) -> float:
        """Scatter of one arrival about the curve, in the axis's unit."""

    @property
    def dof(self) -> float:
        """Degrees of freedom of `sigma`."""

    def position(self, reading: Array) -> Array:
        """The position for each reading."""

    def standard(self, reading: Array) -> Array:
        """Standard uncertainty of those from scatter."""

    def bias(self, reading: Array) -> Array:
        """What may come on top whatever the scatter: the most that the shape between points may be off."""


def factor(dof: float) -> float:
    """The factor from a standard uncertainty to 95 %: Student's t."""
    from scipy.special import ndtri, stdtrit

    two_sided = (1 + COVERED) / 2
    return float(ndtri(two_sided) if np.isinf(dof) else stdtrit(max(dof, 1), two_sided))


def half_width(curve: Curve, reading: Array) -> Array:
    """Half the 95 % interval of the curve at each reading."""
    found: Array = factor(curve.dof) * curve.standard(reading) + curve.bias(reading)
    return found


_NAMES = {Kind.PERIOD: "one period", Kind.STEP: "a step", Kind.CURVATURE: "a bend"}


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line and terms, by weighted least squares."""

    span: Span
    terms: tuple[Term, ...]
    solution: Solution
    edges: tuple[tuple[float, float], ...]
    """For each step the readings that were measured on either side of it."""
    number: int
    """Arrivals that it rests on."""
    settled: bool = False
    """Lengths were given, and not found."""

    @property
    def name(self) -> str:
        """The family, in words."""
        kinds = [term.kind for term in self.terms if term.kind in OF_THE_READING]
        if kinds == [Kind.CURVATURE]:
            return "quadratic"
        if not kinds:
            return "straight line"
        return "line plus " + " and ".join(_NAMES[kind] for kind in kinds)

    @property
    def sigma(self) -> float:
        """Scatter of one arrival about the curve."""
        return self.solution.sigma

    @property
    def dof(self) -> float:
        """Degrees of freedom."""
        return self.solution.dof

    @property
    def parameters(self) -> int:
        """Parameters that were found, the scatter among them (as AIC counts them)."""
        searched = sum(1 for term in self.terms if term.kind in (Kind.PERIOD, Kind.STEP))
        return 3 + sum(term.parameters for term in self.terms) - (searched if self.settled else 0)

    @property
    def aicc(self) -> float | None:
        """Akaike's criterion for small samples; None where n is not above k + 1."""
        n, k = self.number, self.parameters
        if n <= k + 1 or self.solution.squares <= 0:
            return None
        return float(n * np.log(self.solution.squares / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))

    def coefficients(self, term: Term) -> tuple[Array, Array]:
        """What was found for a term, and its standard uncertainties."""
        place = 2
        for one in self.terms:
            width = self._width(one)
            if one == term:
                found = self.solution
                return found.coefficients[place : place + width], found.standard[place : place + width]
            place += width
        raise ValueError(f"no such term: {term}")

    def position(self, reading: Array) -> Array:
        """The position for each reading, in the middle of directions and times; across a step straight."""
        found: Array = self._design(reading, derivative=False) @ self._linear()
        for low, high in self.edges:
            inside = (reading > low) & (reading < high)
            if inside.any():
                ends = self._design(np.array([low, high]), derivative=False) @ self._linear()
                found[inside] = ends[0] + (ends[1] - ends[0]) * (reading[inside] - low) / (high - low)
        return found

    def standard(self, reading: Array) -> Array:
        """Standard uncertainty of those."""
        rows = self._design(reading, derivative=True)
        found: Array = np.sqrt(np.einsum("ij,jk,ik->i", rows, self.solution.covariance, rows))
        return found

    def bias(self, reading: Array) -> Array:
        """Between the two readings around a step nobody knows on which side of it a reading lies."""
        found = np.zeros_like(reading)
        steps = [term for term in self.terms if term.kind is Kind.STEP]
        for step, (low, high) in zip(steps, self.edges, strict=True):
            size = abs(float(self.coefficients(step)[0][0]))
            way = (reading - low) / (high - low)
            found += np.where((way > 0) & (way < 1), size * np.maximum(way, 1 - way), 0)
        return found

    def _linear(self) -> Array:
        keep = np.ones(len(self.solution.coefficients), dtype=bool)
        place = 2
        for term in self.terms:
            place += self._width(term)
            if term.kind is Kind.PERIOD and not self.settled:
                keep[place - 1] = False
        return self.solution.coefficients[keep]

    def _design(self, reading: Array, *, derivative: bool) -> Array:
        blocks = [line_columns(self.span, reading)]
        for term in self.terms:
            block = shape_columns(term, self.span, reading)
            if term.kind is Kind.PERIOD and derivative and not self.settled:
                block = np.column_stack([block, self._by_length(term, block, reading)])
            blocks.append(block)
        return np.column_stack(blocks)

    def _width(self, term: Term) -> int:
        return 2 if term.kind is Kind.PERIOD and self.settled else _width(term)

    def _by_length(self, term: Term, block: Array, reading: Array) -> Array:
        """How the wave changes with its length."""
        a, b = self.coefficients(term)[0][:2]
        angle = 2 * np.pi * (reading - self.span.middle) / term.figure
        found: Array = (a * block[:, 1] - b * block[:, 0]) * angle / term.figure
        return found


def _width(term: Term) -> int:
    """Coefficients of a term: two and the length for a period."""
    return 3 if term.kind is Kind.PERIOD else 1


def fit_line(
    arrivals: Arrivals, terms: tuple[Term, ...], weights: Array, *, settled: bool = False
) -> LineFit:
    """A line and terms through the arrivals, lengths of periods made better from where they start unless `settled`.

    `weights` are the uncertainties, known ones where the arrivals have them. Raises ValueError for too few arrivals.
    """
    span, known = span_of(arrivals), arrivals.uncertainty is not None
    blocks = [line_columns(span, arrivals.reading)]
    blocks += [columns_of(term, span, arrivals) for term in terms]
    solution = solve(np.column_stack(blocks), arrivals.position, weights, known=known)
    if not settled and any(term.kind is Kind.PERIOD for term in terms):
        terms, solution = _with_lengths(arrivals, span, terms, solution, weights)
    edges = tuple(_around(arrivals.distinct, term.figure) for term in terms if term.kind is Kind.STEP)
    return LineFit(span, terms, solution, edges, arrivals.number, settled)


def _with_lengths(
    arrivals: Arrivals, span: Span, terms: tuple[Term, ...], linear: Solution, weights: Array
) -> tuple[tuple[Term, ...], Solution]:
    start = list(linear.coefficients[:2])
    place = 2
    for term in terms:
        width = 2 if term.kind is Kind.PERIOD else 1
        start += list(linear.coefficients[place : place + width])
        start += [term.figure] if term.kind is Kind.PERIOD else []
        place += width

    def with_figures(parameters: Array) -> tuple[Term, ...]:
        found, place = [], 2
        for term in terms:
            place += _width(term)
            found.append(Term(term.kind, float(parameters[place - 1])) if term.kind is Kind.PERIOD else term)
        return tuple(found)

    def model(parameters: Array) -> Array:
        total = line_columns(span, arrivals.reading) @ parameters[:2]
        place = 2
        for term in with_figures(parameters):
            block = columns_of(term, span, arrivals)
            total = total + block @ parameters[place : place + block.shape[1]]
            place += _width(term)
        return np.asarray(total)

    solution = curve_fit(
        model, np.array(start), arrivals.position, weights, known=arrivals.uncertainty is not None
    )
    return with_figures(solution.coefficients), solution


def _around(distinct: Array, edge: float) -> tuple[float, float]:
    after = int(np.searchsorted(distinct, edge))
    return float(distinct[after - 1]), float(distinct[after])
