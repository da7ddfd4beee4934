"""Why one factor fails: what the residuals of a straight line show, and what they do not.

Each term that an imperfection would leave is tried; how large its improvement becomes by chance alone, over all terms,
lengths and places that were looked at, is found by playing the same arrivals with nothing but scatter. That is exact
for normal scatter, whatever its size (a Monte Carlo test: Barnard 1963; Davison and Hinkley 1997, section 4.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from conformance.measure.arrivals import Arrivals
from conformance.measure.fit.curve import LineFit, fit_line
from conformance.measure.fit.least_squares import Array
from conformance.measure.fit.terms import Kind, Term, candidates, columns_of, line_columns, span_of

BY_CHANCE = 0.026
"""How often a term may be named where there is none, over all terms together."""
SHARES = {Kind.CURVATURE: 10.0, Kind.STEP: 6.0, Kind.PERIOD: 1.5, Kind.DRIFT: 1.5, Kind.GAP: 1.5}
"""How that is shared out: most of it goes to what is hardest to see (as weighted p-values: Genovese et al. 2006)."""
BY_CHANCE_PLAY = 0.003
"""The same for play by paired differences, which shows long before it matters."""
BY_CHANCE_TRAIN = 0.014
"""The same for a locomotive that scatters more."""
PLAYS = 1999
MOST_TERMS = 3
_FEWEST_OF_TRAIN = 4


@dataclass(frozen=True, slots=True)
class Scatter:
    """One locomotive comes to rest less surely than the rest."""

    train: str
    times: float
    """Its scatter over that of the others."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What the arrivals show: the fit with its terms, weights by train, play, and a locomotive that scatters more."""

    fit: LineFit
    line: LineFit
    """The same without the terms: what one factor would do."""
    weights: Array
    scatter: Scatter | None
    gap_is_shown: bool

    @property
    def named(self) -> tuple[str, ...]:
        """Names of all imperfections that were shown."""
        found = [term.kind.value for term in self.fit.terms]
        if self.gap_is_shown and Kind.GAP.value not in found:
            found.append(Kind.GAP.value)
        return (*found, *(["trains"] if self.scatter else []))


def causes(arrivals: Arrivals, rng: np.random.Generator) -> Shown:
    """What the arrivals show beyond a straight line. `rng` plays what chance alone would."""
    weights = arrivals.uncertainty if arrivals.uncertainty is not None else np.ones(arrivals.number)
    terms = chosen_terms(arrivals, weights, rng)
    scatter = None
    if arrivals.uncertainty is None:
        scatter, weights = _by_train(arrivals, terms, rng)
        if scatter is not None:
            terms = chosen_terms(arrivals, weights, rng)
    fit = fit_line(arrivals, terms, weights)
    conditions = tuple(term for term in terms if term.kind in (Kind.GAP, Kind.DRIFT))
    return Shown(
        fit, fit_line(arrivals, conditions, weights), weights, scatter, _gap_is_shown(arrivals, terms)
    )


def chosen_terms(arrivals: Arrivals, weights: Array, rng: np.random.Generator) -> tuple[Term, ...]:
    """Terms that are shown, one after the other, the best first."""
    terms: tuple[Term, ...] = ()
    while len(terms) < MOST_TERMS:
        shown = _shown(arrivals, weights, terms, rng)
        if not shown:
            break
        fits = [fit_line(arrivals, (*terms, term), weights) for term in shown]
        # Where two explain it alike, the simpler one: a long wave can look like a bend, and not the other way round.
        # A length or a place that was looked for is one of many, as likely as all of them together are.
        places = [2 * float(np.log(len(candidates(term.kind, arrivals)))) for term in shown]
        judged = [
            (fit.aicc + 2 * fit.parameters + looked_for, fit)
            for fit, looked_for in zip(fits, places, strict=True)
            if fit.aicc is not None
        ]
        if not judged:
            break
        terms = min(judged, key=lambda pair: pair[0])[1].terms
    return terms


def _shown(
    arrivals: Arrivals, weights: Array, terms: tuple[Term, ...], rng: np.random.Generator
) -> list[Term]:
    """The best term of each kind that is better than chance makes it."""
    base = _orthonormal(_design(arrivals, terms) / weights[:, None])
    have = {term.kind for term in terms}
    groups = [candidates(kind, arrivals) for kind in Kind if kind not in have]
    blocks = [_blocks(arrivals, weights, base, group) for group in groups]
    blocks = [kept for kept in blocks if kept]
    left = arrivals.number - base.shape[1]
    if not blocks or left < 4:
        return []
    played = rng.standard_normal((PLAYS, arrivals.number))
    rows = np.vstack([arrivals.position / weights, played])
    rows = rows - (rows @ base) @ base.T
    peaks, best = [], []
    for kept in blocks:
        ratios = np.array([_ratio(rows, block, left) for _, block in kept])
        peaks.append(ratios.max(axis=0))
        best.append(kept[int(ratios[:, 0].argmax())][0])
    # The chance of each kind by its rank, over its share, then that of the smallest over all kinds.
    shares = [SHARES[term.kind] for term in best]
    ranks = np.array([_chance(peak) / share for peak, share in zip(peaks, shares, strict=True)])
    smallest = ranks.min(axis=0)
    return [term for term, rank in zip(best, ranks, strict=True) if np.mean(smallest <= rank[0]) <= BY_CHANCE]


def _chance(peaks: Array) -> Array:
    """The share of all values at least as large as each."""
    order = np.sort(peaks)
    return np.asarray(1 - np.searchsorted(order, peaks, side="left") / len(peaks))


def _ratio(rows: Array, block: Array, left: int) -> Array:
    """F of each row: what a block explains, over what it leaves."""
    explained = np.sum((rows @ block) ** 2, axis=1)
    rest = np.maximum(np.sum(rows**2, axis=1) - explained, 1e-300)
    width = block.shape[1]
    with np.errstate(over="ignore"):  # What leaves nothing is beyond all figures.
        return np.asarray(explained / width / (rest / (left - width)))


def _design(arrivals: Arrivals, terms: Sequence[Term]) -> Array:
    span = span_of(arrivals)
    blocks = [line_columns(span, arrivals.reading), *(columns_of(term, span, arrivals) for term in terms)]
    return np.column_stack(blocks)


def _orthonormal(columns: Array) -> Array:
    return np.asarray(np.linalg.qr(columns)[0])


def _blocks(
    arrivals: Arrivals, weights: Array, base: Array, terms: Sequence[Term]
) -> list[tuple[Term, Array]]:
    """Each term's own part, beside what is in the fit already; none of it where it says the same."""
    span, found = span_of(arrivals), []
    for term in terms:
        columns = columns_of(term, span, arrivals) / weights[:, None]
        own = columns - base @ (base.T @ columns)
        if np.linalg.norm(own, axis=0).min() > 0.05 * np.linalg.norm(columns, axis=0).max():
            found.append((term, _orthonormal(own)))
    return found


def _by_train(
    arrivals: Arrivals, terms: tuple[Term, ...], rng: np.random.Generator
) -> tuple[Scatter | None, Array]:
    """The largest ratio of one locomotive's variance to that of all others, against chance (Cochran 1941)."""
    even = np.ones(arrivals.number)
    names = sorted(name for name in set(arrivals.train) if arrivals.train.count(name) >= _FEWEST_OF_TRAIN)
    if len(names) < 2:
        return None, even
    base = _orthonormal(_design(arrivals, terms))
    rows = np.vstack([arrivals.position, rng.standard_normal((PLAYS, arrivals.number))])
    squares = (rows - (rows @ base) @ base.T) ** 2
    masks = [np.array([train == name for train in arrivals.train]) for name in names]
    # A residual has lost its share of the degrees of freedom.
    free = 1 - np.sum(base**2, axis=1)
    own = np.array([squares[:, mask].sum(axis=1) / free[mask].sum() for mask in masks])
    rest = np.array([squares[:, ~mask].sum(axis=1) / max(free[~mask].sum(), 1e-9) for mask in masks])
    ratios = own / np.maximum(rest, 1e-300)
    worst = int(ratios[:, 0].argmax())
    if _chance(ratios.max(axis=0))[0] > BY_CHANCE_TRAIN:
        return None, even
    spread, others = float(np.sqrt(own[worst, 0])), float(np.sqrt(rest[worst, 0]))
    weights = np.where(masks[worst], spread, max(others, spread / 100))
    return Scatter(names[worst], spread / max(others, spread / 100)), weights / float(
        np.sqrt(squares[0].sum() / free.sum())
    )


def _gap_is_shown(arrivals: Arrivals, terms: Sequence[Term]) -> bool:
    if any(term.kind is Kind.GAP for term in terms):
        return True
    gap = arrivals.gap
    if gap is None:
        return False
    from scipy.special import stdtr

    return gap.standard == 0 < abs(gap.size) or (
        gap.standard > 0 and float(2 * stdtr(gap.dof, -abs(gap.size) / gap.standard)) <= BY_CHANCE_PLAY
    )
