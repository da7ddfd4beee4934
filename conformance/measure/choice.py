"""Which curve is taken: the one that does best on arrivals that it was not shown, and why, in words."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import FEWEST, Arrivals
from conformance.measure.causes import Shown
from conformance.measure.fit.curve import Curve, LineFit, fit_line
from conformance.measure.fit.interpolants import Interpolant, points_of, scatter_between_neighbours
from conformance.measure.fit.least_squares import Array
from conformance.measure.fit.terms import OF_THE_READING, Kind, Term, candidates
from conformance.measure.fit.weighed import weighed
from protocol.trouble import Trouble

FEW = 6
"""Inner readings up to which arrivals may lie on a curve by rounding alone."""


@dataclass(frozen=True, slots=True)
class Tried:
    """One family: its curve, how far off it is where it was not told (rms), and Akaike's criterion if it has one."""

    curve: Curve
    errors: Array
    """At each inner reading, left out."""
    aicc: float | None

    @property
    def left_out(self) -> float:
        """The rms of those."""
        return float(np.sqrt(np.mean(self.errors**2))) if len(self.errors) else float("nan")


@dataclass(frozen=True, slots=True)
class Choice:
    """The curve that is taken, all that were tried, and the reason in words."""

    curve: Curve
    """The chosen one, its uncertainty with all that the points allow."""
    chosen: Tried
    tried: tuple[Tried, ...]
    reason: str


def choose(arrivals: Arrivals, shown: Shown) -> Choice:
    """Straight line, quadratic, line plus one period, and what was shown; straight pieces and a monotone cubic.

    Terms that chance alone could have made are compared, and not taken. Raises Trouble where no curve can be judged:
    three arrivals on one line tell nothing of their scatter.
    """
    conditions = tuple(term for term in shown.line.terms if term.kind not in OF_THE_READING)
    tried = [_try_line(arrivals, shown.line)]
    exact = 1e-9 * float(np.ptp(arrivals.position))
    if len(arrivals.distinct) == FEWEST:
        _require_scatter(tried[0], exact)
        few = "with 3 readings only a straight line can be judged: every other curve would go through all of them"
        return Choice(tried[0].curve, tried[0], tuple(tried), few)
    if shown.fit.terms != shown.line.terms:
        tried.append(_try_line(arrivals, shown.fit))
    for kind in (Kind.CURVATURE, Kind.PERIOD):
        tried += _alone(arrivals, shown, conditions, kind, {one.curve.name for one in tried})
    sigma, dof = _scatter(arrivals, shown)
    for monotone in (False, True):
        tried.append(_try_interpolant(arrivals, sigma, dof, monotone=monotone))
    best_line = tried[1] if shown.fit.terms != shown.line.terms else tried[0]
    chosen = min(tried[-2:], key=lambda one: one.left_out)
    better = chosen.errors**2 - best_line.errors**2
    spread = float(np.std(better, ddof=1) / np.sqrt(len(better))) if len(better) > 1 else float("inf")
    # Two standard errors: what is more complicated has to be better by more than chance.
    if not float(np.mean(better)) < -2 * spread or best_line.left_out <= exact:
        chosen = best_line
    _require_scatter(chosen, exact)
    reason = _reason(chosen, tried, best_line)
    if isinstance(chosen.curve, LineFit):
        curve = weighed(arrivals, chosen.curve, shown.line, shown.weights)
        return Choice(curve, chosen, tuple(tried), reason)
    return Choice(chosen.curve, chosen, tuple(tried), reason)


def _require_scatter(chosen: Tried, exact: float) -> None:
    """Raise Trouble where nothing is known of the scatter, so that no error can be stated."""
    if chosen.curve.dof <= 0 or not chosen.curve.sigma >= 0:
        raise Trouble("too few arrivals to tell how they scatter", fix="Measure at more readings")
    if chosen.curve.sigma <= exact and len(chosen.errors) <= FEW:
        raise Trouble(
            f"all arrivals lie on a {chosen.curve.name} to the last digit: so few tell nothing of their scatter",
            fix="Write positions as finely as they can be read, and measure at more readings",
        )


def _alone(
    arrivals: Arrivals, shown: Shown, conditions: tuple[Term, ...], kind: Kind, have: set[str]
) -> list[Tried]:
    """The best line with one term of a kind, whether chance could have made it or not: for comparison."""
    fits = []
    for term in candidates(kind, arrivals):
        with suppress(ValueError):
            fits.append(fit_line(arrivals, (*conditions, term), shown.weights, settled=True))
    if not fits:
        return []
    best = min(fits, key=lambda one: one.solution.squares)
    return [] if best.name in have or best.aicc is None else [_try_line(arrivals, best)]


def _try_line(arrivals: Arrivals, fit: LineFit) -> Tried:
    """Each inner reading left out in turn; lengths and places of terms stay as they are."""
    errors = []
    for reading in arrivals.distinct[1:-1]:
        out = arrivals.reading == reading
        error = float("inf")
        with suppress(ValueError):
            rest = arrivals.without(out)
            curve = fit_line(rest, fit.terms, np.ones(rest.number), settled=True)
            error = float(np.mean(arrivals.position[out]) - curve.position(np.array([reading]))[0])
        errors.append(error)
    return Tried(fit, np.array(errors), fit.aicc)


def _try_interpolant(arrivals: Arrivals, sigma: float, dof: float, *, monotone: bool) -> Tried:
    points = points_of(arrivals)
    errors = []
    for reading in arrivals.distinct[1:-1]:
        out = arrivals.reading == reading
        rest = Interpolant(points_of(arrivals.without(out)), sigma, dof, monotone)
        errors.append(float(np.mean(arrivals.position[out]) - rest.position(np.array([reading]))[0]))
    return Tried(Interpolant(points, sigma, dof, monotone), np.array(errors), None)


def _scatter(arrivals: Arrivals, shown: Shown) -> tuple[float, float]:
    """Scatter for curves that have no residual: the smaller of what neighbours and the best line show."""
    between = scatter_between_neighbours(points_of(arrivals))
    if shown.fit.dof > 0 and shown.fit.sigma < between:
        return shown.fit.sigma, shown.fit.dof
    return between, max(len(arrivals.distinct) - 2, 1)


def _reason(chosen: Tried, tried: list[Tried], best_line: Tried) -> str:
    others = [one for one in tried if one is not chosen]
    told = ", ".join(f"{one.curve.name} {one.left_out:.2g}" for one in others)
    said = f"each reading left out in turn, {chosen.curve.name} is off by {chosen.left_out:.2g} (rms); {told}"
    if chosen is not best_line:
        return f"{said}. No line with terms that chance could not have made comes near it"
    line = tried[0]
    if chosen is line:
        return f"{said}. What more complicated curves gain is no more than chance gives"
    if any(one.left_out < chosen.left_out for one in others):
        said += ". What is nearer there is so by no more than chance gives"
    if chosen.aicc is not None and line.aicc is not None:
        word = "agrees" if chosen.aicc < line.aicc else "does not agree"
        against = f"{chosen.aicc:.0f} against {line.aicc:.0f} of a straight line"
        return f"{said}. Its terms are more than chance makes; AICc {word} ({against})"
    return f"{said}. Its terms are more than chance makes"
