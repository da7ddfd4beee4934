"""What is computed, against figures that others have published; the source stands at each."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from conformance.measure.budget.uncertainty import Budget, Shape, Term, simulated, welch_satterthwaite
from conformance.measure.fit.bound import left_out_errors, piece_bounds
from conformance.measure.fit.interpolants import Interpolant, Points, monotone_cubic
from conformance.measure.fit.least_squares import Array, curve_fit, solve

NIST = Path(__file__).parent / "nist"
# NIST StRD, linear regression, Norris; the data as scipy's own test of linregress (test_nist_norris) has them.
NORRIS_X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6
556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5"""
NORRIS_Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8
557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2"""


def test_norris() -> None:
    """NIST StRD Norris: certified intercept, slope, their standard deviations and the residual one."""
    x, y = (np.array(text.split(), dtype=float) for text in (NORRIS_X, NORRIS_Y))
    found = solve(np.column_stack([np.ones_like(x), x]), y, np.ones_like(x), known=False)
    assert_allclose(found.coefficients, [-0.262323073774029, 1.00211681802045], rtol=1e-10)
    assert_allclose(found.standard, [0.232818234301152, 0.429796848199937e-3], rtol=1e-9)
    assert found.sigma == pytest.approx(0.884796396144373, rel=1e-10)
    assert found.dof == 34


def _dan_wood(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * x ** b[1])


def _misra(b: Array, x: Array) -> Array:
    return np.asarray(b[0] * (1 - np.exp(-b[1] * x)))


def _thurber(b: Array, x: Array) -> Array:
    above = b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3
    return np.asarray(above / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3))


def _enso(b: Array, x: Array) -> Array:
    turn = 2 * math.pi * x
    waves = [(b[1], b[2], 12.0), (b[4], b[5], b[3]), (b[7], b[8], b[6])]
    return np.asarray(b[0] + sum(c * np.cos(turn / n) + s * np.sin(turn / n) for c, s, n in waves))


@pytest.mark.parametrize(
    ("name", "model"),
    [("DanWood", _dan_wood), ("Misra1a", _misra), ("Thurber", _thurber), ("ENSO", _enso)],
)
def test_nist_nonlinear(name: str, model: Callable[[Array, Array], Array]) -> None:
    """NIST StRD, non-linear regression: the certified values, from the second start, to six digits."""
    text = (NIST / f"{name}.dat").read_text(encoding="ascii")
    rows = re.findall(r"^\s*b\d\s*=\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", text, re.MULTILINE)
    _, start, certified, standard = np.array(rows, dtype=float).T
    data = text.split("Data:")[-1].splitlines()[1:]
    y, x = np.array([line.split() for line in data if line.strip()], dtype=float).T
    found = curve_fit(lambda b: model(b, x), start, y, np.ones_like(y), known=False)
    assert_allclose(found.coefficients, certified, rtol=5e-7)
    assert_allclose(found.standard, standard, rtol=2e-6)
    sigma = re.search(r"Residual Standard Deviation:\s+(\S+)", text)
    assert sigma is not None
    assert found.sigma == pytest.approx(float(sigma[1]), rel=1e-7)


def test_known_uncertainties_are_not_scaled_down() -> None:
    """Two values of one quantity: the weighted mean, with 1 / sqrt(sum of 1 / u^2) (any textbook of statistics)."""
    uncertainty = np.array([0.3, 0.4])
    found = solve(np.ones((2, 1)), np.array([10.0, 10.1]), uncertainty, known=True)
    assert found.coefficients[0] == pytest.approx((10 / 0.09 + 10.1 / 0.16) / (1 / 0.09 + 1 / 0.16))
    assert found.standard[0] == pytest.approx(0.24)
    assert math.isinf(found.dof)
    apart = solve(np.ones((2, 1)), np.array([10.0, 12.0]), uncertainty, known=True)
    assert apart.standard[0] == pytest.approx(
        0.24 * 4, rel=1e-9
    )  # Birge: 2 apart where 0.5 was to be expected.


# The worked example of PCHIP of the NAG library, routines e01be and e01bf.
NAG_X = (7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20)
NAG_F = (0, 2.76429e-5, 0.0437498, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994)


def test_monotone_cubic() -> None:
    """NAG e01be/e01bf: values between the points, as printed."""
    found = monotone_cubic(
        np.array(NAG_X, dtype=float), np.array(NAG_F, dtype=float), np.array([9.191, 10.392, 11.593])
    )
    assert_allclose(found, [0.4640, 0.9645, 0.9965], atol=5e-5)


def test_end_gauge() -> None:
    """JCGM 100:2008, H.1 (from memory): an end gauge, in nm; 32 nm with 16 degrees of freedom, 93 nm at 99 %."""
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    budget = Budget(tuple(Term(str(u), u, dof=dof) for u, dof in parts))
    assert round(budget.combined) == 32
    assert math.floor(budget.dof) == 16
    assert 2.92 * budget.combined == pytest.approx(93, abs=1)
    assert budget.factor == pytest.approx(2.12, abs=0.005)  # Table G.2: t of 95 % for 16.


def test_welch_satterthwaite() -> None:
    """JCGM 100:2008, G.4.1, its example (from memory): relative uncertainties in per cent of n = 10, 5, 15 values."""
    assert welch_satterthwaite([(0.25, 9), (0.57, 4), (0.82, 14)]) == pytest.approx(19.0, abs=0.1)
    assert math.isinf(welch_satterthwaite([(1.0, math.inf)]))


def test_simulation_agrees_with_a_closed_form() -> None:
    """Two equal even terms make a triangle (JCGM 101, 9.2: its 95 % is at 1 - sqrt(0.05) of its half-width)."""
    budget = Budget((Term("a", 1.0, Shape.EVEN), Term("b", 1.0, Shape.EVEN)))
    assert simulated(budget, np.random.default_rng(5)) == pytest.approx(2 * (1 - math.sqrt(0.05)), rel=0.01)
    assert simulated(Budget((Term("play", 2.0, Shape.EITHER),)), np.random.default_rng(5)) == 2.0


@pytest.mark.parametrize("gap", [0.5, 0.2])
def test_bound_of_a_parabola_is_exact(gap: float) -> None:
    """h^2 / 8 |f''| for f = x^2: f'' is 2 everywhere, and the error in the middle is just the bound."""
    x = np.arange(0, 4 + gap / 2, gap)
    assert_allclose(piece_bounds(x, x**2), gap**2 / 4, rtol=1e-9)
    assert_allclose(left_out_errors(x, x**2), gap**2, rtol=1e-9)


@pytest.mark.parametrize("function", [np.sin, np.exp, np.cosh])
def test_bound_holds_for_known_functions(function: Callable[[Array], Array]) -> None:
    """Between the points, straight pieces are never further off than is said by more than what f''' can hide."""
    x = np.linspace(0, 3, 13)
    curve = Interpolant(Points(x, function(x), np.ones(13)), 0.1, 5, monotone=False)
    at = np.linspace(0, 3, 1001)
    off = np.abs(curve.position(at) - function(at))
    room = (x[1] - x[0]) ** 3 / 8 * 1.5 * np.max(np.abs(function(x)))
    assert np.all(off <= curve.bias(at) + room)
    # And it is no more than twice too wide where the curve bends most.
    assert curve.bias(at).max() <= 2 * off.max()
