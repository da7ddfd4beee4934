"""What was found, in words: which imperfections the residuals of a straight line show, and how large they are."""

from __future__ import annotations

from conformance.measure.arrivals import Arrivals
from conformance.measure.causes import Shown
from conformance.measure.fit.curve import factor
from conformance.measure.fit.terms import Kind, Term


def findings(arrivals: Arrivals, shown: Shown, unit: str) -> list[str]:
    """A sentence for each imperfection that was shown; one that says so where there is none."""
    fit = shown.fit
    found = [_term(shown, term, unit) for term in fit.terms]
    if shown.gap_is_shown and arrivals.gap is not None:
        within = factor(arrivals.gap.dof) * arrivals.gap.standard
        found.append(_gap(arrivals.gap.size, within, unit))
    if shown.scatter is not None:
        found.append(
            f"locomotive '{shown.scatter.train}' scatters {shown.scatter.times:.1f} times as much as the others"
        )
    if not found:
        found.append(f"scatter alone ({fit.sigma:.2g} {unit}): nothing says that one factor is not enough")
    return found


def _gap(size: float, within: float, unit: str) -> str:
    more = "more" if size > 0 else "less"
    return f"play: coming up, the axis says {abs(size):.2g} {unit} {more} than coming down (+- {within:.1g})"


def _term(shown: Shown, term: Term, unit: str) -> str:
    fit = shown.fit
    values, standard = fit.coefficients(term)
    k = factor(fit.dof)
    if term.kind is Kind.PERIOD:
        amplitude = float((values[0] ** 2 + values[1] ** 2) ** 0.5)
        within = k * float(max(standard[0], standard[1]))
        length = k * float(standard[2])
        return (
            f"a period: {amplitude:.2g} {unit} (+- {within:.1g}) to either side over {term.figure:.0f} of the reading "
            f"(+- {length:.1g}), as an eccentric pulley or magnet makes"
        )
    size, within = float(values[0]), k * float(standard[0])
    if term.kind is Kind.CURVATURE:
        return f"a bend of {size:+.2g} {unit} (+- {within:.1g}) in the middle, as a lever or crank makes"
    if term.kind is Kind.STEP:
        steps = [one for one in fit.terms if one.kind is Kind.STEP]
        low, high = fit.edges[steps.index(term)]
        return (
            f"a jump of {size:+.2g} {unit} (+- {within:.1g}) between readings {low:.0f} and {high:.0f}: "
            "a slipped tooth, or a sensor that has been moved"
        )
    if term.kind is Kind.GAP:
        return _gap(size, within, unit)
    return (
        f"a drift of {size:+.2g} {unit} an hour (+- {within:.1g}) while it was measured: temperature, "
        "or something slips"
    )
